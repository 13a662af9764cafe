"""What the job says about the bag's film and layers as sheets that are pulled, and about what a vacuum might crush."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from .. import units
from . import forms
from .forms import amount, length
from .table import MEMORY, OURS, PRACTICE, Table

WorkedOut = Literal["whole", "sections", "no"]

_STRESS = amount(units.stress_mpa, lambda v: f"{units.number_text(v)} MPa", 0.1, 1e5, "700 MPa")
_WALL_STRESS = amount(lambda given: units.stress_mpa(given) / 1000, lambda v: f"{units.number_text(v)} GPa", 0.01, 1000, "10 GPa")
_PULL = amount(units.force_per_length_n_mm, units.text_force_per_length, 0.01, 1e4, "60 N/mm")
_TUCK = amount(units.pressure_kpa, units.text_kpa, 1, 60, "15 kPa")


class FilmKeys(Table):
    """How a bag film stretches, how it is fed, and how much of that is worked out."""

    worked_out: Annotated[WorkedOut, OURS] = Field(
        default="sections",
        description="sections: the film is laid over sections through every inside corner, without slack and with its pleats, and "
        "what would help is tried; whole: it is also laid whole over all within the tape, which sees where three walls meet and whether "
        "the film finds its way, and takes longer; no: only how far a rolled ball reaches.",
    )
    points: Annotated[int, OURS] = Field(
        default=4000, ge=400, le=100_000, strict=True,
        description="About how many points the whole film is laid with: more see finer corners and take longer.",
    )
    stack_mm: Annotated[float | None, length(0, 50, "2 mm"), forms.Mark("by its cloths and layers")] = Field(
        default=None, alias="stack", description="Thickness under vacuum of what lies between hull and film."
    )
    modulus_mpa: Annotated[float, _STRESS, MEMORY] = Field(
        default=700.0, alias="modulus", description="How stiff the film is before it draws. About 700 MPa for nylon film as it is used."
    )
    hardening_mpa: Annotated[float, _STRESS, MEMORY] = Field(
        default=15.0, alias="hardening", description="How much its stress rises, per stretch of once its length, while it draws."
    )
    break_stretch: Annotated[float, MEMORY] = Field(
        default=3.0, gt=1.0, le=20.0, alias="breaks_at", description="How many times its first length it is when it breaks."
    )
    tuck_kpa: Annotated[float, _TUCK, PRACTICE] = Field(
        default=15.0, alias="tuck", description="Vacuum at which film is still moved and pleats are tucked in."
    )
    pleat_most_mm: Annotated[float, length(20, 1000, "100 mm"), PRACTICE] = Field(
        default=100.0, alias="pleat_most", description="Highest fold that can be laid flat; where more is wanted, more pleats share it."
    )


class PulledKeys(Table):
    """How a sheet of the bag stretches where it is pulled through a corner."""

    stiffness_n_mm: Annotated[float | None, _PULL, forms.Mark("typical of its kind, from memory")] = Field(
        default=None,
        alias="stiffness",
        description="Force per width over stretch, as it is first pulled: modulus times thickness for a film.",
    )
    gives_n_mm: Annotated[float | None, _PULL, forms.Mark("typical of its kind, from memory")] = Field(
        default=None, alias="gives", description="Force per width at which it draws out or tears. Left out for woven sheets: they do not draw."
    )


class Hollow(Table):
    """A hollow tube within the bag or under it, which the vacuum presses on."""

    what: Annotated[str, forms.TEXT] = Field(description="What to call it.")
    radius_mm: Annotated[float, length(1, 5000, "25 mm")] = Field(alias="radius", description="Radius of its wall's middle.")
    wall_mm: Annotated[float, length(0.05, 500, "2 mm")] = Field(alias="wall", description="Thickness of its wall where it is thinnest.")
    modulus_gpa: Annotated[float, _WALL_STRESS] = Field(
        alias="modulus", description="How stiff the wall is, round the tube; from its data sheet."
    )
    poisson: Annotated[float, MEMORY] = Field(default=0.3, ge=0.0, lt=0.5, description="Poisson's ratio of the wall.")


class HollowKeys(Table):
    """What a vacuum might crush."""

    hollow: tuple[Hollow, ...] = Field(
        default=(), description="Hollow tubes within the bag or under it, to be checked against being crushed."
    )
