"""Who an answer is: the same input, rules and examination give the same identifiers, whatever the order or the day.

Each resource carries two business identifiers. `answer` names the content: it changes when an input, its version or a rule changes, and
conditional creates rest on it. `examination` names what the resource is about (patient, day of the examination, kind) and stays, so that a
corrected answer finds the one it replaces.
"""

from hashlib import sha256

from sural.canonical import BASE, RULE_SET
from sural.exam.examination import Examination, Person
from sural.exam.finding import Finding, Source, Unheard, said

ANSWER_SYSTEM = f"{BASE}/identifier/answer"
EXAMINATION_SYSTEM = f"{BASE}/identifier/examination"
SOFTWARE_SYSTEM = f"{BASE}/identifier/software"


class Identity:
    """The identifiers of one answer."""

    def __init__(self, exam: Examination, schemes: tuple[str, ...], pathway: str) -> None:
        subject = _subject(exam.subject)
        when = exam.latest or exam.as_of.isoformat()
        inputs = sorted(_named(finding) for finding in exam)
        inputs += sorted(_unheard(one) for one in exam.unheard)
        inputs += [f"{earlier.as_of}|{_named(finding)}" for earlier in exam.earlier for finding in earlier]
        requests = sorted(f"{request.service}|{request.source.reference}" for request in exam.requests)
        parts = (subject, when, RULE_SET, *schemes, pathway, *sorted(exam.complete), *inputs, *requests)
        self.content = sha256("\n".join(parts).encode()).hexdigest()[:40]
        self.examination = sha256(f"{subject}\n{_day(when)}".encode()).hexdigest()[:40]

    def url(self, kind: str) -> str:
        """The urn:uuid under which a resource of the answer is linked."""
        return uuid_of(f"{self.content}|{kind}")

    def identifiers(self, kind: str) -> list[dict[str, str]]:
        """Both business identifiers of a resource."""
        return [
            {"system": ANSWER_SYSTEM, "value": f"{self.content}-{kind}"},
            {"system": EXAMINATION_SYSTEM, "value": f"{self.examination}-{kind}"},
        ]


def _day(when: str) -> str:
    """The day of an examination, as it was written; of a period its end. A visit whose findings come in one by one is one examination."""
    return (when.rpartition("/")[2] or when.partition("/")[0])[:10]


def uuid_of(text: str) -> str:
    """A urn:uuid made from a text: a name-based UUID (RFC 4122, version 5 layout) over SHA-256."""
    digest = sha256(text.encode()).hexdigest()
    return f"urn:uuid:{digest[:8]}-{digest[8:12]}-5{digest[13:16]}-a{digest[17:20]}-{digest[20:32]}"


def _subject(person: Person) -> str:
    return "|".join(f"{system}#{value}" for system, value in sorted(person.identifiers, key=str)) or person.reference


def _named(finding: Finding) -> str:
    source, site, moment, details = finding.source, finding.site, finding.moment, finding.details
    code, side, where = finding.concept.code, finding.side or "", site.code if site else ""
    when, told = moment.text if moment else "", _version(source) if source else finding.assumed or ""
    more = "".join([f"{name}={said(value)}" for name, value in details]) if details else ""
    return f"{code}|{side}|{where}|{said(finding.value)}|{when}|{told}|{more}"


def _unheard(one: Unheard) -> str:
    value = "" if one.value is None else said(one.value)
    return f"?{one.concept.code}|{one.side or ''}|{one.site.code if one.site else ''}|{value}|{_version(one.source)}"


def _version(source: Source) -> str:
    meta = getattr((source.holder or source).record, "meta", None)
    version = (meta.versionId or meta.lastUpdated or "") if meta else ""
    return f"{source.reference or ''}#{version}"
