"""Set up and run the tests: ``python scripts/test.py [pytest arguments]``."""

from __future__ import annotations

import subprocess
import sys

from _setup import ROOT, ready

if __name__ == "__main__":
    python = ready("test")
    raise SystemExit(subprocess.call([str(python), "-m", "pytest", *sys.argv[1:]], cwd=ROOT))
