"""Set up and run the tests: ``python scripts/test.py [pytest arguments]``.

Without arguments all tests run, file by file, on as many cores as there are.
"""

from __future__ import annotations

import os
import subprocess
import sys

from _setup import ROOT, ready

if __name__ == "__main__":
    python = ready("test")
    # In the order of their names: the end-to-end tests, which take minutes each, are not left to one process at the end.
    words = sys.argv[1:] or ["-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"]
    # One thread of linear algebra for each: more only get in each other's way.
    one = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    raise SystemExit(subprocess.call([str(python), "-m", "pytest", *words], cwd=ROOT, env={**os.environ, **one}))
