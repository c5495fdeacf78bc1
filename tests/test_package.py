"""The FHIR package and the PlanDefinition: complete, the same bytes each time, and true to what the service serves.

Interop A1, B1, S1. The form of a package: the FHIR package specification (package.json, .index.json; from memory, and as
SUSHI reads it, which the conformance tests try).
"""

import io
import json
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from sural import canonical
from sural.plan.pathway import names, pathway
from sural.web.app import create_app
from sural.web.publications import SHELVES, published
from tests.builders import Json

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "profiles"))

import package  # noqa: E402


@pytest.fixture(scope="module")
def built() -> bytes:
    return package.package()


@pytest.fixture(scope="module")
def files(built: bytes) -> dict[str, Json]:
    """Every file of the package by its name, as JSON."""
    with tarfile.open(fileobj=io.BytesIO(built), mode="r:gz") as archive:
        return {entry.name: json.load(archive.extractfile(entry)) for entry in archive.getmembers()}  # type: ignore[arg-type]


def test_the_package_is_the_same_bytes_each_time(built: bytes) -> None:
    """A checksum says whether anything changed."""
    assert built == package.package()


def test_no_entry_tells_who_built_it_or_when(built: bytes) -> None:
    """Fixed time, no owner, plain files."""
    with tarfile.open(fileobj=io.BytesIO(built), mode="r:gz") as archive:
        assert {(package.STAMP, 0, 0, "", "", 0o644)} == {
            (one.mtime, one.uid, one.gid, one.uname, one.gname, one.mode) for one in archive.getmembers()
        }


def test_the_manifest_says_what_it_is_and_needs(files: dict[str, Json]) -> None:
    """Name, version, FHIR version, dependency, canonical, licence."""
    manifest = files["package/package.json"]

    assert (canonical.VERSION, ["4.0.1"], {"hl7.fhir.r4.core": "4.0.1"}, canonical.BASE, "Apache-2.0") == (
        manifest["version"], manifest["fhirVersions"], manifest["dependencies"], manifest["canonical"], manifest["license"],
    )  # fmt: skip


@pytest.mark.parametrize("kind", SHELVES)
def test_everything_that_is_served_is_in_the_package(kind: str, files: dict[str, Json]) -> None:
    """The same resources under the same ids."""
    packed = {one["id"]: one for name, one in files.items() if name.startswith(f"package/{kind}-")}

    assert packed == published(kind)
    assert packed


def test_the_capability_statement_of_the_package_is_that_of_the_service(files: dict[str, Json]) -> None:
    """A1: all but its own address."""
    served = TestClient(create_app()).get("/fhir/metadata").json()
    packed = files["package/CapabilityStatement-sural.json"]

    assert served["rest"] == packed["rest"]


@pytest.mark.parametrize("where", ["package", "package/example"])
def test_the_index_lists_every_file(where: str, files: dict[str, Json]) -> None:
    """And with its type and canonical."""
    listed = {one["filename"]: one for one in files[f"{where}/.index.json"]["files"]}
    there = {Path(name).name: one for name, one in files.items() if str(Path(name).parent) == where}
    there = {name: one for name, one in there.items() if "resourceType" in one}

    assert {name: one["resourceType"] for name, one in there.items()} == {
        name: one["resourceType"] for name, one in listed.items()
    }
    assert {name: one.get("url") for name, one in there.items()} == {name: one.get("url") for name, one in listed.items()}


def test_the_examples_are_answers(files: dict[str, Json]) -> None:
    """Of fixture cases, each with a risk and where it comes from."""
    examples = [one for name, one in files.items() if name.startswith("package/example/Bundle-")]
    types = [{entry["resource"]["resourceType"] for entry in one["entry"]} for one in examples]

    assert package.EXAMPLES == len(examples)
    assert all({"RiskAssessment", "Provenance"} <= one for one in types)


def test_the_package_is_built_by_one_command(tmp_path: Path, built: bytes) -> None:
    """`python profiles/package.py OUT`."""
    subprocess.run([sys.executable, str(ROOT / "profiles" / "package.py"), str(tmp_path)], check=True, capture_output=True)

    assert built == (tmp_path / "package.tgz").read_bytes()


def test_the_plan_definitions_are_fresh() -> None:
    """Run `python profiles/pathways.py` when this fails."""
    done = subprocess.run(
        [sys.executable, str(ROOT / "profiles" / "pathways.py"), "--check"], capture_output=True, text=True, check=False
    )

    assert ("", 0) == (done.stdout, done.returncode)


@pytest.mark.parametrize("name", names())
def test_the_plan_definition_describes_every_step(name: str) -> None:
    """S1: services, urgency and source of each step of the data file, and it can be read over HTTP."""
    one = pathway(name)
    steps = [one.threat, one.active, one.inpatient, *one.category.values(), *one.neuropathy.values()]
    described = TestClient(create_app()).get(f"/fhir/PlanDefinition/{name}").json()["action"]

    assert [(step.services, step.urgency) for step in steps] == [
        (tuple(code["coding"][0]["code"] for code in action["code"]), action["priority"]) for action in described
    ]
    assert [f"{step.source} [{step.mark}]" for step in steps] == [one["documentation"][0]["citation"] for one in described]
    assert [step.window is not None for step in steps] == ["timingRange" in action for action in described]
