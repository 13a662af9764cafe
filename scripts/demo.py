"""Set up, run the demo job and say where the results are: ``python scripts/demo.py [-o folder]``."""

from __future__ import annotations

import argparse
import subprocess
from pathlib import Path

from _setup import ROOT, ready


def main() -> int:
    """Run the demo job of meshes_demo/ with the command a user would type."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("-o", "--output", type=Path, default=ROOT / "demo_out")
    folder = ask.parse_args().output.resolve()
    python = ready("")
    job = ROOT / "meshes_demo" / "launch.toml"
    print(f"plyflat plan {job.relative_to(ROOT)} -o {folder}", flush=True)
    code = subprocess.call([str(python), "-m", "plyflat", "plan", str(job), "-o", str(folder)])
    if code == 0:
        print(
            f"\nOpen {folder / 'report.html'} in a browser; the cut files are in {folder / 'cut'} and {folder / 'lay'}."
        )
    return code


if __name__ == "__main__":
    raise SystemExit(main())
