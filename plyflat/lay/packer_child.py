"""The process that runs the packing library: a script of its own, started by ``packer.py``.

It imports nothing of this package, reads one task as a line of JSON, and writes answers as lines of JSON. A fault in
the library ends the process; the reason then stands on its error output. It ends itself when its parent is gone.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any, TextIO

#: A search by count is never ended by this, s.
LONG_S = 1_000_000
#: Share of a timed search that goes into finding lays; the rest draws the shortest one in.
EXPLORING = 0.8
#: The same where no piece turns freely: the small moves that make a lay exact draw it in further, and at once.
EXPLORING_SET = 1.0
#: Depth of the tree that the library sorts edges into: 3 took it as far as 4 in 0.78 to 0.95 of the time on shirts,
#: trousers and marques, by the same way.
DEPTH = 3
#: The library may end so much later than it is told, s.
LATE_S = 0.1
#: No search is begun for less time than this, s.
LEAST_S = 0.3
#: Starting this process is taken to last no longer than this, whatever the clocks say, s.
START_S = 5.0


def leave_with_parent() -> None:
    """Wait for the parent's end of the pipe to close, which also happens when the parent is killed."""
    sys.stdin.read()
    os._exit(0)


def send(out: TextIO, kind: str, **content: Any) -> None:
    """Write one message."""
    out.write(json.dumps({"kind": kind, **content}) + "\n")
    out.flush()


def send_lay(out: TextIO, solution: Any, seed: int, *, quick: bool, sound: bool = True) -> None:
    """Write a lay: its length and [item, turn, x, y] for every piece."""
    places = [[int(p.id), p.rotation, *p.translation] for p in solution.placed_items]
    send(out, "lay", length=solution.width, places=places, seed=seed, quick=quick, sound=sound)


def config(task: dict, seed: int, seconds: float, *, threads: int = 1) -> Any:
    """Give the library's settings for one run."""
    import spyrrow

    settings = spyrrow.StripPackingConfig(
        total_computation_time=0, num_workers=threads, seed=seed, min_items_separation=task["gap"] or None,
        quadtree_depth=DEPTH,
    )
    exploring = EXPLORING if any(item["turns"] is None for item in task["items"]) else EXPLORING_SET
    # When it is made it takes whole seconds only.
    settings.exploration_time = timedelta(seconds=exploring * seconds)
    settings.compression_time = timedelta(seconds=(1.0 - exploring) * seconds)
    return settings


def search(out: TextIO, instance: Any, task: dict, seed: int, seconds: float) -> None:
    """Run one timed search; pass on each better lay free of overlaps, and what each failed attempt at one came to."""
    import spyrrow

    # The library's other reports still have overlaps in them.
    sound = (spyrrow.ReportType.ExplFeas, spyrrow.ReportType.CmprFeas, spyrrow.ReportType.Final)
    reports, best = spyrrow.ProgressQueue(), float("inf")
    with ThreadPoolExecutor(1) as pool:
        run = pool.submit(instance.solve, config(task, seed, seconds, threads=task["threads"]), reports)
        while True:
            ended = run.done()
            news = reports.drain()
            lays = [lay for kind, lay in news if kind in sound and lay.width < best]
            if lays:
                shortest = min(lays, key=lambda lay: lay.width)
                best = shortest.width
                send_lay(out, shortest, seed, quick=False)
            for lay in [lay for kind, lay in news if kind == spyrrow.ReportType.ExplInfeas]:
                send_lay(out, lay, seed, quick=False, sound=False)
            if ended:
                break
            time.sleep(0.02)
        run.result()


def search_by_count(out: TextIO, instance: Any, task: dict, seed: int) -> None:
    """Search until so many better lays are found, however long that takes."""
    import spyrrow

    reports = spyrrow.ProgressQueue()
    settings = spyrrow.StripPackingConfig(
        total_computation_time=None, exploration_time=LONG_S, compression_time=1, num_workers=1, seed=seed,
        min_items_separation=task["gap"] or None, quadtree_depth=DEPTH,
    )  # fmt: skip
    left = task["reports"]
    pool = ThreadPoolExecutor(1)
    run = pool.submit(instance.solve, settings, reports)
    while left:
        ended = run.done()
        # What comes after exploring is steered by the clock, and is left alone.
        for lay in [lay for kind, lay in reports.drain() if kind == spyrrow.ReportType.ExplFeas][:left]:
            send_lay(out, lay, seed, quick=False)
            left -= 1
        if ended:
            run.result()
            break
        time.sleep(0.02)


def work(out: TextIO, task: dict, start: float) -> None:
    """Give the quick answers first, then search until the time is used."""
    import spyrrow

    items = [
        spyrrow.Item(str(k), [tuple(p) for p in item["shape"]], item["copies"], item["turns"])
        for k, item in enumerate(task["items"])
    ]
    instances = [spyrrow.StripPackingInstance("", height, items) for height in task["heights"]]
    end = start + task["seconds"]
    for k, seed in enumerate(task["quick_seeds"]):
        # Where there is time for a search one quick answer will do.
        if k and task["seconds"] and not 0.0 < end - time.monotonic() < LEAST_S:
            break
        send_lay(out, instances[seed % len(instances)].solve(config(task, seed, 0)), seed, quick=True)
    if task["reports"]:
        search_by_count(out, instances[task["first"]], task, task["search_seed"])
        return
    for turn in range(1000):
        left = end - time.monotonic()
        if left < LEAST_S:
            break
        seed = task["search_seed"] + turn
        search(out, instances[(task["first"] + turn) % len(instances)], task, seed, left - LATE_S)


def main() -> None:
    """Take the task from standard input and answer on standard output."""
    start = time.monotonic()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # Whatever the library prints goes to the error output, so that the answers stay clean.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    task = json.loads(sys.stdin.readline())
    # The time counts from when the task was sent.
    start -= min(max(time.time() - task["sent_at"], 0.0), START_S)
    threading.Thread(target=leave_with_parent, daemon=True).start()
    work(out, task, start)
    send(out, "end")
    # A search that has given its count of lays may still be running.
    os._exit(0)


if __name__ == "__main__":
    main()
