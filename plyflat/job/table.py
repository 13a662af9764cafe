"""What all tables of the job file have in common: strict keys, frozen values, marks of where defaults come from."""

from __future__ import annotations

from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict

from . import forms
from .forms import Form, Mark, length, share

PRACTICE, MEMORY, OURS = Mark("common practice"), Mark("from memory"), Mark("this program's choice")

AREAL = forms.amount(forms.units.areal_weight_g_m2, forms.units.text_areal_weight, 10, 5000, "200 g/m^2", "9 oz/yd^2")
ROLL_WIDTH = length(20, 5000, "1270 mm", "50 in")
ROLL_LENGTH = length(100, 5e6, "10 m")
MARGIN = length(0, 2000, "25 mm")
GAP = length(0, 200, "5 mm")
EDGE = length(0, 500, "10 mm")
STRAIN = share(0.0001, 0.5, "3 %")
PSI = share(0.0, 0.9, "55 %", open_ended=True)

LATER: Any = None  # filled in once the rest of the table or job is known

AnyTable = TypeVar("AnyTable", bound="Table")


class Table(BaseModel):
    """A table of the job file; frozen, and strict about its keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def filled(table: AnyTable, **values: Any) -> AnyTable:
    """Return a copy with values that follow from elsewhere in the job, still counted as not stated.

    Parameters
    ----------
    table : Table
    values
        By the fields' names.
    """
    copy = table.model_copy()
    copy.__dict__.update(values)
    return copy


def forms_of(field: Any) -> tuple[Form | None, Mark | None]:
    """Return the `Form` and the `Mark` in a field's annotation."""
    form = next((m for m in field.metadata if isinstance(m, Form)), None)
    return form, next((m for m in field.metadata if isinstance(m, Mark)), None)
