"""The FHIR package is loaded by a general-purpose tool: SUSHI derives a profile from one of ours, which it finds in the package only."""

import io
import json
import os
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from sural import canonical
from tests.conformance.published import ROOT
from tests.conformance.validators import NOT_THERE, WORK

sys.path.insert(0, str(ROOT / "profiles"))

import build
import package

pytestmark = pytest.mark.skipif(WORK is None, reason=NOT_THERE)
PROJECT = f"""canonical: https://example.org/skerrow
status: draft
version: 0.0.1
fhirVersion: 4.0.1
FSHOnly: true
dependencies:
  {package.NAME}: {canonical.VERSION}
"""
DERIVED = f"""Profile: SkerrowFinding
Parent: {canonical.profile("lower-limb-finding")}
Id: skerrow-finding
* effectiveDateTime 1..1
* bodySite from {canonical.value_set("site")} (example)
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home folder whose package cache holds FHIR R4 and our package, unpacked as a package manager does it."""
    cache = tmp_path / "home" / ".fhir" / "packages"
    cache.mkdir(parents=True)
    for there in build.packages(Path(str(WORK))).iterdir():
        (cache / there.name).symlink_to(there)
    with tarfile.open(fileobj=io.BytesIO(package.package()), mode="r:gz") as archive:
        archive.extractall(cache / f"{package.NAME}#{canonical.VERSION}", filter="data")
    return tmp_path / "home"


def test_sushi_loads_the_package_as_a_dependency(home: Path, tmp_path: Path) -> None:
    """No error, and the derived profile has the elements of ours in its snapshot."""
    project = tmp_path / "project"
    (project / "input" / "fsh").mkdir(parents=True)
    (project / "sushi-config.yaml").write_text(PROJECT, encoding="utf-8")
    (project / "input" / "fsh" / "derived.fsh").write_text(DERIVED, encoding="utf-8")
    sushi = Path(str(WORK)).resolve() / "npm" / "node_modules" / "fsh-sushi" / "dist" / "app.js"
    done = subprocess.run(
        ["node", str(sushi), "build", ".", "--snapshot"],
        cwd=project, env=os.environ | {"HOME": str(home), "FPL_REGISTRY": build.NO_REGISTRY}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    compiled = project / "fsh-generated" / "resources" / "StructureDefinition-skerrow-finding.json"

    assert 0 == done.returncode, done.stdout + done.stderr
    derived = json.loads(compiled.read_text(encoding="utf-8"))
    assert canonical.profile("lower-limb-finding") == derived["baseDefinition"]
    own = {one["key"] for element in derived["snapshot"]["element"] for one in element.get("constraint", ())}
    parent = json.loads((ROOT / "profiles" / "fhir" / "StructureDefinition-lower-limb-finding.json").read_text(encoding="utf-8"))
    assert {one["key"] for element in parent["snapshot"]["element"] for one in element.get("constraint", ())} <= own
