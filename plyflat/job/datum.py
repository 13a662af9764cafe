"""What a job states about points of the hull that can be found again by hand."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from . import forms
from .forms import Point
from .table import Table


class Datum(Table):
    """A point of the hull that can be found again: an end of the keel, a corner of the transom, a centre-punch mark."""

    name: Annotated[str, forms.TEXT] = Field(description="What it is called on lists.")
    mesh: Annotated[str, forms.TEXT] = Field(description="Name of one of the meshes.")
    at_mm: Annotated[Point, forms.POINT] = Field(alias="at", description="Where it is, in the mesh's coordinates.")
