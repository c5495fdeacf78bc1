"""Proposals that follow from a neuropathy: the emergency route first, then neurology, nerve conduction and blood tests."""

from sural.exam.examination import Examination
from sural.neuropathy.classification import Classification
from sural.plan.calendar import Calendar
from sural.plan.pathway import Pathway
from sural.plan.plan import Referral, propose

ABOUT = "neuropathy"
_BY_SERVICE = {"conduction": "nerve-conduction-study", "laboratory": "laboratory"}


def neuropathy_referrals(
    exam: Examination, classification: Classification, pathway: Pathway, calendar: Calendar
) -> list[Referral]:
    """Every proposal the pathway has for a neuropathy; blood tests and nerve conduction only once a pattern stands."""
    found = [*classification.standing_codes, *(raised.code for raised in classification.red_flags)]
    suspected = bool(classification.standing_codes) or classification.impaired
    proposals: list[Referral] = []
    for name in ("urgent", "progressive", "atypical"):
        step = pathway.neuropathy.get(name)
        if step is None or not (suspected or name == "urgent"):
            continue
        because = tuple([code for code in found if code in step.when])
        if not because:
            continue
        known = next((one for one in proposals if one.service in step.services), None)
        asks = tuple([test.code for test in classification.work_up if test.service in step.services])
        if known is None:
            proposals += [propose(service, step, because, exam, calendar, ABOUT, asks) for service in step.services]
        else:
            proposals[proposals.index(known)] = known.also(because)
    for name, doer in _BY_SERVICE.items():
        step = pathway.neuropathy.get(name)
        asks = tuple([test.code for test in classification.work_up if test.service == doer])
        if step is not None and asks and classification.standing_codes:
            because = tuple(classification.standing_codes)
            proposals += [propose(service, step, because, exam, calendar, ABOUT, asks) for service in step.services]
    return proposals
