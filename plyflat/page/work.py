"""Long work in a process of its own, so that the page stays alive and the work can be stopped at any moment."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from ..errors import PlyflatError

#: What a process does: called with a way to tell how far it is, and its own arguments; the answer must pickle.
Work = Callable[..., Any]
#: What a process that stands by does: called with what it keeps and what is asked; each thing it yields is told at once.
Answers = Callable[..., Iterator[Any]]
#: A question that has been at work for longer than this is not waited for when the next one comes, s.
PATIENCE_S = 1.5
#: By how much a process that works behind the others is nicer to them (POSIX).
BEHIND = 5
#: What sums over meshes, and answers that do not pickle, raise where the program itself is at fault. Anything else ends the
#: process, which prints it and is told as an end without an answer.
INNER = (ArithmeticError, AttributeError, LookupError, MemoryError, RuntimeError, TypeError, ValueError)
_NO_ANSWER = "ended without an answer; it may have run out of memory, or the window the page was started from says why"


@dataclass(frozen=True)
class Told:
    """One message of a piece of work.

    Attributes
    ----------
    kind : {"progress", "part", "done", "fault"}
    content : object
        (stage, share done), a first answer, the answer, or the fault in words for the builder.
    """

    kind: str
    content: Any


def inner_fault(error: Exception) -> str:
    """Print where the program itself is at fault, and return that in words: nothing may be lost in silence.

    Parameters
    ----------
    error : Exception
    """
    traceback.print_exception(error, file=sys.stderr)
    return f"internal fault ({type(error).__name__}); see the window the page was started from"


def _run(pipe: Connection, work: Work, args: tuple[Any, ...]) -> None:
    def tell(stage: str, done: float) -> None:
        pipe.send(Told("progress", (stage, float(done))))

    try:
        pipe.send(Told("done", work(*args, progress=tell)))
    except PlyflatError as error:
        pipe.send(Told("fault", str(error)))
    except OSError as error:
        pipe.send(Told("fault", f"a file cannot be read or written: {error}"))
    except INNER as error:
        pipe.send(Told("fault", inner_fault(error)))
    finally:
        pipe.close()


class Task:
    """A piece of work in a process of its own.

    Parameters
    ----------
    work : callable
        At the top level of a module, so that a new process finds it; called with ``*args`` and ``progress``.
    args
        Must pickle.
    """

    def __init__(self, work: Work, *args: Any) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, end = context.Pipe(duplex=False)
        # A daemon goes with its parent.
        self._process = context.Process(target=_run, args=(end, work, args), daemon=True)
        with _deaf():
            self._process.start()
        end.close()
        self._over = False

    def news(self) -> list[Told]:
        """Return what was told since the last call; the last message of all is "done" or "fault"."""
        told: list[Told] = []
        while not self._over:
            try:
                if not self._pipe.poll():
                    break
                message = self._pipe.recv()
            except (EOFError, OSError):
                message = Told("fault", f"the work {_NO_ANSWER}")
            told.append(message)
            if message.kind != "progress":
                self._finish()
        return told

    @property
    def over(self) -> bool:
        """Whether it is finished or was stopped."""
        return self._over

    def stop(self) -> None:
        """Stop it at once; nothing more is told."""
        if not self._over:
            self._finish()

    def _finish(self) -> None:
        self._over = True
        self._pipe.close()
        _ended(self._process)


def _stand_by(pipe: Connection, work: Answers, behind: bool) -> None:
    if behind and hasattr(os, "nice"):
        os.nice(BEHIND)
    try:
        kept = pipe.recv()
    except EOFError:
        return
    while True:
        try:
            number, args = pipe.recv()
        except EOFError:
            return
        try:
            for found in work(kept, *args):
                pipe.send((number, Told("part", found)))
            pipe.send((number, Told("done", None)))
        except PlyflatError as error:
            pipe.send((number, Told("fault", str(error))))
        except INNER as error:
            # The next question may go well.
            pipe.send((number, Told("fault", inner_fault(error))))


class Standby:
    """A process that is kept, with all it needs loaded, and answers questions; only the newest one counts.

    A process takes seconds to start and to be handed a mesh, which is too long between a click and what it shows.
    A question that comes while an older one is being answered waits for its end where that is near, and else the
    process is stopped and another one started.

    Parameters
    ----------
    work : callable
        At the top level of a module; called with ``kept`` and what is asked, yields what it finds, the roughest first.
    kept : object
        Must pickle; handed over once.
    behind : bool
        Whether it lets everything else go first where the processor is short.
    """

    def __init__(self, work: Answers, kept: Any, *, behind: bool = False) -> None:
        self._work, self._kept, self._behind = work, kept, behind
        self._number = 0
        self._at_work = 0
        self._since = 0.0
        self._lost = 0
        self._waiting: tuple[Any, ...] | None = None
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, end = context.Pipe()
        self._process = context.Process(target=_stand_by, args=(end, self._work, self._behind), daemon=True)
        with _deaf():
            self._process.start()
        end.close()
        self._at_work = 0
        # A mesh takes as long to hand over as the new process takes to be ready for it: seconds, in which no page would answer.
        # It is not among the arguments: start() would wait for ever where the process dies before it has read them.
        self._handing = threading.Thread(target=_hand_over, args=(self._pipe, self._kept), daemon=True)
        self._handing.start()

    def ask(self, *args: Any) -> None:
        """Ask; whatever was asked before is of no interest any more.

        Parameters
        ----------
        args
            Must pickle.
        """
        self._number += 1
        self._waiting = args
        if self._at_work and time.monotonic() - self._since > PATIENCE_S:
            self._end()
            self._start()
        self._send()

    def _send(self) -> None:
        if self._waiting is None or self._at_work or self._handing.is_alive():
            return
        try:
            self._pipe.send((self._number, self._waiting))
        except OSError:
            # It died while nothing was asked; the question waits for the next one.
            self._lost += 1
            self._end()
            self._start()
            return
        self._waiting, self._at_work, self._since = None, self._number, time.monotonic()

    def drop(self) -> None:
        """Ask nothing; what is still being answered is not told."""
        self._number += 1
        self._waiting = None

    def give_up(self) -> None:
        """Stop what is being answered at once."""
        self.drop()
        if self._at_work:
            self._end()
            self._start()

    @property
    def busy(self) -> bool:
        """Whether the newest question has no full answer yet."""
        return self._waiting is not None or (self._at_work > 0 and self._at_work == self._number)

    def news(self) -> list[Told]:
        """Return what was told of the newest question since the last call: parts, then "done" or "fault"."""
        told: list[Told] = []
        try:
            while self._at_work and self._pipe.poll():
                number, message = self._pipe.recv()
                self._lost = 0
                if message.kind != "part":
                    self._at_work = 0
                if number == self._number:
                    told.append(message)
        except (EOFError, OSError):
            mine = self._at_work == self._number
            self._end()
            self._start()
            if mine:
                told.append(Told("fault", f"the look {_NO_ANSWER}"))
        if self._waiting is not None and self._at_work and time.monotonic() - self._since > PATIENCE_S:
            # The older question had only just begun when the next one came, and takes long after all.
            self._end()
            self._start()
        self._send()
        if self._lost > 1 and self._waiting is not None:
            # Processes that die as soon as they are started are not started for ever.
            self._lost, self._waiting = 0, None
            told.append(Told("fault", f"the look {_NO_ANSWER}"))
        return told

    def stop(self) -> None:
        """End the process."""
        self.drop()
        self._end()

    def _end(self) -> None:
        self._at_work = 0
        _ended(self._process)
        self._handing.join()
        self._pipe.close()


@contextlib.contextmanager
def _deaf() -> Iterator[None]:
    """Let a process that is started here pass over Ctrl-C: a terminal sends it to all, and the page ends its own itself."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.SIG_DFL if before is None else before)


def _hand_over(pipe: Connection, kept: Any) -> None:
    """Send what is kept; where the process is gone the next question finds that out."""
    with contextlib.suppress(OSError):
        pipe.send(kept)


def _ended(process: BaseProcess) -> None:
    """End a process, by force if need be."""
    process.terminate()
    process.join(timeout=5.0)
    if process.is_alive():
        process.kill()
        process.join()
