"""Builds the FHIR package: profiles, terminology, operations, the pathway, forms, the CapabilityStatement and examples, as one package.tgz.

    python profiles/package.py OUT

OUT is the folder to write package.tgz into. The same sources give the same bytes: entries are sorted, with one fixed time and no owner.
"""

import gzip
import io
import json
import sys
import tarfile
from pathlib import Path
from typing import Any

from sural import canonical
from sural.doors.assessor import answer, encode, merged
from sural.doors.cases import Case, cases
from sural.issues import Refused
from sural.terminology.publication import folder
from sural.web.app import create_app
from sural.web.capabilities import DATE, capability_statement

Json = dict[str, Any]
NAME = "example.sural.lower-limb"
CORE = "hl7.fhir.r4.core"
FHIR = "4.0.1"
INDEXED = ("id", "url", "version", "kind", "type", "supplements", "content")
EXAMPLES = 8
"""How many fixture cases give an example: the first by name whose input is one FHIR document that is assessed."""
STAMP = 1_764_028_800
"""The modification time of every entry, seconds: 2025-11-25T00:00:00Z. Any fixed number would do."""


def main(arguments: list[str]) -> int:
    """Build. Returns the exit code."""
    if len(arguments) != 1 or arguments[0].startswith("-"):
        print(__doc__)
        return 2
    out = Path(arguments[0])
    out.mkdir(parents=True, exist_ok=True)
    (out / "package.tgz").write_bytes(package())
    print(f"written: {out / 'package.tgz'}")
    return 0


def package() -> bytes:
    """The bytes of package.tgz."""
    conformance = {path.name: path.read_bytes() for shelf in ("terminology", "profiles") for path in _files(shelf)}
    statement = capability_statement(create_app(), f"{canonical.BASE}") | {"id": "sural"}
    conformance["CapabilityStatement-sural.json"] = encode(statement, pretty=True) + b"\n"
    examples = _examples()
    files = {f"package/{name}": text for name, text in conformance.items()}
    files |= {f"package/example/{name}": text for name, text in examples.items()}
    files["package/.index.json"] = _index(conformance)
    files["package/example/.index.json"] = _index(examples)
    files["package/package.json"] = _json(manifest())
    return _archive(files)


def manifest() -> Json:
    """package.json, as the FHIR package specification has it."""
    return {
        "name": NAME,
        "version": canonical.VERSION,
        "title": "Sural: foot and lower-limb neurological examination",
        "description": "Profiles, terminology, operations and forms of Sural. The name and canonical are reserved examples until there is a domain.",
        "author": "The Sural project",
        "license": "Apache-2.0",
        "canonical": canonical.BASE,
        "url": canonical.BASE,
        "type": "IG",
        "fhirVersions": [FHIR],
        "dependencies": {CORE: FHIR},
        "directories": {"lib": "package", "example": "example"},
        "date": DATE.replace("-", "") + "000000",
    }


def _files(shelf: Any) -> list[Path]:
    return sorted(folder(shelf).glob("*.json"))


def _examples() -> dict[str, bytes]:
    """Answers of fixture cases, as the service gives them, with an id so that they can be stored."""
    found: dict[str, bytes] = {}
    for case in cases():
        bundle = _answer(case)
        if bundle is not None:
            found[f"Bundle-{case.name}.json"] = encode(bundle | {"id": case.name[:64]}, pretty=True) + b"\n"
        if len(found) == EXAMPLES:
            break
    return found


def _answer(case: Case) -> Json | None:
    if case.input.suffix != ".json" or case.how.concept_map:
        return None
    request = case.how.request(case)
    try:
        answered = answer(case.input.read_bytes(), request.__class__(request.as_of, request.lookback, complete=request.complete))
    except Refused:
        return None
    return merged(answered)


def _index(files: dict[str, bytes]) -> bytes:
    entries = []
    for name, text in sorted(files.items()):
        resource = json.loads(text)
        entry = {"filename": name, "resourceType": resource["resourceType"]}
        entries.append(entry | {key: resource[key] for key in INDEXED if isinstance(resource.get(key), str)})
    return _json({"index-version": 1, "files": entries})


def _json(content: Json) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode()


def _archive(files: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with (
        gzip.GzipFile(fileobj=packed, mode="wb", filename="", mtime=STAMP) as zipped,
        tarfile.open(fileobj=zipped, mode="w", format=tarfile.USTAR_FORMAT) as archive,
    ):
        for name in sorted(files, key=lambda one: (one != "package/package.json", one)):
            entry = tarfile.TarInfo(name)
            entry.size, entry.mtime, entry.mode = len(files[name]), STAMP, 0o644
            archive.addfile(entry, io.BytesIO(files[name]))
    return packed.getvalue()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
