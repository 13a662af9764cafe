"""Everything a change must pass beside the tests: ``python scripts/check.py``.

Lint, types, the documentation that is made from the code, and the built wheel tested in an environment of its own
with this tree out of reach.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from _setup import ROOT, ready, venv_python


def run(*words: str, cwd: Path = ROOT) -> None:
    """Run a command and stop at its first failure."""
    print("+ " + " ".join(words), flush=True)
    code = subprocess.call(words, cwd=cwd)
    if code:
        raise SystemExit(code)


def wheel_alone(python: str) -> None:
    """Build the wheel, install it elsewhere, and run the end-to-end tests there without the source tree."""
    with tempfile.TemporaryDirectory() as scratch:
        there = Path(scratch)
        run(python, "-m", "build", "--wheel", "--outdir", str(there / "dist"), str(ROOT))
        wheel = next((there / "dist").glob("*.whl"))
        run(sys.executable, "-m", "venv", str(there / "env"))
        other = str(there / "env" / venv_python().relative_to(venv_python().parent.parent))
        run(other, "-m", "pip", "install", "--quiet", f"{wheel}[test]")
        shutil.copytree(ROOT / "tests", there / "tests")
        shutil.copytree(ROOT / "meshes_demo", there / "meshes_demo")
        shutil.copytree(ROOT / "scripts", there / "scripts")
        shutil.copy(ROOT / "pyproject.toml", there / "pyproject.toml")
        run(other, "-m", "pytest", "-q", "-n", "auto", "--dist", "loadfile", "tests/end_to_end", "tests/unit/test_public_names.py", cwd=there)


if __name__ == "__main__":
    python = str(ready("test,check"))
    run(python, "-m", "ruff", "check", ".")
    run(python, "-m", "mypy")
    run(python, "scripts/make_docs.py", "--check")
    wheel_alone(python)
    print("all checks passed")
