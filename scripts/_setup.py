"""Make the project's own virtual environment, so that a fresh machine needs nothing but Python."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"


def venv_python() -> Path:
    """Return the path of the environment's interpreter."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def ready(extras: str) -> Path:
    """Make or refresh the environment with the package and some extras; return its interpreter.

    Parameters
    ----------
    extras : str
        Comma separated names of extras, "" for none.

    Raises
    ------
    SystemExit
        If this Python is too old, or the installation fails.
    """
    if sys.version_info < (3, 11):
        raise SystemExit(f"plyflat needs Python 3.11 or newer; this is {sys.version.split()[0]}")
    stamp = VENV / f".installed-{extras or 'run'}"
    want = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if venv_python().exists() and stamp.exists() and stamp.read_text() == want:
        return venv_python()
    if not venv_python().exists():
        print(f"making {VENV}", flush=True)
        subprocess.run([sys.executable, "-m", "venv", str(VENV)], check=True)
    print("installing plyflat and what it needs (about 1.2 GB on disk at the first run)", flush=True)
    what = f"{ROOT}[{extras}]" if extras else str(ROOT)
    done = subprocess.run([str(venv_python()), "-m", "pip", "install", "--quiet", "-e", what], check=False)
    if done.returncode:
        raise SystemExit("the installation failed; pip's message stands above")
    stamp.write_text(want)
    return venv_python()
