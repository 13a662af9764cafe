"""The builder's own numbers, from what was weighed and timed, with their spread."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..units import say_percent
from .record import Entry, latest

#: Figures of a plan that are kept beside the fields, with their units: needed to turn masses into shares and areas.
PLANNED_ONLY = {"fibre_kept": "g", "peel_ply_area": "m2", "breather_area": "m2", "ply_area": "m2"}


@dataclass(frozen=True)
class Own:
    """One number of the builder's own.

    Attributes
    ----------
    words : str
    key : str
        Of the job file.
    unit : str
    mean : float
    spread : float or None
        Standard deviation of single jobs (n - 1); None for one job.
    count : int
    """

    words: str
    key: str
    unit: str
    mean: float
    spread: float | None
    count: int

    @property
    def line(self) -> str:
        """As it would stand in the job file, with where it comes from."""
        name = self.key.rsplit(".", 1)[-1]
        said = f"mean of {self.count}, spread {_said(self.spread, self.unit)}" if self.spread is not None else "one job, spread unknown"
        return f'{name} = "{_said(self.mean, self.unit)}"  # yours: {said}'


def _said(value: float, unit: str) -> str:
    return say_percent(value) if unit == "1" else f"{value:.3g} {unit}"


def own_numbers(entries: Iterable[Entry]) -> tuple[Own, ...]:
    """Work out the builder's own numbers over all jobs that have what they need.

    Parameters
    ----------
    entries : iterable of Entry
        Of any number of jobs.
    """
    rows = list(entries)
    planned, actual = latest(rows, "planned"), latest(rows, "actual")
    found: dict[tuple[str, str, str], list[float]] = {}
    for place, fields in actual.items():
        values = {k: e.value for k, e in planned.get(place, {}).items() if e.value is not None and k in PLANNED_ONLY}
        values.update({k: e.value for k, e in fields.items() if e.value is not None})
        for name, value in _numbers(values):
            found.setdefault(name, []).append(value)
    out = []
    for (words, key, unit), values_ in found.items():
        mean = sum(values_) / len(values_)
        n = len(values_)
        spread = math.sqrt(sum((v - mean) ** 2 for v in values_) / (n - 1)) if n > 1 else None
        out.append(Own(words, key, unit, mean, spread, n))
    return tuple(sorted(out, key=lambda o: o.key))


def _numbers(v: Mapping[str, float]) -> list[tuple[tuple[str, str, str], float]]:
    """Every number that one session's values give."""
    out = []
    spread_on = None
    if "resin_weighed" in v and "hardener_weighed" in v:
        mixed = v["resin_weighed"] + v["hardener_weighed"]
        left = v.get("left_in_cups")
        if left is not None and 0 <= left < mixed:
            spread_on = mixed - left
            out.append((("left in cups and rollers, of what reaches the cloth", "resin.loss", "1"), left / spread_on))
    if spread_on is not None and v.get("fibre_mass", 0) > 0:
        out.append((("fibre by mass when wetted out", "resin.wet_out", "1"), v["fibre_mass"] / (v["fibre_mass"] + spread_on)))
    if v.get("laminate_mass", 0) > v.get("fibre_kept", math.inf):
        out.append((("fibre by mass in the laminate", "resin.fibre_mass_fraction", "1"), v["fibre_kept"] / v["laminate_mass"]))
    for kind in ("peel_ply", "breather"):
        dry, wet, area = v.get(f"{kind}_dry"), v.get(f"{kind}_wet"), v.get(f"{kind}_area", 0.0)
        if dry is not None and wet is not None and wet > dry and area > 0:
            words = "resin kept by peel ply" if kind == "peel_ply" else "resin the breather took (it holds at least that)"
            out.append(((words, f"consumable.{kind}.holds", "g/m^2"), (wet - dry) / area))
    if v.get("wet_out_time", 0) > 0 and v.get("ply_area", 0) > 0:
        out.append((("area wetted out in a time", "clock.wet_out", "m^2/min"), v["ply_area"] / v["wet_out_time"] * 60.0))
    if v.get("drop_time", 0) > 0 and "drop" in v:
        out.append((("fall of the vacuum in a minute", "vacuum.drop", "kPa"), v["drop"] / v["drop_time"] * 60.0))
    return out
