"""The packing library at arm's length: child processes that send lays as they find them."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from ..errors import SolveError

CHILD = Path(__file__).with_name("packer_child.py")
#: Turns of the library's answers are single precision.
SAME_DEG = 1e-2


@dataclass(frozen=True)
class Item:
    """One shape for the packing library.

    Attributes
    ----------
    shape : list of [x, y]
        Open ring in mm, its middle near (0, 0): the library works in single precision.
    copies : int
    turns : list of float or None
        Allowed turns, degrees; None for any.
    """

    shape: list[list[float]]
    copies: int
    turns: list[float] | None


@dataclass(frozen=True)
class Task:
    """What a child process is to do.

    Attributes
    ----------
    items : tuple of Item
    heights : tuple of float
        Heights of the strip, mm; of the quick answers, those of even and of odd seeds.
    gap : float
        Clearance between parts and to all four sides of the strip, mm; 0 for none.
    seconds : float
        0 for the quick answers only.
    quick_seeds : tuple of int
        One quick answer each.
    search_seed : int
        The search starts from here and counts up when it restarts.
    reports : int
        Search until so many lays, each shorter than the last, have been found, or none is any more, and not by the
        clock; 0 for no such search. The library's search takes the same way each time as long as no clock ends it.
    threads : int
        Threads of the timed search.
    first : int
        Which of the heights the search begins with; restarts take turns.
    """

    items: tuple[Item, ...]
    heights: tuple[float, ...]
    gap: float
    seconds: float
    quick_seeds: tuple[int, ...]
    search_seed: int
    reports: int = 0
    threads: int = 1
    first: int = 0


@dataclass(frozen=True)
class RawLay:
    """A lay as the library gives it.

    Attributes
    ----------
    length : float
        Strip length, mm, with the clearance at both ends.
    places : list of [item, turn, x, y]
        Turn the item about (0, 0), then shift it.
    seed : int
    quick : bool
        True for a constructive answer, which does not depend on the clock.
    sound : bool
        False where pieces still overlap a little: an attempt that the library gave up.
    """

    length: float
    places: list[list[float]]
    seed: int
    quick: bool
    sound: bool = True


class Packers:
    """A set of child processes, one for each task; leaving the ``with`` block ends them all.

    Parameters
    ----------
    tasks : sequence of Task
    """

    def __init__(self, tasks: Sequence[Task]) -> None:
        self._tasks = tuple(tasks)
        self._inbox: queue.Queue[tuple[int, dict[str, Any] | None]] = queue.Queue()
        self._children: list[subprocess.Popen[str]] = []
        self._listeners: list[threading.Thread] = []
        self._errors: list[IO[str]] = []
        self._faults: list[str] = []
        self._left = len(self._tasks)

    def __enter__(self) -> Packers:
        """Start the children."""
        with contextlib.ExitStack() as undo:
            # Whatever keeps one from starting, Ctrl-C too, none is left running.
            undo.callback(self._end)
            for number, task in enumerate(self._tasks):
                self._start(number, task)
            undo.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the children, whatever happened."""
        self._end()

    def lays(self, *, until: Callable[[], float], every: float = 0.05) -> Iterator[RawLay | None]:
        """Yield lays as they come in, and None at least every so often while there are none.

        Parameters
        ----------
        until : callable
            Gives the end by ``time.monotonic()``, s.
        every : float
            s

        Yields
        ------
        RawLay or None

        Raises
        ------
        SolveError
            If every child has failed.
        """
        while self._left and (wait := until() - time.monotonic()) > 0:
            try:
                number, message = self._inbox.get(timeout=min(every, wait))
            except queue.Empty:
                yield None
                continue
            if message is None:
                self._left -= 1
                self._note_end(number)
            elif message["kind"] == "lay":
                yield RawLay(*(message[key] for key in ("length", "places", "seed", "quick", "sound")))
        if len(self._faults) == len(self._tasks):
            raise SolveError(
                f"the packing library failed: {self._faults[0]}",
                do="Look for outlines with needle-thin or nearly touching parts and simplify them",
            )

    def _start(self, number: int, task: Task) -> None:
        errors = tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace")  # noqa: SIM115  closed by _end
        self._errors.append(errors)
        # A fresh interpreter and a session of its own: a forked child hangs in the library, and Ctrl-C is ours to take.
        own_group = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
        child = subprocess.Popen(
            [sys.executable, "-P", str(CHILD)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            encoding="utf-8",
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            start_new_session=True,
            creationflags=own_group,
        )
        self._children.append(child)
        words = json.dumps({**asdict(task), "sent_at": time.time()})
        self._listeners.append(threading.Thread(target=self._listen, args=(number, child, words), daemon=True))
        self._listeners[-1].start()

    def _listen(self, number: int, child: subprocess.Popen[str], task: str) -> None:
        """Hand over the task and collect the answers; None marks the end of them."""
        try:
            if child.stdin is None or child.stdout is None:
                return
            child.stdin.write(task + "\n")
            child.stdin.flush()
            for line in child.stdout:
                self._inbox.put((number, json.loads(line)))
        except (OSError, ValueError):
            # The child died or was ended in the middle of a line; _note_end finds out why.
            return
        finally:
            self._inbox.put((number, None))

    def _note_end(self, number: int) -> None:
        if self._children[number].wait() != 0:
            self._errors[number].seek(0)
            self._faults.append(_last_words(self._errors[number].read()))

    def _end(self) -> None:
        for child in self._children:
            child.kill()
        for listener in self._listeners:
            listener.join()
        for child in self._children:
            child.wait()
            for pipe in (child.stdin, child.stdout):
                if pipe is not None:
                    _shut(pipe)
        for errors in self._errors:
            errors.close()


def _last_words(text: str) -> str:
    """Give the reason from a child's error output: what follows the library's own mark, or the last line."""
    lines = [line.strip() for line in text.splitlines() if line.strip()] or ["it ended without a word"]
    marked = [after for line, after in zip(lines, lines[1:]) if "panicked at" in line]
    return (marked[0] if marked else lines[-1])[:200]


def _shut(pipe: IO[str]) -> None:
    try:
        pipe.close()
    except (OSError, ValueError):
        # Text that a dead child can no longer take: nothing is lost.
        return
