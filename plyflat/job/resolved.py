"""The job written out in full: every value with its unit, and a remark on each that the builder did not state."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from . import forms
from .day import PER_M2
from .lines import BARE_KEY
from .model import Consumable, Job
from .table import OURS, Table, forms_of

_HEAD = """\
# The job as it was worked out, every value explicit. A value with the remark "not stated" was left out of the job file;
# the remark says where it comes from. Common practice and values from memory are for you to confirm.
"""


@dataclass(frozen=True)
class Assumed:
    """A value that the job file does not state.

    Attributes
    ----------
    key : str
        Where it would stand in the file ("laps.join").
    value : str
        As it would be written there.
    mark : str
        Where it comes from: "common practice", "from memory" and so on.
    """

    key: str
    value: str
    mark: str


@dataclass(frozen=True)
class _Line:
    """A key with its value in written form; the mark is empty where the job states the value."""

    key: str
    value: Any
    mark: str


def assumed(job: Job) -> tuple[Assumed, ...]:
    """Return every value that a job does not state, with the source of what is used instead.

    Parameters
    ----------
    job : Job
    """
    return tuple(_assumed(job, job, ""))


def _assumed(job: Job, table: Table, path: str) -> Iterator[Assumed]:
    for line in _lines(job, table, Path(), path):
        if line.mark:
            plain = line.value if isinstance(line.value, str) else _toml(line.value)
            yield Assumed(f"{path}{line.key}", plain, line.mark)
    for key, number, inner in _inner(table):
        member = f"[{number}]" if number else ""
        yield from _assumed(job, inner, f"{path}{key}{member}.")


def resolved_toml(job: Job, *, folder: Path | None = None) -> str:
    """Return a job with every value explicit; reading it back gives an equal job.

    Parameters
    ----------
    job : Job
    folder : Path, optional
        Where the text will lie; the job file's own folder if left out.
    """
    return "\n".join([_HEAD, *_table_text(job, job, "", Path(folder or job.folder).absolute())]) + "\n"


def _table_text(job: Job, table: Table, path: str, folder: Path) -> Iterator[str]:
    for line in _lines(job, table, folder, path):
        remark = f"  # not stated: {line.mark}" if line.mark else ""
        yield f"{line.key} = {_toml(line.value)}{remark}"
    for key, number, inner in _inner(table):
        yield ""
        yield f"[[{path}{key}]]" if number else f"[{path}{key}]"
        yield from _table_text(job, inner, f"{path}{key}.", folder)


def _lines(job: Job, table: Table, folder: Path, path: str) -> Iterator[_Line]:
    """Yield the plain values of a table in written form."""
    own = job.own_marks
    for name, field in type(table).model_fields.items():
        form, mark = forms_of(field)
        value = getattr(table, name)
        if _is_tables(value) or (value is None and not _free(table, name)) or (value == () and form is None):
            continue
        stated = name in table.model_fields_set
        if not stated and len(get_args(field.annotation)) == 1:
            continue  # there is but one thing to say
        key = field.alias or name
        yield _Line(key, _written(job, form, value, folder), "" if stated else own.get(path + key, (mark or OURS).text))


def _free(table: Table, name: str) -> bool:
    """Whether None means any turn, rather than nothing."""
    return name == "turns_deg" and not (isinstance(table, Consumable) and table.is_tape)


def _is_tables(value: object) -> bool:
    if isinstance(value, tuple):
        return bool(value) and isinstance(value[0], Table)
    return isinstance(value, Table | dict)


def _written(job: Job, form: forms.Form | None, value: Any, folder: Path) -> Any:
    if form is forms.FILE:
        return _seen_from(value, folder)
    for price, unit in ((forms.PER_M, "m"), (forms.PER_KG, "kg"), (PER_M2, "m^2")):
        if form is price:
            return f"{price.write(value)} {job.currency}/{unit}"
    return form.write(value) if form else value


def _seen_from(file: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(file, folder)).as_posix()
    except ValueError:  # on another drive
        return file.as_posix()


def _inner(table: Table) -> Iterator[tuple[str, int, Table]]:
    """Yield (key, number, table) of the tables within a table; the number counts members of lists, 0 for no list."""
    for name, field in type(table).model_fields.items():
        key, value = field.alias or name, getattr(table, name)
        if isinstance(value, Table):
            yield key, 0, value
        elif isinstance(value, dict):
            yield from ((f"{key}.{key_text(inner)}", 0, row) for inner, row in value.items())
        elif _is_tables(value):
            yield from ((key, number, row) for number, row in enumerate(value, start=1))


def key_text(name: str) -> str:
    """Return a name as a key of the job file, in quotes where it needs them.

    Parameters
    ----------
    name : str
    """
    return name if BARE_KEY.fullmatch(name) else _quoted(name)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(member)}" for key, member in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return repr(value)
