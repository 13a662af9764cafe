"""Kill programs while they write a record: ``python scripts/kill_record.py [--count 200] [--seed 1]``.

Each run starts a child that records row after row and says each number once it is acknowledged, and kills it at a random
moment. Afterwards the file must open, pass SQLite's own check, hold every row that was acknowledged, and no half of a
recording.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from plyflat.shop.record import Record

#: Rows of one recording: all of them or none.
ROWS = 4
CHILD = """
import sys
from plyflat.shop.record import Record
path, run = sys.argv[1:]
n = 0
print("ready", flush=True)
while True:
    with Record(path) as record:
        for _ in range(5):
            n += 1
            record.add(f"job {run}", {"note": f"{run} {n}", "cost": str(n)}, session=n, job_text="a" * 20000 + str(n % 3))
            record.add(f"job {run}", {"note": f"{run} {n} more", "cost": str(n)}, session=n, region="r")
            print(n, flush=True)
"""


@dataclass(frozen=True)
class Outcome:
    """What came of the kills.

    Attributes
    ----------
    kills : int
    acknowledged, found : int
        Recordings that were acknowledged, and of these found.
    half : int
        Recordings of which a part is missing.
    unsound : int
        Times that the file did not open or failed its check.
    before_first : int
        Kills before the first acknowledgement of their child.
    """

    kills: int
    acknowledged: int
    found: int
    half: int
    unsound: int
    before_first: int


def kill_often(path: Path, *, count: int, seed: int) -> Outcome:
    """Kill a number of writers of one file at random moments.

    Parameters
    ----------
    path : Path
        The record file.
    count : int
    seed : int
    """
    rng = random.Random(seed)
    acknowledged = found = half = unsound = early = 0
    for run in range(count):
        said = _one(path, run, rng.choice((0.01, 0.1, 0.4)) * rng.random())
        early += not said
        acknowledged += len(said)
        try:
            with Record(path) as record:
                unsound += not record.is_sound()
                rows = list(record.entries(f"job {run}"))
        except (OSError, ValueError):
            unsound += 1
            continue
        kept = {n: sum(e.session == n for e in rows) for n in {e.session for e in rows}}
        found += sum(kept.get(n) == ROWS for n in said)
        # A session is two recordings of two rows; killed between them it may hold one of them, never half of one.
        half += sum(rows_ % 2 for rows_ in kept.values())
    return Outcome(count, acknowledged, found, half, unsound, early)


def _one(path: Path, run: int, wait_s: float) -> Sequence[int]:
    """Numbers that a child said before it was killed."""
    command = [sys.executable, "-c", CHILD, str(path), str(run)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    if child.stdout is None:
        raise OSError("the child has no output")
    child.stdout.readline()
    time.sleep(wait_s)
    child.send_signal(signal.SIGKILL)
    rest, _ = child.communicate()
    # The last line may be cut short by the kill; a number counts only with its line's end.
    return [int(line) for line in rest.decode().split("\n")[:-1] if line.isdigit()]


def main() -> int:
    """Kill, and say what came of it; the exit code tells whether anything was lost."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--count", type=int, default=200)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        out = kill_often(Path(folder) / "record.sqlite", count=given.count, seed=given.seed)
    print(
        f"{out.kills} kills, {out.before_first} before the first acknowledgement; {out.found} of {out.acknowledged} acknowledged "
        f"recordings found, {out.half} halves, the file unsound {out.unsound} times"
    )
    return 0 if out.found == out.acknowledged and not out.half and not out.unsound else 1


if __name__ == "__main__":
    raise SystemExit(main())
