"""What happens on disk beside an open page: one page alone for a job file, and files that are changed under it."""

from __future__ import annotations

import contextlib
import glob
import os
import shutil
import sys
from collections.abc import Iterable
from pathlib import Path

from ..errors import OutputError

#: When a file was written, ns, and its bytes; None where it is not there.
Stamp = tuple[int, int] | None


def stamps(paths: Iterable[Path | str]) -> dict[str, Stamp]:
    """Return how files stand on disk, so that a later look tells which were changed.

    Parameters
    ----------
    paths : iterable of path
    """
    return {str(path): _stamp(path) for path in paths}


def _stamp(path: Path | str) -> Stamp:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def changes(before: dict[str, Stamp]) -> str:
    """Return in words what became of files since; empty where they are as they were.

    Parameters
    ----------
    before : dict of str to Stamp
        As of `stamps`.
    """
    said = [
        f"{Path(path).name} {'is gone' if now is None else 'was changed'} since it was read"
        for path, now in stamps(before).items()
        if now != before[path]
    ]
    return "; ".join(said)


def sweep(target: Path) -> None:
    """Take away what a plan that was stopped while it was written left beside its folder.

    Parameters
    ----------
    target : Path
        The plan's folder. Where it had been moved aside for the new one it is put back.
    """
    with contextlib.suppress(OSError):
        for old in target.parent.glob(f".{glob.escape(target.name)}.old-*"):
            if target.exists():
                shutil.rmtree(old, ignore_errors=True)
            else:
                old.rename(target)
        for new in target.parent.glob(f".{glob.escape(target.name)}.new-*"):
            shutil.rmtree(new, ignore_errors=True)


class Hold:
    """A job file held by one page: two that keep their drafts beside one file would write over each other.

    The system lets go of it by itself when the page's program ends, however it ends.

    Parameters
    ----------
    path : Path
        The job file.

    Raises
    ------
    OutputError
        If another page has the job open.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self._file = path.with_name(f".{path.name}.open").absolute()
        self._held = -1
        try:
            while self._held < 0:
                self._held = _take(self._file)
        except BlockingIOError:
            raise OutputError(
                f"another page has this job open{_who(self._file)}", where=str(path), do="Go on there, or close it and open the job again."
            ) from None
        except OSError:
            # A folder that cannot be written to, or a disk that knows no locks: nobody can be kept out there.
            self._held = -1

    def let_go(self) -> None:
        """Let others open the job."""
        if self._held >= 0:
            with contextlib.suppress(OSError):
                self._file.unlink()
            os.close(self._held)
            self._held = -1


def _take(file: Path) -> int:
    """Open and lock a file; -1 where it was taken away between both, so that it must be done again."""
    handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        _lock(handle)
        if os.fstat(handle).st_nlink == 0:
            os.close(handle)
            return -1
        os.ftruncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())
    except OSError:
        os.close(handle)
        raise
    return handle


if sys.platform == "win32":

    def _lock(handle: int) -> None:
        import msvcrt

        # Far behind what is written there, so that others can read it.
        os.lseek(handle, 1 << 20, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError(*error.args) from None
        finally:
            os.lseek(handle, 0, os.SEEK_SET)

else:

    def _lock(handle: int) -> None:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _who(file: Path) -> str:
    try:
        return f" (process {int(file.read_text())})"
    except (OSError, ValueError):
        return ""
