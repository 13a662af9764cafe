"""Writes everything of a plan into a folder, or nothing."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import OutputError
from ..progress import Tell, quiet
from . import tables
from .dxf import AREA_LIMIT, write_cut_files
from .fibres import write_fibres
from .handout import write_handouts
from .lays import write_lays
from .planjson import as_json, plan_to_dict
from .threads import write_threads
from .thrown import write_thrown

if TYPE_CHECKING:
    from ..planned import Check, Plan

#: A folder that holds this file, made by this package, may be replaced.
MARKER = "plan.json"
_STAGE = "writing"
_OTHER = "Choose another folder, or move what is in it."


def write_plan(
    plan: Plan, folder: Path | str, *, pictures: bool = True, progress: Tell | None = None
) -> list[Path]:
    """Write cut files, lists, pictures, the report and the plan itself.

    All of it is first written beside the folder and checked, then put in its place in one step: whatever stops the
    work, the folder holds the whole old plan or the whole new one. Files in the folder that an earlier plan did not
    write stay.

    Parameters
    ----------
    plan : Plan
    folder : path
        Made if it is not there; replaced only if it is empty or holds an earlier plan.
    pictures : bool
        Whether to draw pictures for the report.
    progress : callable, optional
        Called with a stage and the share done.

    Returns
    -------
    list of Path

    Raises
    ------
    OutputError
        If the folder cannot be written, or holds something else.
    CheckError
        If a file does not read back as it was meant.
    """
    target = Path(folder)
    check_folder(target)
    target = target.resolve()
    try:
        with _scratch(target) as new:
            names = _write_all(plan, new, pictures, progress or quiet)
            _keep_others(target, new)
            _swap(new, target)
    except OutputError:
        raise
    except OSError as err:
        raise _refused(target, err) from err
    return [target / name for name in names]


def check_folder(folder: Path | str) -> None:
    """Refuse a folder that cannot or must not be written, before any work is done.

    Parameters
    ----------
    folder : path

    Raises
    ------
    OutputError
        If it is a file, holds something other than an earlier plan, or cannot be written.
    """
    target = Path(folder).resolve()
    try:
        if target.exists() and not target.is_dir():
            raise OutputError("this is a file, not a folder", where=str(folder), do="Choose another name.")
        if target.is_dir() and any(target.iterdir()) and _earlier_files(target) is None:
            raise OutputError("the folder is not empty and holds no earlier plan", where=str(folder), do=_OTHER)
        above = next(p for p in (target, *target.parents) if p.exists())
        if not (above.is_dir() and os.access(above, os.W_OK | os.X_OK)):
            raise OutputError(f"{above} cannot be written", where=str(folder), do="Choose another folder.")
    except OutputError:
        raise
    except OSError as err:
        raise _refused(target, err) from err


def _refused(target: Path, err: OSError) -> OutputError:
    return OutputError(
        f"cannot be written: {err.strerror or err}", where=str(target), do="Choose another folder, or free some room."
    )


def _earlier_files(folder: Path) -> set[str] | None:
    """Names of the files an earlier plan wrote here, or None where there is no earlier plan."""
    try:
        found = json.loads((folder / MARKER).read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return None
    if not isinstance(found, dict) or found.get("made_by") != "plyflat":
        return None
    return {MARKER, *map(str, found.get("files", []))}


@contextlib.contextmanager
def _scratch(target: Path) -> Iterator[Path]:
    """A new folder beside the target, on the same file system; gone afterwards, whatever happens."""
    target.parent.mkdir(parents=True, exist_ok=True)
    new = Path(tempfile.mkdtemp(prefix=f".{target.name}.new-", dir=target.parent))
    try:
        new.chmod(target.stat().st_mode & 0o7777 if target.exists() else 0o777 & ~_umask())
        yield new
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _write_all(plan: Plan, folder: Path, pictures: bool, tell: Tell) -> list[str]:
    from ..planned import Check
    from ..report.page import report_html
    from ..report.pdf import write_report_pdf
    from ..report.pictures import draw_pictures
    from ..report.sheet_pdf import write_sheets_pdf
    from ..report.sheets import sheets_html
    from ..report.turn import turnables

    tell(_STAGE, 0.0)
    files, off = write_cut_files(plan, folder)
    files += write_fibres(plan, folder)
    files += write_threads(plan, folder)
    files += write_lays(plan, folder)
    files += write_handouts(plan, folder)
    files += write_thrown(plan, folder)
    check = Check("DXF files read back by two readers: largest difference of a piece's area", off, AREA_LIMIT)
    texts = {
        "cut_list.csv": tables.cut_list(plan),
        "rolls.csv": tables.roll_list(plan),
        "quantities.csv": tables.quantity_list(plan),
        "bag_layers.csv": tables.layer_list(plan),
        # The scratch folder stands beside the final one, so paths seen from it hold there too.
        "job_resolved.toml": plan.job.resolved_toml(folder=folder),
    }
    tell(_STAGE, 0.7)
    drawn = draw_pictures(plan, progress=tell) if pictures else ()
    if drawn:
        (folder / "pictures").mkdir()
    for picture in drawn:
        files.append(folder / "pictures" / f"{picture.name}.png")
        files[-1].write_bytes(picture.png)
    turns = turnables(plan, progress=tell) if pictures and plan.job.files.turnable else ()
    texts["report.html"] = report_html(plan, drawn, checks=(check,), turns=turns)
    # Paper can be neither turned nor unfolded.
    printed = report_html(plan, drawn, checks=(check,), paper=True)
    files.append(folder / "report.pdf")
    write_report_pdf(printed, files[-1], sheet=plan.job.files.sheets)
    if plan.hull_marks:
        texts["hull_marks.csv"] = tables.mark_list(plan)
    if plan.day is not None:
        texts["job_sheets.html"] = sheets_html(plan)
        files.append(folder / "job_sheets.pdf")
        write_sheets_pdf(plan, files[-1], sheet=plan.job.files.sheets)
    files += [_write_text(folder / name, text) for name, text in texts.items()]
    names = [f.relative_to(folder).as_posix() for f in files]
    _write_marker(plan, folder, names, check)
    tell(_STAGE, 1.0)
    return [*names, MARKER]


def _write_text(path: Path, text: str) -> Path:
    # Bytes, so that the line ends of a CSV file stay what they are on every system.
    path.write_bytes(text.encode("utf-8"))
    return path


def _write_marker(plan: Plan, folder: Path, names: list[str], check: Check) -> None:
    found = plan_to_dict(plan, files=[*names, MARKER])
    found["checks"].append({"what": check.what, "measured": check.measured, "limit": check.limit, "unit": check.unit})
    _write_text(folder / MARKER, as_json(found))


def _keep_others(target: Path, new: Path) -> None:
    """Carry over what an earlier plan did not write; refuse where a new file has its name."""
    ours = _earlier_files(target) if target.is_dir() else None
    if ours is None:
        return
    for path in sorted(target.rglob("*")):
        name = path.relative_to(target).as_posix()
        if name in ours or (path.is_dir() and not path.is_symlink()):
            continue
        if os.path.lexists(new / name):
            raise OutputError("the plan would write over a file it did not make", where=str(path), do=_OTHER)
        (new / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, new / name, follow_symlinks=False)


def _swap(new: Path, target: Path) -> None:
    """Put the new folder in the target's place; the old one goes only when the new one stands."""
    if not target.exists():
        new.rename(target)
        return
    check_folder(target)
    old = new.with_name(new.name.replace(".new-", ".old-"))
    target.rename(old)
    with contextlib.ExitStack() as undo:
        # Whatever keeps the new one from its place, Ctrl-C too, the old one goes back.
        undo.callback(old.rename, target)
        new.rename(target)
        undo.pop_all()
    shutil.rmtree(old, ignore_errors=True)
