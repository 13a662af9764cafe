"""The builder's own numbers, from what was weighed and timed, with their spread."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from ..units import say_percent
from .record import Entry, latest

#: Figures of a plan that are kept beside the fields, with their units: needed to turn masses into shares and areas.
PLANNED_ONLY = {"fibre_kept": "g", "peel_ply_area": "m2", "breather_area": "m2", "ply_area": "m2", "air_volume": "l"}
#: °C within which pot lives are averaged; over it a pot life changes by about a seventh.
NEAR_C = 2.0
#: From so many sessions on their spread says how far the next may lie off. This program's choice.
LEAST_FOR_SPREAD = 3
#: Which of the job's ranges a number's spread stands for, and whether as a share of the number itself.
_RANGE_OF = {
    "resin.wet_out": ("ranges.wet_out", False), "resin.fibre_mass_fraction": ("ranges.fibre_mass_fraction", False),
    "resin.loss": ("ranges.loss", True), "clock.wet_out": ("clock.spread", True),
}  # fmt: skip
#: Share of a normal law under its mean and two standard deviations.
_TWO_SIGMA = 0.9772498680518208


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
    at_c : float or None
        Mean temperature that it belongs to, where it belongs to one.
    basis : str
        What it comes from, where it is no mean.
    """

    words: str
    key: str
    unit: str
    mean: float
    spread: float | None
    count: int
    at_c: float | None = None
    basis: str = ""

    @property
    def value(self) -> str:
        """The mean as the job file would have it."""
        return _said(self.mean, self.unit) + ("" if self.at_c is None else f" at {self.at_c:.3g} degC")

    @property
    def mean_of(self) -> str:
        """From how many sessions it comes, and how they spread."""
        if self.basis:
            return self.basis
        return f"mean of {self.count}, spread {_said(self.spread, self.unit)}" if self.spread is not None else "one job, spread unknown"

    @property
    def line(self) -> str:
        """As it would stand in the job file, with where it comes from."""
        return f'{self.key.rsplit(".", 1)[-1]} = "{self.value}"  # yours: {self.mean_of}'


@dataclass(frozen=True)
class Taken:
    """One of the builder's own numbers against what would be taken without it.

    Attributes
    ----------
    key : str
        Of the job file.
    value, was : str
        As the job file would say it; what it replaces, or would.
    was_from : str
        Where that comes from.
    mean_of : str
        From how many sessions, and how they spread.
    used : bool
    why : str
        Why it is not used; empty where it is.
    """

    key: str
    value: str
    was: str
    was_from: str
    mean_of: str
    used: bool
    why: str = ""


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
    pots: list[tuple[float, float]] = []
    for place, fields in actual.items():
        values = {k: e.value for k, e in planned.get(place, {}).items() if e.value is not None and k in PLANNED_ONLY}
        # What was written for the whole job, such as the temperature, holds for its regions too.
        for row in (actual.get((place[0], "", place[2]), {}), fields):
            values.update({k: e.value for k, e in row.items() if e.value is not None})
        for name, value in _numbers(values):
            found.setdefault(name, []).append(value)
        if "pot_life" in fields and "temperature" in values:
            pots.append((values["temperature"], values["pot_life"] / 60.0))
    out = [Own(*name, *_mean(values_), len(values_)) for name, values_ in found.items()]
    return tuple(sorted([*out, *_ranges(out), *_pot_life(pots)], key=lambda o: o.key))


def next_half_width(spread: float, count: int) -> float:
    """Return how far the next value may lie from the mean of earlier ones, as two standard deviations would if both were sure.

    Parameters
    ----------
    spread : float
        Standard deviation of single values (n - 1).
    count : int
        Of the earlier values, two or more.

    References
    ----------
    Prediction interval of a normal sample: t(n - 1) s sqrt(1 + 1/n), at the share that two standard deviations leave.
    """
    from scipy.special import stdtrit

    return float(stdtrit(count - 1, _TWO_SIGMA)) * spread * math.sqrt(1.0 + 1.0 / count)


def _ranges(means: Iterable[Own]) -> Iterator[Own]:
    """Ranges of the job that spreads stand for."""
    for own in means:
        if own.key in _RANGE_OF and own.spread is not None and own.count >= LEAST_FOR_SPREAD and own.mean > 0:
            key, of_itself = _RANGE_OF[own.key]
            half = next_half_width(own.spread, own.count)
            basis = f"spread of {own.count}, as wide as the next may lie off"
            yield Own(f"{own.words}: how far it strays", key, "1", half / own.mean if of_itself else half, None, own.count, None, basis)


def _mean(values: list[float]) -> tuple[float, float | None]:
    """Mean, and standard deviation of the single value."""
    mean, n = sum(values) / len(values), len(values)
    return mean, math.sqrt(sum((v - mean) ** 2 for v in values) / (n - 1)) if n > 1 else None


def _pot_life(pots: list[tuple[float, float]]) -> Iterator[Own]:
    """The pot life at the temperature near which most were timed; one at another temperature would blur it."""
    if not pots:
        return
    near = max(([p for p in pots if abs(p[0] - at) <= NEAR_C] for at, _ in pots), key=len)
    mean, spread = _mean([minutes for _, minutes in near])
    yield Own("pot life of the batches timed", "resin.pot_life", "min", mean, spread, len(near), sum(c for c, _ in near) / len(near))


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
            out.append(((words, f'consumable."your {kind.replace("_", " ")}".holds', "g/m^2"), (wet - dry) / area))
    if v.get("drop", -1.0) >= 0 and v.get("drop_time", 0) > 0:
        out.append((("fall of the vacuum in a minute, pump off", "vacuum.usual_fall", "kPa"), v["drop"] / v["drop_time"] * 60.0))
    if v.get("wet_out_time", 0) > 0 and v.get("ply_area", 0) > 0:
        out.append((("area wetted out in a time", "clock.wet_out", "m^2/min"), v["ply_area"] / v["wet_out_time"] * 60.0))
    return out
