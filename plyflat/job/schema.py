"""The published JSON Schema of job files, made from the model, so that editors complete and check them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args, get_origin

from .forms import NAME_PATTERN
from .model import Job
from .table import MEMORY, PRACTICE, Table, forms_of

SCHEMA_PATH = Path(__file__).with_name("schema.json")
"""The schema as it is shipped."""


def job_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of job files, in terms of the file's keys.

    Returns
    -------
    dict
        With a description of every key, its default and an example. It checks keys and kinds of values; units, limits
        and names that must match are checked when the file is read.
    """
    schema = Job.model_json_schema(by_alias=True)
    tables = {table.__name__: table for table in _tables(Job)}
    for name, part in [("Job", schema), *schema["$defs"].items()]:
        part.pop("title", None)
        part["description"] = " ".join(str(part.get("description", "")).split("\n\n")[0].split())
        for key, field in tables[name].model_fields.items():
            alias = field.alias or key
            part["properties"][alias] = _tidy(part["properties"][alias], field)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "plyflat job file",
        **schema,
        "description": "What to laminate, with which cloth, under which bag. Quantities are texts with their unit.",
    }


def _tables(table: type[Table]) -> Iterator[type[Table]]:
    yield table
    for field in table.model_fields.values():
        for leaf in _leaves(field.annotation):
            if isinstance(leaf, type) and issubclass(leaf, Table):
                yield from _tables(leaf)


def _leaves(annotation: Any) -> Iterator[Any]:
    args = get_args(annotation)
    if not args:
        yield annotation
    for arg in args:
        yield from _leaves(arg)


def _tidy(part: dict[str, Any], field: Any) -> dict[str, Any]:
    """Put a key's schema in terms of the file: no null, the default as one would write it, an example."""
    form, mark = forms_of(field)
    part.pop("title", None)
    default = part.pop("default", None)
    choices = [c for c in part.pop("anyOf", []) if c != {"type": "null"}] if form is None else []
    part = {**(choices[0] if len(choices) == 1 else {}), **part}
    if get_origin(field.annotation) is dict:
        part["propertyNames"] = {"pattern": NAME_PATTERN}
    if field.default is not None and not field.is_required() and field.default_factory is None:
        default = form.write(field.default) if form else default
    if default is not None:
        part["default"] = default
    doubtful = mark in (PRACTICE, MEMORY)
    part["description"] = field.description + (f" The default is {mark.text}." if mark and doubtful else "")
    if "examples" not in part and "$ref" not in part and part.get("type") not in ("array", "object"):
        part["examples"] = part.get("enum") or [part.get("const", default)]
    return part


def schema_text() -> str:
    """Return the schema as it is shipped."""
    return json.dumps(job_schema(), indent=2, ensure_ascii=False) + "\n"


def write_schema() -> None:
    """Bring the shipped schema up to date with the model."""
    SCHEMA_PATH.write_text(schema_text(), encoding="utf-8")
