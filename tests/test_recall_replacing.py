"""Whether a later answer replaces a proposal (decision 0013), on small resources."""

import pytest

from sural import canonical
from sural.answer.states import STATE_EXTENSION
from sural.recall.replacing import replaced
from tests.asking import answer_of
from tests.builders import Exam, Json, concept


def proposal(service: str = "neurology", priority: str = "urgent", *reasons: str, system: str = canonical.NEUROPATHY) -> Json:
    because = [concept(system, one) for one in reasons or ("rapid-weakness",)]
    return {"resourceType": "ServiceRequest", "status": "active", "code": concept(canonical.SERVICE, service), "priority": priority, "reasonCode": because}


@pytest.mark.parametrize(
    ("later", "is_replaced"),
    [(proposal(), True), (proposal(priority="stat"), True), (proposal(priority="routine"), False), (proposal("laboratory"), False),
     (proposal("neurology", "urgent", "upper-motor-neurone"), False), (proposal("neurology", "urgent", "upper-motor-neurone", "rapid-weakness"), True),
     (proposal() | {"status": "entered-in-error"}, False)],
)  # fmt: skip
def test_the_same_proposal_takes_over_when_it_is_as_urgent_and_for_all_reasons(later: Json, is_replaced: bool) -> None:
    """What is asked for less urgently, or for less, does not stand for it."""
    assert is_replaced == replaced(proposal(), {"resourceType": "Observation"}, [later])


@pytest.mark.parametrize(("found", "is_replaced"), [(Exam().normal(), True), (Exam().normal().see("foot-ulcer", "present", "left"), False)])
def test_a_category_that_is_settled_below_an_active_problem_replaces_what_was_proposed_for_one(found: Exam, is_replaced: bool) -> None:
    """Also where the answer does not tell the state of each factor, as one from before recall."""
    leading = next(one for entry in answer_of(found)["entry"] if "foot-risk-category" in str((one := entry["resource"]).get("code")))
    bare = leading | {"extension": [one for one in leading["extension"] if one["url"] != STATE_EXTENSION]}

    assert is_replaced == replaced(proposal("multidisciplinary-foot-service", "urgent", "foot-ulcer", system=canonical.FACTOR), bare, [])
