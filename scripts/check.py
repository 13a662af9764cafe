"""Everything a change must pass beside the tests: ``python scripts/check.py``.

Lint, types, the documentation that is made from the code, and the built wheel tested in an environment of its own
with this tree out of reach.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

from _setup import ROOT, ready, venv_python

WHEEL_TESTS = (
    "tests/end_to_end/test_page.py",
    "tests/end_to_end/test_demo.py::test_starter_job_plans_as_it_stands",
    "tests/end_to_end/test_report.py",
    "tests/end_to_end/test_bad_input.py",
    "tests/unit/test_public_names.py",
)
EVERY_MODULE = """
import importlib, pkgutil, sys, plyflat
names = [m.name for m in pkgutil.walk_packages(plyflat.__path__, "plyflat.") if not m.name.endswith("__main__")]
for name in names:
    importlib.import_module(name)
print(len(names), "modules load from", plyflat.__path__[0])
if not plyflat.__path__[0].startswith(sys.prefix):
    raise SystemExit("that is not where the wheel was installed")
"""


def run(*words: str, cwd: Path = ROOT) -> None:
    """Run a command and stop at its first failure."""
    print("+ " + " ".join(words), flush=True)
    code = subprocess.call(words, cwd=cwd)
    if code:
        raise SystemExit(code)


def same_files(wheel: Path) -> None:
    """Stop unless a wheel holds every file of the package, modules, pages, styles and schemas, and no other."""
    tree = {p.relative_to(ROOT).as_posix() for p in (ROOT / "plyflat").rglob("*") if p.is_file() and p.suffix != ".pyc"}
    with zipfile.ZipFile(wheel) as packed:
        held = {name for name in packed.namelist() if name.startswith("plyflat/")}
    faults = [f"{name} is missing from the wheel" for name in sorted(tree - held)]
    faults += [f"{name} is in the wheel and not in the tree: remove build/" for name in sorted(held - tree)]
    if faults:
        raise SystemExit("\n".join(faults))


def wheel_alone(python: str) -> None:
    """Build the wheel, install it elsewhere, and see that it is whole and works there without the source tree.

    Its files are those of the tree, every module of it loads, its command runs, and there the tests pass of what is refused on
    the command line, of the files beside the code (report and live page in a browser) and of a first job from new to cut files.
    """
    with tempfile.TemporaryDirectory() as scratch:
        there = Path(scratch)
        run(python, "-m", "build", "--wheel", "--outdir", str(there / "dist"), str(ROOT))
        wheel = next((there / "dist").glob("*.whl"))
        same_files(wheel)
        run(sys.executable, "-m", "venv", str(there / "env"))
        other = there / "env" / venv_python().relative_to(venv_python().parent.parent)
        run(str(other), "-m", "pip", "install", "--quiet", f"{wheel}[test]")
        for name in ("tests", "meshes_demo"):
            shutil.copytree(ROOT / name, there / name)
        shutil.copy(ROOT / "pyproject.toml", there / "pyproject.toml")
        run(str(other.parent / "plyflat"), "--version", cwd=there)
        run(str(other), "-W", "error", "-c", EVERY_MODULE, cwd=there)
        run(str(other), "-m", "pytest", "-q", "-n", "auto", "--dist", "loadfile", *WHEEL_TESTS, cwd=there)


if __name__ == "__main__":
    python = str(ready("test,check"))
    run(python, "-m", "ruff", "check", ".")
    run(python, "-m", "mypy")
    run(python, "scripts/make_docs.py", "--check")
    wheel_alone(python)
    print("all checks passed")
