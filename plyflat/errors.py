"""What can go wrong, cut by what the caller can do next.

Every error is a `PlyflatError` and also a built-in, so that code which knows nothing of this package can
still catch it by kind. Each says what is wrong with the number, where, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence


class PlyflatError(Exception):
    """Anything this package refuses to do.

    Parameters
    ----------
    what : str
        The fault with its number and unit, as one sentence without a full stop.
    where : str, optional
        The place: a file, a key of the job file, or a point in mm.
    do : str, optional
        What the caller can do next.
    """

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        self.what, self.where, self.do = what, where, do
        text = f"{where}: {what}" if where else what
        super().__init__(f"{text}. {do}" if do else text)

    def __reduce__(self) -> tuple:
        """Survive the trip from a worker process with all three parts."""
        return _rebuild, (type(self), self.what, self.where, self.do)


def _rebuild(kind: type[PlyflatError], what: str, where: str, do: str) -> PlyflatError:
    return kind(what, where=where, do=do)


class MeshError(PlyflatError, ValueError):
    """The mesh cannot be used: mend the file, or ask for another repair."""


class UnknownUnit(MeshError):
    """The mesh's unit of length is not known: state it."""


class ScaleError(MeshError):
    """A known distance on the mesh does not come out: the unit or the scan's scale is wrong."""


class OutlineError(PlyflatError, ValueError):
    """A region's outline cannot be laid on the surface: move its points."""


class ShapeError(PlyflatError, ValueError):
    """A patch has the wrong topology for what is asked of it: cut it first."""


class JobError(PlyflatError, ValueError):
    """The job file is at fault; all its faults are listed at once.

    Parameters
    ----------
    faults : sequence of str
        One line each, naming the key.
    where : str
        The job file.
    """

    def __init__(self, faults: Sequence[str], *, where: str = "", do: str = "") -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(self.faults), where=where, do=do)

    def __reduce__(self) -> tuple:
        """Survive the trip from a worker process."""
        return _rebuild_job, (self.faults, self.where, self.do)


def _rebuild_job(faults: tuple[str, ...], where: str, do: str) -> JobError:
    return JobError(faults, where=where, do=do)


class QuantityError(PlyflatError, ValueError):
    """A quantity lacks its unit, has the wrong one, or cannot be: write it as the text says."""


class FitError(PlyflatError, ValueError):
    """A piece fits on no roll: splice it, turn it or buy wider cloth."""


class SolveError(PlyflatError, RuntimeError):
    """A solver gave up: the input is harder than it can do."""


class CheckError(PlyflatError, RuntimeError):
    """A result failed its own check and was not let out of the house."""


class OutputError(PlyflatError, OSError):
    """The result cannot be written: choose another folder."""


class StoppedError(PlyflatError, RuntimeError):
    """The user stopped the work before there was anything worth keeping."""
