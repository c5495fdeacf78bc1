"""See before you wire: what of an extract is understood per code, what a ConceptMap would change, and a ConceptMap to fill in.

Interop C5, I6, I8, B4. All data are invented: the local codes of the Skerrow Islands community foot service.
"""

from datetime import date
from pathlib import Path
from typing import Any

import orjson
import pytest
from fhir.resources.R4B.conceptmap import ConceptMap
from starlette.testclient import TestClient

from sural import canonical
from sural.cli import main
from sural.doors.request import Request, lexicon
from sural.doors.starter import starter_concept_map
from sural.doors.survey import Effect, Survey, survey
from sural.intake.lines import read_all
from sural.records.keys import jwks, read_keys
from sural.records.sampling import sample
from sural.web.app import create_app
from sural.web.intake_operation import ASKED_BY_QUERY
from tests.builders import AS_OF, Exam, Json
from tests.conformance.published import PROFILES, read
from tests.ehr import EC, fake_ehr, using
from tests.ehr_process import ehr_process

LOCAL = "urn:example:skerrow:codes"
DAY = date.fromisoformat(AS_OF)
SECRETS = ("Ingirid", "Fotheringhame", "1957-04-11", "SKERROW-77")


def local(code: str, display: str | None = None) -> Json:
    return {"coding": [{"system": LOCAL, "code": code, **({"display": display} if display else {})}]}


def concept_map(
    code: str, target: str, system: str = LOCAL, to: str = canonical.FINDING, equivalence: str = "equivalent"
) -> Json:
    """A ConceptMap of one element."""
    element = {"code": code, "target": [{"code": target, "equivalence": equivalence}]}
    return {"resourceType": "ConceptMap", "status": "active", "group": [{"source": system, "target": to, "element": [element]}]}


def coded(exam: Exam, code: Json, side: str = "left") -> Exam:
    """A callus in a code that is not ours."""
    return exam.add(exam.observation("callus", "present", side) | {"code": code})


def extract() -> Exam:
    """A foot check in local codes, with a local answer and a local site, beside findings in our own codes."""
    exam = Exam()
    for side in ("left", "right"):
        exam.see("callus", "present", side)
        coded(exam, local("HARD-SKIN", "Hard skin"), side)
    exam.see("foot-ulcer", None, "left", "hallux", valueCodeableConcept=local("NO", "None seen"))
    exam.see("temperature-sense", "normal", None, None, bodySite=local("BIG-TOE-L"))
    return exam


def surveyed(exam: Exam | Json, *maps: Json) -> tuple[Survey, Effect | None]:
    """An extract surveyed with these ConceptMaps laid over."""
    content = exam.bundle() if isinstance(exam, Exam) else exam
    request = Request(DAY, concept_maps=tuple(orjson.dumps(one) for one in maps))
    return survey(read_all(orjson.dumps(content)), request)


def effect_of(exam: Exam | Json, *maps: Json) -> Effect:
    _, effect = surveyed(exam, *maps)
    assert effect is not None
    return effect


# ---------------------------------------------------------------------------------------------------------------------------------
# per code


def test_a_code_is_reported_with_what_it_was_understood_as() -> None:
    """System, code, count, and the finding."""
    found, _ = surveyed(extract())
    (callus,) = [use for use in found.uses.values() if use.code == "callus"]

    assert (canonical.FINDING, 2, "callus", {"used": 2}) == (callus.system, callus.count, callus.understood, callus.fates)


def test_a_code_that_is_not_understood_is_reported_with_its_display_and_why() -> None:
    """Local codes without a ConceptMap."""
    found, _ = surveyed(extract())
    (hard,) = [use for use in found.uses.values() if use.code == "HARD-SKIN"]

    assert ("Hard skin", 2, None, {"code-not-mapped": 2}) == (hard.display, hard.count, hard.understood, hard.reasons)


def test_coded_values_and_body_sites_are_reported_too() -> None:
    """A code that is understood is of no use when its value or its place is not."""
    found, _ = surveyed(extract())
    values = {use.code: use.understood for use in found.ranked("value")}
    sites = {use.code: use.understood for use in found.ranked("site")}

    assert ("present", None) == (values["present"], values["NO"])
    assert sites["BIG-TOE-L"] is None
    assert "hallux" in {understood.split()[-1] for understood in sites.values() if understood}


def test_the_worst_comes_first() -> None:
    """Unusable, then not relevant, then used; what is not understood before what is."""
    found, _ = surveyed(extract())
    order = ["unusable", "notRelevant", "superseded", "used"]
    ranks = [min(order.index(fate) for fate in use.fates) for use in found.ranked("code")]

    assert ranks == sorted(ranks)
    assert {0, 1, 3} <= {*ranks}


def test_medicines_are_understood_by_name() -> None:
    """They are no findings, and still read."""
    exam = Exam().add(
        {
            "resourceType": "MedicationStatement", "id": "m", "status": "active", "subject": {"reference": "Patient/p1"},
            "medicationCodeableConcept": {"coding": [{"system": LOCAL, "code": "V1", "display": "vincristine"}]},
        }
    )  # fmt: skip
    found, _ = surveyed(exam)

    assert ["vincristine"] == [use.understood for use in found.uses.values() if use.code == "V1"]


def _of_a_person() -> Exam:
    """An extract with names and free text wherever an extract has them."""
    exam = Exam()
    exam.entries[0]["resource"] |= {"name": [{"family": SECRETS[1], "given": [SECRETS[0]]}]}
    exam.entries[0]["resource"]["identifier"].append({"system": LOCAL, "value": SECRETS[3]})
    exam.see("callus", "present", "left", note=[{"text": SECRETS[0]}])
    exam.see("callus", None, "right", valueCodeableConcept={"text": f"seen with {SECRETS[0]}"})
    return exam.add(
        {
            "resourceType": "Condition", "id": "c", "subject": {"reference": "Patient/p1"},
            "code": {"text": f"{SECRETS[0]} fell at home"},
        }
    )  # fmt: skip


@pytest.mark.parametrize("door", ["command line", "operation"])
def test_nothing_of_the_patient_is_in_the_report(door: str, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """C5, P2: codes and counts only; what is written as free text beside them stays out."""
    body = orjson.dumps(_of_a_person().bundle())
    if door == "command line":
        (tmp_path / "extract.json").write_bytes(body)
        starter = tmp_path / "starter.json"
        main(["intake", str(tmp_path / "extract.json"), "--as-of", AS_OF, "--starter-concept-map", str(starter)])
        captured = capsysbinary.readouterr()
        said = captured.out + captured.err + starter.read_bytes()
    else:
        said = posted(body).content

    assert b"text without a code" in said or door == "operation"
    assert [] == [secret for secret in SECRETS if secret.encode() in said]


# ---------------------------------------------------------------------------------------------------------------------------------
# the effect of a ConceptMap


def test_a_concept_map_shows_what_it_gains() -> None:
    """The code newly understood, the findings newly present, the counts before and after."""
    exam = coded(Exam(), local("HARD-SKIN"))
    effect = effect_of(exam, concept_map("HARD-SKIN", "callus"))
    (change,) = [one for one in effect.changes if one.role == "code"]

    assert ("gained", None, "callus", 0, 1) == (change.kind, change.before, change.after, change.read_before, change.read_after)
    assert (0, 1) == effect.findings["callus"]
    assert 1 == effect.counts_before["notRelevant"]
    assert not effect.worse


def test_a_concept_map_of_answers_shows_what_it_gains() -> None:
    """The value is understood and its resource is used."""
    exam = Exam().see("callus", None, "left", valueCodeableConcept=local("NIL"))
    effect = effect_of(exam, concept_map("NIL", "absent", to=canonical.FINDING_VALUE))

    assert ("value", "gained", "absent") in {(one.role, one.kind, one.after) for one in effect.changes}
    assert (0, 1) == effect.findings["callus"]


def test_a_concept_map_that_changes_nothing_says_so() -> None:
    """No change, no finding, nothing worse."""
    effect = effect_of(Exam().normal(), concept_map("NOWHERE", "callus"))

    assert ((), {}, False) == (effect.changes, effect.findings, effect.worse)


def test_a_concept_map_that_reads_a_code_otherwise_is_worse() -> None:
    """An open code with a published meaning, mapped to something else by the site."""
    code, target = _verified()
    exam = coded(Exam(), {"coding": [{"system": canonical.SNOMED, "code": code}]})
    effect = effect_of(exam, concept_map(code, target, canonical.SNOMED))

    assert {"otherwise", "lost"} & {one.kind for one in effect.changes}
    assert effect.worse


def test_a_concept_map_that_contradicts_a_verified_mapping_is_named() -> None:
    """Even when no resource of the extract has the code."""
    code, target = _verified()
    (one,) = effect_of(Exam().normal(), concept_map(code, target, canonical.SNOMED)).contradictions

    assert (canonical.SNOMED, code, target, True) == (one.system, one.code, one.overlay, one.verified)
    assert effect_of(Exam().normal(), concept_map(code, target, canonical.SNOMED)).worse


def test_a_concept_map_that_repeats_a_published_mapping_contradicts_nothing() -> None:
    """All of the published map, laid over itself."""
    published = read(PROFILES.parents[1] / "terminology" / "fhir" / "ConceptMap-findings.json")
    effect = effect_of(Exam().normal(), published)

    assert ((), False) == (effect.contradictions, effect.worse)


def _verified() -> tuple[str, str]:
    """A SNOMED CT code whose published mapping is verified, and another finding than that."""
    published = read(PROFILES.parents[1] / "terminology" / "fhir" / "ConceptMap-findings.json")
    (group,) = [one for one in published["group"] if one["source"] == canonical.SNOMED]
    element = next(
        one
        for one in group["element"]
        if len(one["target"]) == 1
        and one["target"][0]["equivalence"] == "equivalent"
        and one["target"][0].get("comment", "").startswith("verified")
    )
    other = "oedema" if element["target"][0]["code"] != "oedema" else "callus"
    return element["code"], other


# ---------------------------------------------------------------------------------------------------------------------------------
# a ConceptMap to fill in


def starter(exam: Exam) -> Json:
    found, _ = surveyed(exam)
    return starter_concept_map(found.ranked(), AS_OF)


def test_the_starter_holds_every_code_that_is_not_understood_and_no_other() -> None:
    """Codes, values and sites, each towards our code system for them."""
    groups = {one["target"]: [element["code"] for element in one["element"]] for one in starter(extract())["group"]}

    assert {canonical.FINDING: ["HARD-SKIN"], canonical.FINDING_VALUE: ["NO"], canonical.SITE: ["BIG-TOE-L"]} == groups


def test_the_starter_guesses_nothing() -> None:
    """Every target is unmatched and has no code: laid over as it is, it changes nothing."""
    content = starter(extract())
    targets = [target for group in content["group"] for element in group["element"] for target in element["target"]]
    effect = effect_of(extract(), content)

    assert {("unmatched", None)} == {(one["equivalence"], one.get("code")) for one in targets}
    assert ((), {}) == (effect.changes, effect.findings)


def test_the_starter_is_a_valid_concept_map() -> None:
    """By the models of FHIR; an extract that is understood whole gives one without groups, which R4 forbids to be empty."""
    ConceptMap.model_validate(starter(extract()))

    assert "group" not in starter(Exam().normal())


def test_the_starter_hints_at_what_is_nearly_mapped() -> None:
    """I8: what a map has as wider or narrower only is no evidence; the comment says what it is near."""
    exam = coded(Exam(), local("HARD-SKIN"))
    wider = concept_map("HARD-SKIN", "callus", equivalence="wider")
    found, _ = surveyed(exam, wider)
    (element,) = starter_concept_map(found.ranked(), AS_OF, [orjson.dumps(wider)])["group"][0]["element"]

    assert {"code-nearly-mapped": 1} == next(use.reasons for use in found.uses.values() if use.code == "HARD-SKIN")
    assert "Mapped as wider of callus" in element["target"][0]["comment"]


def test_the_starter_hints_at_equal_displays() -> None:
    """A hint to look at, not a mapping."""
    exam = coded(Exam(), local("X9", lexicon().concepts["callus"].display))
    (element,) = starter(exam)["group"][0]["element"]

    assert "Our code callus has the same display" in element["target"][0]["comment"]


def test_a_starter_filled_in_is_an_overlay() -> None:
    """The way round: starter, one line filled in, findings gained."""
    content = starter(extract())
    for group in content["group"]:
        if group["target"] == canonical.FINDING:
            group["element"][0]["target"] = [{"code": "callus", "equivalence": "equivalent"}]
    effect = effect_of(extract(), content)

    assert [("HARD-SKIN", "gained")] == [(one.code, one.kind) for one in effect.changes if one.role == "code"]


# ---------------------------------------------------------------------------------------------------------------------------------
# the operation


def posted(body: bytes | Json, query: str = f"as-of={AS_OF}", kind: str = "application/fhir+json") -> Any:
    content = body if isinstance(body, bytes) else orjson.dumps(body)
    with TestClient(create_app(), raise_server_exceptions=False) as client:
        return client.post(f"/fhir/$lower-limb-intake?{query}", content=content, headers={"content-type": kind})


def named(parameters: Json, name: str) -> list[Json]:
    return [one for one in parameters["parameter"] if one["name"] == name]


def parts(parameter: Json) -> Json:
    """The parts of a parameter by name, each its value."""
    return {one["name"]: next((value for key, value in one.items() if key.startswith("value")), one) for one in parameter["part"]}


def test_the_operation_answers_parameters() -> None:
    """B4: several out parameters are Parameters; the codes are those of the command line."""
    answered = posted(extract().bundle())
    found, _ = surveyed(extract())

    assert (200, "application/fhir+json", "Parameters") == (
        answered.status_code, answered.headers["content-type"], answered.json()["resourceType"],
    )  # fmt: skip
    codes = [parts(one)["coding"].get("code") for one in named(answered.json(), "code")]
    assert [use.code or None for use in found.ranked()] == codes
    assert found.counts["used"] == parts(named(answered.json(), "counts")[0])["used"]


def test_the_operation_shows_the_effect_of_a_concept_map() -> None:
    """In Parameters with the extract."""
    asked = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "exam", "resource": extract().bundle()},
            {"name": "concept-map", "resource": concept_map("HARD-SKIN", "callus")},
            {"name": "as-of", "valueDate": AS_OF},
        ],
    }
    (effect,) = named(posted(asked, "").json(), "effect")
    changes = [parts(one) for one in effect["part"] if one["name"] == "change"]

    assert False is parts(effect)["worse"]
    assert [("HARD-SKIN", "gained", "callus")] == [
        (one["coding"]["code"], one["kind"], one["after"]) for one in changes if one["role"] == "code"
    ]


def test_the_operation_gives_the_starter_and_the_issues() -> None:
    """Resources in parameters of their own."""
    answered = posted(extract().bundle()).json()

    assert starter(extract()) == named(answered, "starter-concept-map")[0]["resource"]
    assert "OperationOutcome" == named(answered, "outcome")[0]["resource"]["resourceType"]


def test_the_operation_reads_lines() -> None:
    """Bulk Data: one resource a line."""
    body = b"\n".join(orjson.dumps(one["resource"]) for one in extract().entries)

    assert named(posted(extract().bundle()).json(), "counts") == named(
        posted(body, kind="application/fhir+ndjson").json(), "counts"
    )


@pytest.mark.parametrize("query", ["scheme=iwgdf-2023", "colour=red"])
def test_the_operation_knows_only_its_own_parameters(query: str) -> None:
    """B9: what has no meaning here is refused, in the query and in the body."""
    name, value = query.split("=")
    asked = {
        "resourceType": "Parameters",
        "parameter": [{"name": "exam", "resource": extract().bundle()}, {"name": name, "valueCode": value}],
    }

    assert [400, 400] == [posted(extract().bundle(), query).status_code, posted(asked, "").status_code]


def test_an_extract_that_cannot_be_read_is_refused() -> None:
    """A6: with an OperationOutcome."""
    answered = posted(b"{")

    assert (400, "OperationOutcome") == (answered.status_code, answered.json()["resourceType"])


def test_the_definition_names_the_parameters_of_the_operation() -> None:
    """B1: what is published, what is taken and what comes out are one list."""
    definition = read(PROFILES / "OperationDefinition-lower-limb-intake.json")
    asked = {one["name"] for one in definition["parameter"] if one["use"] == "in"}
    answered = {one["name"] for one in definition["parameter"] if one["use"] == "out"}
    full = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "exam", "resource": extract().bundle()},
            {"name": "concept-map", "resource": concept_map("HARD-SKIN", "callus")},
        ],
    }

    assert {*ASKED_BY_QUERY, "exam", "concept-map"} == asked
    assert answered == {one["name"] for one in posted(full).json()["parameter"]}


# ---------------------------------------------------------------------------------------------------------------------------------
# the command line and a live endpoint


@pytest.fixture
def files(tmp_path: Path) -> Path:
    (tmp_path / "extract.json").write_bytes(orjson.dumps(extract().bundle()))
    (tmp_path / "map.json").write_bytes(orjson.dumps(concept_map("HARD-SKIN", "callus")))
    return tmp_path


def test_the_command_writes_a_starter(files: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """`--starter-concept-map FILE`."""
    main(["intake", str(files / "extract.json"), "--as-of", AS_OF, "--starter-concept-map", str(files / "starter.json")])
    capsysbinary.readouterr()

    assert starter(extract()) == orjson.loads((files / "starter.json").read_bytes())


def test_the_command_shows_the_effect(files: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """`--concept-map FILE`, as a table and as JSON."""
    arguments = ["intake", str(files / "extract.json"), "--as-of", AS_OF, "--concept-map", str(files / "map.json")]
    main([*arguments, "--as", "json"])
    report = orjson.loads(capsysbinary.readouterr().out)
    main([*arguments, "--as", "table"])
    table = capsysbinary.readouterr().out.decode()

    assert ["gained"] == [one["kind"] for one in report["effect"]["changes"] if one["role"] == "code"]
    assert "gained: urn:example:skerrow:codes HARD-SKIN (Hard skin): - -> callus, read 0 -> 2" in table
    assert "nothing is worse than before" in table


def test_the_command_needs_something_to_read(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """A file or an address."""
    assert (2, b"") == (main(["intake"]), capsysbinary.readouterr().out)


def test_a_live_endpoint_is_sampled_whatever_its_codes() -> None:
    """Some patients with all they have: what is not understood would never be found by code."""
    ehr = fake_ehr(6)
    ehr.store.put(Exam("skerrow-00001").observation("callus", "present", "left") | {"id": "hard", "code": local("HARD-SKIN")})

    async def sampled(connection: Any) -> list[bytes]:
        return [one async for one in sample(connection, 3, lambda _: None)]

    records = [orjson.loads(one) for one in using(ehr, sampled)]

    assert [1, 1, 1] == [sum(one["resource"]["resourceType"] == "Patient" for one in record["entry"]) for record in records]
    assert all(len(record["entry"]) > 1 for record in records)
    assert 1 == sum(entry["resource"]["id"] == "hard" for record in records for entry in record["entry"])


def test_a_live_endpoint_is_asked_with_a_signed_assertion(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """SMART Backend Services as for a pull (N2, N3); the record system checks the assertion, and without one nothing is read."""
    (tmp_path / "key.pem").write_bytes(EC.as_pem(private=True))
    with ehr_process(3, {"foot-service": jwks(read_keys(tmp_path / "key.pem"))}) as base:
        asked = ["intake", "--from", base, "--patients", "2"]
        refused = main(asked), capsysbinary.readouterr().out
        read = main([*asked, "--client-id", "foot-service", "--key", str(tmp_path / "key.pem")])
    report = orjson.loads(capsysbinary.readouterr().out)

    assert (2, True) == (refused[0], b"OperationOutcome" in refused[1])
    assert 0 == read
    assert 0 < sum(report["intake"].values())


def test_a_client_without_a_key_is_refused(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """N8: keys come from files; that none was named is said."""
    assert 2 == main(["intake", "--from", "http://127.0.0.1:9/fhir", "--client-id", "foot-service"])
    assert b"needs --key" in capsysbinary.readouterr().out


def test_what_cannot_be_reached_is_said(capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    """An OperationOutcome and status 2, as for a file that is not there."""
    assert 2 == main(["intake", "--from", "http://example.org/fhir", "--patients", "1"])
    assert b"OperationOutcome" in capsysbinary.readouterr().out
