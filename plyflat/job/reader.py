"""Reads job files: every fault at once, each with its key and its line."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from ..errors import JobError, QuantityError
from .checks import did_you_mean
from .forms import ListFault
from .lines import BARE_KEY, KeyPath, key_lines
from .model import Job
from .table import Table, forms_of

_WRONG_KIND = {
    "model_type": "it should be a table of keys",
    "model_attributes_type": "it should be a table of keys",
    "dict_type": "it should be tables with a name each",
    "tuple_type": "it should be a list of tables",
    "int_type": "it should be a whole number without unit",
    "bool_type": "it should be true or false",
    "too_short": "there must be at least one",
}
#: What a bare number should be and is not.
_LIMITS = {
    "greater_than": "above {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "less_than": "below {lt:g}",
    "less_than_equal": "{le:g} or less",
}


def read_job(path: str | Path) -> Job:
    """Read a job file.

    Parameters
    ----------
    path : str or Path
        TOML, UTF-8.

    Returns
    -------
    Job
        With everything that the file leaves out filled in.

    Raises
    ------
    JobError
        If the file cannot be read, or holds faults; all of them are listed.
    """
    path = Path(path).absolute()
    try:
        text = path.read_bytes().decode("utf-8-sig")  # some editors put a mark in front
    except FileNotFoundError:
        raise JobError(
            ["there is no such job file"], where=str(path), do="Check the path, or write a starter job for your mesh"
        ) from None
    except UnicodeDecodeError as error:
        fault = f"byte {error.start} is not UTF-8 text"
        raise JobError([fault], where=str(path), do="Save the file as UTF-8 from your editor") from None
    except OSError as error:
        raise JobError([f"cannot be read ({error.strerror})"], where=str(path), do="Check the path") from None
    return _job(text, folder=path.parent, path=path)


def job_from_text(text: str, *, folder: str | Path | None = None) -> Job:
    """Read a job from the text of a job file.

    Parameters
    ----------
    text : str
    folder : str or Path, optional
        Where mesh files are seen from; the working folder if left out.

    Raises
    ------
    JobError
        If the text holds faults; all of them are listed.
    """
    return _job(text, folder=Path(folder or ".").absolute(), path=None)


def _job(text: str, *, folder: Path, path: Path | None) -> Job:
    where = str(path) if path else ""
    data = _parsed(text, where)
    version = data.get("version", 1)
    if type(version) is not int or version != 1:
        line = key_lines(text).get(("version",), 1)
        fault = f"version (line {line}): {version!r} is not known here; this program reads version 1"
        raise JobError([fault], where=where, do="Write version = 1")
    try:
        return Job.model_validate(data, context={"folder": folder, "path": path})
    except ValidationError as error:
        raise JobError(_faults(error, key_lines(text)), where=where) from None


def _parsed(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        do = "Mend the line; texts and quantities stand in quotes, names with spaces too"
        raise JobError([f"not valid TOML: {_lower(str(error))}"], where=where, do=do) from None
    except (RecursionError, ValueError):  # brackets without end; a number of thousands of figures
        fault = "not valid TOML: it holds a number or a nesting beyond all measure"
        raise JobError([fault], where=where, do="Mend the file") from None


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _faults(error: ValidationError, lines: dict[KeyPath, int]) -> list[str]:
    """Put pydantic's errors in the trade's words, in the order of the file."""
    errors: list[dict[str, Any]] = [dict(e) for e in error.errors(include_url=False)]
    meant = {_meant(e) for e in errors}
    rows = []
    for e in errors:
        if e["type"] == "missing" and tuple(e["loc"]) in meant:
            continue  # the key is there, misspelt, and that is told already
        if e["type"] == "too_short" and e["input"]:
            continue  # its members are there and have faults, which are told already
        for loc, text in _told(e):
            rows.append((_line(loc, lines), _path_text(loc), text))
    rows.sort(key=lambda row: row[0] or 0)
    return [f"{key} (line {line}): {text}" if line else f"{key}: {text}" for line, key, text in rows]


def _line(loc: KeyPath, lines: dict[KeyPath, int]) -> int | None:
    """Line of a key, or of the table that lacks it."""
    while loc and loc not in lines:
        loc = loc[:-1]
    return lines.get(loc)


def _path_text(loc: KeyPath) -> str:
    """Write a key path as people count: members of lists from 1."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += ("." if text else "") + (part if BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False))
    return text


def _told(error: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    loc, kind = tuple(error["loc"]), error["type"]
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, ListFault):
        for keys, fault in cause.faults:
            yield (*loc, *keys), _words(fault)
    elif isinstance(cause, QuantityError):
        yield loc, _words(cause)
    elif kind == "extra_forbidden":
        yield loc, _unknown(loc)
    elif kind == "missing":
        yield loc, f"missing{_example(loc)}"
    elif kind == "literal_error":
        yield loc, _not_one_of(error, loc)
    elif kind in _LIMITS:
        yield loc, f"{error['input']} is not {_LIMITS[kind].format(**error['ctx'])}. Check the number"
    else:
        yield loc, _WRONG_KIND.get(kind) or _lower(str(error["msg"]).replace("Input", "it"))


def _words(fault: QuantityError) -> str:
    return f"{fault.what}. {fault.do}" if fault.do else fault.what


def _unknown(loc: KeyPath) -> str:
    keys = _keys_at(loc[:-1])
    return f"unknown key{did_you_mean(loc[-1], keys) or '; known here: ' + ', '.join(keys)}"


def _meant(error: dict[str, Any]) -> KeyPath:
    """Key path that an unknown key seems to stand for."""
    loc = tuple(error["loc"])
    if error["type"] != "extra_forbidden":
        return ()
    guess = re.search(r"mean '(.*)'", did_you_mean(loc[-1], _keys_at(loc[:-1])))
    return (*loc[:-1], guess[1]) if guess else ()


def _example(loc: KeyPath) -> str:
    table = table_at(loc[:-1])
    for name, field in table.model_fields.items() if table else ():
        if (field.alias or name) == loc[-1]:
            form, _ = forms_of(field)
            choices = [json.dumps(c) for c in get_args(field.annotation) if isinstance(c, str | int)]
            shown = [json.dumps(e) for e in form.schema.get("examples", [])] if form else choices
            return f"; write {loc[-1]} = {' or '.join(shown)}" if shown else f". {field.description}"
    return ""


def _not_one_of(error: dict[str, Any], loc: KeyPath) -> str:
    table = table_at(loc[:-1])
    fields = table.model_fields.items() if table else ()
    annotation = next((f.annotation for name, f in fields if (f.alias or name) == loc[-1]), None)
    choices = [c for c in _leaves(annotation) if isinstance(c, str | int)]
    given = error["input"]
    return f"{given!r} is none of {', '.join(map(str, choices))}{did_you_mean(given, map(str, choices))}"


def _leaves(annotation: Any) -> Iterator[Any]:
    args = get_args(annotation)
    if not args:
        yield annotation
    for arg in args:
        yield from _leaves(arg)


def _keys_at(loc: KeyPath) -> list[str]:
    table = table_at(loc)
    return [field.alias or name for name, field in table.model_fields.items()] if table else []


def table_at(loc: KeyPath) -> type[Table] | None:
    """Return the model of the table at a key path, or None where there is none.

    Parameters
    ----------
    loc : tuple
        Keys, and numbers of list members.
    """
    table: type[Table] | None = Job
    steps = iter(loc)
    for key in steps:
        fields = table.model_fields.items() if table else ()
        annotation = next((f.annotation for name, f in fields if (f.alias or name) == key), None)
        inner = [leaf for leaf in _leaves(annotation) if isinstance(leaf, type) and issubclass(leaf, Table)]
        table = inner[0] if inner else None
        if getattr(annotation, "__origin__", None) in (dict, tuple):
            next(steps, None)  # a name, or a member's number
    return table
