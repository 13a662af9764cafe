"""The demo's two halves, from file to all outputs: wall time and peak memory of the command, 20 s of nesting included."""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

MESHES = Path(__file__).resolve().parents[2] / "meshes_demo"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add this benchmark's options."""
    parser.add_argument("--half", nargs="*", choices=["scan", "model"], default=["scan", "model"])


def run(options: argparse.Namespace) -> None:
    """Print the table."""
    print(f"{'half':6} {'wall s':>7} {'peak MB':>8}  seconds by stage")
    for half in options.half:
        with tempfile.TemporaryDirectory() as scratch:
            folder = Path(scratch)
            (folder / "job.toml").write_text(half_job(half))
            start = time.perf_counter()
            words = [sys.executable, "-m", "plyflat", "plan", str(folder / "job.toml"), "-o", str(folder / "out")]
            child = subprocess.Popen(words, stdout=subprocess.DEVNULL)
            _, code, used = os.wait4(child.pid, 0)
            wall = time.perf_counter() - start
            if code:
                raise SystemExit(f"the {half} half failed")
            seconds = json.loads((folder / "out" / "plan.json").read_text())["seconds"]
        print(f"{half:6} {wall:7.1f} {used.ru_maxrss / 1024:8.0f}  {seconds}")


def half_job(half: str) -> str:
    """Return the demo job with one of its two regions."""
    text = (MESHES / "launch.toml").read_text().replace('file = "', f'file = "{MESHES.as_posix()}/')
    first = text.index('[[region]]\nname = "skeg root"')
    second = text.index('[[region]]\nname = "bow panel"')
    rest = text.index('[cloth."carbon')
    # The projector throws the second region's edges.
    thrown = text.index("[[projector]]")
    return text[:second] + text[rest:thrown] if half == "scan" else text[:first] + text[second:]
