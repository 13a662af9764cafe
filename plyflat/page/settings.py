"""The tables of a job file as the page lists them: what each key says, how it may be said, and what may be added.

All of it comes from the job's own JSON Schema, so that a key which the job file learns is on the page at once.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ..errors import QuantityError
from ..job.schema import SCHEMA_PATH
from .draft import WAYS, put_value

At = tuple[str | int, ...]
#: Tables that have names of the builder's own, and what one of each is called.
NAMED = {"cloth": "cloth", "consumable": "material of the bag", "bag": "bag", "mesh": "mesh"}
#: Those of which there is at most one, as they stand in the list.
SINGLE = ("laps", "limits", "lay", "files", "resin", "place", "vacuum", "clock", "cure", "service", "finish", "waste", "ranges", "own", "boat")
#: What the page has fields of its own for.
_ELSEWHERE = {"ply", "outline", "name", "mesh", "minus", "plus", "version", "check_distance"}


@dataclass(frozen=True)
class Entry:
    """A table that can be chosen.

    Attributes
    ----------
    title : str
    path : tuple of str and int
    """

    title: str
    path: At


@dataclass(frozen=True)
class Row:
    """A key of a table with its value.

    Attributes
    ----------
    key : str
    text : str
        The value as it is typed: words without quotation marks, anything else as in the job file.
    choice : tuple of str
        The values there are; empty where any can be typed.
    says : str
    needed : bool
        Whether the table must have it.
    """

    key: str
    text: str
    choice: tuple[str, ...]
    says: str
    needed: bool = False


@cache
def _schema() -> dict[str, Any]:
    return dict(json.loads(SCHEMA_PATH.read_text(encoding="utf-8")))


def _node(path: At) -> dict[str, Any]:
    """The schema of what lies at a path."""
    node = _schema()
    for step in path:
        node = _resolved(node)
        node = node["items"] if isinstance(step, int) else node.get("properties", {}).get(step) or node["additionalProperties"]
    return _resolved(node)


def _resolved(node: dict[str, Any]) -> dict[str, Any]:
    named = node.get("$ref")
    return _schema()["$defs"][named.rpartition("/")[2]] if named else node


def _keys(path: At) -> dict[str, dict[str, Any]]:
    """The keys a table may have, but those that the page has fields of its own for."""
    return {key: node for key, node in _node(path).get("properties", {}).items() if not (path[0] == "region" and key in _ELSEWHERE)}


def entries(document: Mapping[str, Any], region: str) -> Iterator[Entry]:
    """Yield the tables of a job that can be chosen: those of a region first, then what has a name, then the single ones.

    Parameters
    ----------
    document : dict
        The job file's data.
    region : str
        Name of the region that is shown.
    """
    for i, table in enumerate(document.get("region", [])):
        if table.get("name") == region:
            yield from _with_inner(f"region: {region}", ("region", i), table)
            for j in range(len(table.get("ply", []))):
                yield Entry(f"region: {region}, ply {j + 1}", ("region", i, "ply", j))
    for kind, called in NAMED.items():
        for name, table in document.get(kind, {}).items():
            yield from _with_inner(f"{called}: {name}", (kind, name), table)
    yield from (Entry(key, (key,)) for key in SINGLE)


def _with_inner(title: str, path: At, table: Any) -> Iterator[Entry]:
    """A table and those in it."""
    yield Entry(title, path)
    for key in _keys(path):
        if isinstance(table.get(key), dict):
            yield Entry(f"{title}, {key.replace('_', ' ')}", (*path, key))


def rows(document: Mapping[str, Any], path: At) -> list[Row]:
    """Return what stands in a table, in the order of the file.

    Parameters
    ----------
    document : dict
    path : tuple of str and int
    """
    known = _keys(path)
    found = {key: value for key, value in _table(document, path).items() if key in known and not isinstance(value, dict)}
    needed = _node(path).get("required", [])
    return [Row(key, _text(value), _choice(known[key]), _says(known[key]), key in needed) for key, value in found.items()]


def more(document: Mapping[str, Any], path: At) -> list[Row]:
    """Return the keys that a table may have besides; their text is what holds without them, or an example.

    Parameters
    ----------
    document : dict
    path : tuple of str and int
    """
    table = _table(document, path)
    where = WAYS if path[0] == "region" and len(path) == 2 else ()
    free = {key: node for key, node in _keys(path).items() if key not in table and key not in where}
    return [Row(key, _example(node), _choice(node), _says(node)) for key, node in free.items()]


def _table(document: Mapping[str, Any], path: At) -> Mapping[str, Any]:
    table: Any = document
    for step in path:
        if isinstance(step, str) and step not in table:
            return {}
        table = table[step]
    return dict(table)


def _says(node: dict[str, Any]) -> str:
    return str(node.get("description") or _resolved(node).get("description", ""))


def _choice(node: dict[str, Any]) -> tuple[str, ...]:
    if node.get("type") == "boolean":
        return ("true", "false")
    return tuple(node["enum"]) if node.get("type") == "string" and "enum" in node else ()


def _text(value: Any) -> str:
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        table.update(value)
        return table.as_string()
    return value if isinstance(value, str) else tomlkit.item(value).as_string().strip()


def typed(path: At, key: str, text: str) -> Any:
    """Return a value from what was typed: words where the key takes words, else as the job file has it.

    Parameters
    ----------
    path : tuple of str and int
        Of the table.
    key : str
    text : str

    Raises
    ------
    QuantityError
        If it is neither.
    """
    node, text = _keys(path)[key], text.strip()
    if node.get("type") == "string":
        return text
    try:
        return tomlkit.parse(f"x = {text}").unwrap()["x"]
    except TOMLKitError:
        if "anyOf" in node:
            # One of the ways to say it is a word or a quantity.
            return text
        raise QuantityError(f"{text!r} cannot be read", where=key.replace("_", " "), do=f"Write it like {_example(node)}.") from None


def _example(node: dict[str, Any]) -> str:
    """What holds where nothing is said, else an example, as it is typed."""
    inner = _resolved(node)
    if node.get("default") not in (None, []):
        return _text(node["default"])
    found = [*node.get("examples", ()), *inner.get("examples", ())]
    if found:
        return _text(found[0])
    keys = {name: (inner["properties"][name].get("examples") or ["..."])[0] for name in inner.get("required", ())}
    return "[]" if node.get("type") == "array" else _text(keys)


def copy_named(document: Any, path: At, name: str) -> None:
    """Put a copy of a named table beside it.

    Parameters
    ----------
    document : tomlkit document
    path : (kind, name)
    name : str
        Of the copy.

    Raises
    ------
    QuantityError
        If there is one of that name.
    """
    kind, of = path
    if not name.strip() or name.strip() in document[kind]:
        raise QuantityError(f"there is a {NAMED[str(kind)]} {name.strip()!r} already" if name.strip() else "it has no name", do="Choose another name.")
    table = tomlkit.table()
    for key, value in document[kind][of].unwrap().items():
        put_value(table, (key,), value)
    table.add(tomlkit.nl())
    document[kind][name.strip()] = table


def chosen_path(found: Sequence[Entry], title: str) -> At:
    """Return where the table of a title lies; that of the first one where there is none of that title.

    Parameters
    ----------
    found : sequence of Entry
    title : str
    """
    return next((entry.path for entry in found if entry.title == title), found[0].path)
