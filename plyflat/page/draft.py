"""A job file while it is worked on: every change can be taken back, nothing is lost, comments stay.

The text of the job file is the one thing that is kept; all that a page can do is a change of that text.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ..errors import JobError, OutputError
from ..job.model import Job
from ..job.reader import job_from_text
from ..surface.mesh import Floats

#: Keys of a region that say where it is; one of them stands alone.
WAYS = ("outline", "tape", "face", "corner", "drawn", "spot", "mirror_of")
#: Keys that go with an outline alone.
_WITH_OUTLINE = ("seen_from", "seed")
#: Steps that can be taken back.
KEPT = 200


class Draft:
    """The text of a job file, with the steps that led to it, kept on disk beside the file.

    Parameters
    ----------
    path : Path
        The job file; need not be there yet.
    text : str
        What it holds.

    Attributes
    ----------
    path : Path
    text : str
    recovered : bool
        Whether it was found on disk from work that was not saved.
    marks : dict or None
        What is being marked on the hull and is no part of the job yet; kept on disk too.
    unkept : str
        Why what is done is not kept on disk at present; empty where it is.
    set_aside : str
        Where work was put that was found beside the file, but was begun on another state of it; empty where there was none.
    """

    def __init__(self, path: Path, text: str) -> None:
        self.path = path.absolute()
        self.text = text
        self.recovered = False
        self.marks: dict[str, Any] | None = None
        self.unkept = ""
        self.set_aside = ""
        self._other = ""
        self._saved = text
        self._past: list[tuple[str, str]] = []
        self._future: list[tuple[str, str]] = []

    @classmethod
    def open(cls, path: Path) -> Draft:
        """Open a job file; work on it that was never saved is taken up again.

        Parameters
        ----------
        path : Path

        Raises
        ------
        JobError
            If the file cannot be read.
        """
        text = _read(path)
        draft = cls(path, text)
        draft._take_up()
        return draft

    # -- on disk --------------------------------------------------------------------------------------------------------
    @property
    def kept_at(self) -> Path:
        """The file beside the job file that holds what is not saved yet."""
        return self.path.with_name(f".{self.path.name}.draft")

    def _take_up(self) -> None:
        try:
            kept = json.loads(self.kept_at.read_text(encoding="utf-8"))
            text, of = str(kept["text"]), str(kept["of"])
            past, future = _steps(kept["past"]), _steps(kept.get("future", []))
            marks = kept.get("marks")
        except (OSError, ValueError, KeyError, TypeError):
            return
        if of != _mark(self.text):
            # A job file that was changed elsewhere since is not written over in silence, and neither is the work lost.
            self._other = text if text != self.text else ""
            return
        self.marks = marks if isinstance(marks, dict) else None
        self.recovered = text != self.text
        self.text, self._past, self._future = text, past, future

    def put_aside(self) -> None:
        """Keep work that was found beside the file, but was begun on another state of it, under another name.

        `set_aside` then says where. Nothing of it is lost where that fails: then no other work is kept there.
        """
        if not self._other:
            return
        aside = free_name(self.path.with_stem(f"{self.path.stem}_unsaved"))
        try:
            _replace(aside, self._other)
            self.kept_at.unlink(missing_ok=True)
        except (OSError, OutputError):
            self.unkept = f"{self.kept_at}: holds earlier work, and it cannot be put under another name"
            return
        self._other, self.set_aside = "", str(aside)

    def keep_marks(self, marks: dict[str, Any] | None) -> None:
        """Keep what is being marked, so that a reload or a crash does not lose it; None when it is done or left.

        Parameters
        ----------
        marks : dict of plain data, or None
        """
        if marks == self.marks:
            return
        self.marks = marks
        self._keep()

    def _keep(self) -> None:
        """Bring what is kept beside the job file up to date; work goes on where that fails, and says so."""
        self.put_aside()
        if self._other:
            return
        kept = {"of": _mark(self._saved), "text": self.text, "past": self._past[-KEPT:], "future": self._future, "marks": self.marks}
        try:
            if self.unsaved or self._future or self.marks is not None:
                _replace(self.kept_at, json.dumps(kept))
            else:
                self.kept_at.unlink(missing_ok=True)
        except (OSError, OutputError) as error:
            self.unkept = str(error)
        else:
            self.unkept = ""

    @property
    def unsaved(self) -> bool:
        """Whether it differs from the file."""
        return self.text != self._saved

    def save(self, path: Path | None = None) -> Path:
        """Write the job file; what was kept beside it goes.

        Parameters
        ----------
        path : Path, optional
            Another name to save under.

        Raises
        ------
        OutputError
            If the file cannot be written, or was changed by someone else meanwhile.
        """
        target = (path or self.path).absolute()
        if target == self.path:
            if target.exists() and _read(target) not in (self._saved, self.text):
                raise OutputError(
                    "the file was changed elsewhere since it was opened", where=str(target), do="Save under another name, or take the file in first."
                )
        elif target.exists():
            raise OutputError("a file of this name is there already", where=str(target), do="Choose another name.")
        _replace(target, self.text)
        self._leave(target)
        self._saved, self.recovered = self.text, False
        self._keep()
        return target

    def _leave(self, target: Path) -> None:
        """Go on under another name; what was kept beside the old one is in the new file now."""
        if target != self.path and not self._other:
            with contextlib.suppress(OSError):
                self.kept_at.unlink(missing_ok=True)
        if target != self.path:
            self._other = ""
        self.path = target

    def changed_elsewhere(self) -> bool:
        """Return whether the job file holds neither what was opened nor what is shown; a file that is gone is no change."""
        try:
            return _read(self.path) not in (self._saved, self.text)
        except JobError:
            return False

    def take_file(self) -> None:
        """Make the step to what the job file holds now, as it was changed elsewhere.

        Raises
        ------
        JobError
            If the file cannot be read.
        """
        text = _read(self.path)
        self._saved = text
        self.put("the file as it was changed elsewhere", text)

    def back_to_file(self) -> None:
        """Make the step back to what the job file held when it was opened or saved; it can be taken back as any other."""
        self.put("back to the file", self._saved)
        self.recovered = False

    # -- steps ----------------------------------------------------------------------------------------------------------
    def change(self, what: str, edit: Callable[[tomlkit.TOMLDocument], None]) -> None:
        """Make one step.

        Parameters
        ----------
        what : str
            What it does, in plain words, for the list of steps.
        edit : callable
            Changes the document it is given.

        Raises
        ------
        JobError
            If the text is no TOML.
        """
        document = self.document()
        edit(document)
        self.put(what, tomlkit.dumps(document))

    def put(self, what: str, text: str) -> None:
        """Make the step to another text, as from an editor; the same text is no step.

        Parameters
        ----------
        what, text : str
        """
        if text == self.text:
            return
        self._past = [*self._past, (what, self.text)][-KEPT:]
        self._future.clear()
        self.text = text
        self._keep()

    def undo(self) -> str | None:
        """Take the last step back; return what it was, None where there is none."""
        return self._step(self._past, self._future)

    def redo(self) -> str | None:
        """Make the last step again that was taken back."""
        return self._step(self._future, self._past)

    def _step(self, here: list[tuple[str, str]], there: list[tuple[str, str]]) -> str | None:
        if not here:
            return None
        what, text = here.pop()
        there.append((what, self.text))
        self.text = text
        self._keep()
        return what

    @property
    def steps(self) -> tuple[str, ...]:
        """What was done, the last step last."""
        return tuple(what for what, _ in self._past)

    @property
    def undone(self) -> tuple[str, ...]:
        """What can be done again, the next step last."""
        return tuple(what for what, _ in self._future)

    # -- what it says ---------------------------------------------------------------------------------------------------
    def document(self) -> tomlkit.TOMLDocument:
        """Return the text as a document that keeps comments.

        Raises
        ------
        JobError
            If the text is no TOML.
        """
        try:
            return tomlkit.parse(self.text)
        except TOMLKitError as error:
            raise JobError([f"not valid TOML: {error}"], where=str(self.path), do="Mend the line") from None

    def job(self) -> Job:
        """Return the job.

        Raises
        ------
        JobError
            With every fault.
        """
        return job_from_text(self.text, folder=self.path.parent)

    def sound_job(self) -> Job:
        """Return the job as it stands, or as it was the last time that it had no faults.

        Raises
        ------
        JobError
            With every fault of what stands, where there was no such time.
        """
        for text in (self.text, *(was for _, was in reversed(self._past)), self._saved):
            try:
                return job_from_text(text, folder=self.path.parent)
            except JobError:
                continue
        return self.job()


def _read(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise JobError([f"cannot be read ({error})"], where=str(path), do="Check the path") from None


def _steps(kept: Any) -> list[tuple[str, str]]:
    return [(str(what), str(text)) for what, text in kept]


def free_name(path: Path) -> Path:
    """Return a path, or the same with a number where a file of that name is there.

    Parameters
    ----------
    path : Path
    """
    found, number = path, 2
    while found.exists():
        found, number = path.with_stem(f"{path.stem}_{number}"), number + 1
    return found


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _replace(path: Path, text: str) -> None:
    """Write beside, make sure it is on the disk, then put it in place: whatever happens, one of both is whole."""
    new = path.with_name(f".{path.name}.new")
    try:
        with new.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(new, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)
        raise OutputError(f"cannot be written: {error.strerror}", where=str(path), do="Make room, or choose another folder.") from error


# -- changes -------------------------------------------------------------------------------------------------------------
def region_table(document: tomlkit.TOMLDocument, name: str) -> Any:
    """Return the table of a region.

    Parameters
    ----------
    document : tomlkit document
    name : str

    Raises
    ------
    JobError
        If there is none.
    """
    for region in document.get("region", []):
        if region.get("name") == name:
            return region
    raise JobError([f"there is no region {name!r}"], do="Choose one that is there")


def put_way(document: tomlkit.TOMLDocument, region: str, way: str, value: Any) -> None:
    """Say where a region is; whatever said it before goes.

    Parameters
    ----------
    document : tomlkit document
    region : str
    way : str
        One of `WAYS`.
    value : plain data, as the job file has it
    """
    table = region_table(document, region)
    for other in WAYS:
        if other != way:
            table.pop(other, None)
    if way != "outline":
        for other in _WITH_OUTLINE:
            table.pop(other, None)
    if way != "corner":
        if table.get("warp") == "corner":
            table["warp"] = "forward"
        for ply in table.get("ply", []):
            ply.pop("laps", None)
    table[way] = _inline(value)


def put_region_key(document: tomlkit.TOMLDocument, region: str, key: str, value: Any) -> None:
    """Say one more thing of a region. None takes it out.

    Parameters
    ----------
    document : tomlkit document
    region, key : str
    value : plain data or None
    """
    put_value(region_table(document, region), [key], value)


def add_member(document: tomlkit.TOMLDocument, region: str, key: str, value: dict[str, Any]) -> None:
    """Add an area to those that a region takes out or takes in.

    Parameters
    ----------
    document : tomlkit document
    region : str
    key : {"minus", "plus"}
    value : plain data
    """
    table = region_table(document, region)
    members = table.get(key)
    if members is None:
        table[key] = tomlkit.array().multiline(True)
        members = table[key]
    if isinstance(members, tomlkit.items.Array):
        members.append(_flat(value))
        return
    member = tomlkit.table()
    for inner, said in value.items():
        member[inner] = _flat(said)
    member.add(tomlkit.nl())
    members.append(member)


def remove_member(document: tomlkit.TOMLDocument, region: str, key: str, number: int) -> None:
    """Take one of those areas off the list.

    Parameters
    ----------
    document : tomlkit document
    region : str
    key : {"minus", "plus"}
    number : int
        From 0.
    """
    table = region_table(document, region)
    del table[key][number]
    if not len(table[key]):
        del table[key]


def put_member_outline(document: tomlkit.TOMLDocument, region: str, key: str, number: int, points_mm: Floats) -> None:
    """Put other points into the outline of one of those areas; what else is said of it stays.

    Parameters
    ----------
    document : tomlkit document
    region : str
    key : {"minus", "plus"}
    number : int
        From 0.
    points_mm : (k, 3) float array
    """
    outline = region_table(document, region)[key][number]["outline"]
    for inner, said in outline_value(points_mm).items():
        outline[inner] = _flat(said) if isinstance(outline, tomlkit.items.InlineTable) else _inline(said)


def outline_value(points_mm: Floats | Sequence[Sequence[float]]) -> dict[str, Any]:
    """Return points on the hull as a job file has an outline, to a tenth of a mm.

    Parameters
    ----------
    points_mm : (k, 3) array
    """
    return {"unit": "mm", "points": [[round(float(x), 1) for x in p] for p in points_mm]}


def point_text(point_mm: Floats | Sequence[float]) -> str:
    """Return a point as a job file has it.

    >>> point_text([1.04, -2.0, 3.5])
    '1.0 -2 3.5 mm'
    """
    return " ".join(f"{float(x):.1f}".removesuffix(".0") if float(x) == round(float(x)) else f"{float(x):.1f}" for x in point_mm) + " mm"


def put_value(document: Any, path: Sequence[str | int], value: Any) -> None:
    """Put a value at a place; tables on the way are made where they are missing. None takes the key out.

    Parameters
    ----------
    document : tomlkit document or table
    path : sequence of str or int
        Keys, and numbers of members of lists of tables.
    value : plain data or None
    """
    table: Any = document
    for step in path[:-1]:
        if isinstance(step, str) and step not in table:
            table[step] = tomlkit.table()
        table = table[step]
    if value is None:
        table.pop(path[-1], None)
    else:
        table[path[-1]] = _inline(value)


def add_region(document: tomlkit.TOMLDocument, name: str, *, mesh: str, cloth: str) -> None:
    """Add a region of one ply at the end; where it is is put in afterwards.

    Parameters
    ----------
    document : tomlkit document
    name, mesh, cloth : str
    """
    region = tomlkit.table()
    region.update({"name": name, "mesh": mesh, "warp": "forward"})
    ply = tomlkit.table()
    ply.update({"cloth": cloth, "angle": "0 deg"})
    ply.add(tomlkit.nl())
    plies = tomlkit.aot()
    plies.append(ply)
    region["ply"] = plies
    if "region" not in document:
        document["region"] = tomlkit.aot()
    document["region"].append(region)


def remove_region(document: tomlkit.TOMLDocument, name: str) -> None:
    """Take a region out.

    Parameters
    ----------
    document : tomlkit document
    name : str
    """
    regions: Any = document["region"]
    regions.remove(region_table(document, name))


def add_ply(document: tomlkit.TOMLDocument, region: str, *, cloth: str, angle: str) -> None:
    """Lay one more ply on a region.

    Parameters
    ----------
    document : tomlkit document
    region, cloth : str
    angle : str
        With its unit.
    """
    ply = tomlkit.table()
    ply.update({"cloth": cloth, "angle": angle})
    ply.add(tomlkit.nl())
    table = region_table(document, region)
    if "ply" not in table:
        table["ply"] = tomlkit.aot()
    table["ply"].append(ply)


def remove_ply(document: tomlkit.TOMLDocument, region: str, number: int) -> None:
    """Take a ply off.

    Parameters
    ----------
    document : tomlkit document
    region : str
    number : int
        From 0, the first ply laid.
    """
    del region_table(document, region)["ply"][number]


def _inline(value: Any) -> Any:
    """Plain data as it is best read in a job file: small tables on one line, rows of points on a line each."""
    if isinstance(value, dict):
        table = tomlkit.table() if any(_rows(v) for v in value.values()) else tomlkit.inline_table()
        for key, inner in value.items():
            table[key] = _inline(inner)
        return table
    if _rows(value):
        rows = tomlkit.array()
        for row in value:
            rows.append(row)
        return rows.multiline(True)
    return value


def _flat(value: Any) -> Any:
    """Plain data on one line, as it stands inside a list."""
    if not isinstance(value, dict):
        return value
    table = tomlkit.inline_table()
    for key, inner in value.items():
        table[key] = _flat(inner)
    return table


def _rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], list)
