"""How far a resin has hardened by a plan or a log of temperatures, and when it may be taken off."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import PlyflatError
from .clock import Speed

#: s; a log with a longer step than this says nothing of what happened in between. This program's choice.
LONGEST_STEP_S = 1800.0
#: A reading that leaps by so many °C, at so many a minute, to within so many of the same temperature in the other unit is
#: taken for a change of unit. This program's choice.
LEAP_C, LEAP_C_MIN, SAME_C = 15.0, 5.0, 1.5
#: °C by which a cure raises the glass transition above its own temperature: low, high. From memory.
ABOVE_CURE_C = (10.0, 30.0)
_TIME = {"s": 1.0, "min": 60.0, "h": 3600.0}
_TEMPERATURE = {"degc": "C", "c": "C", "°c": "C", "degf": "F", "f": "F", "°f": "F", "k": "K"}
_HEAD = re.compile(r"\s*([\w ]*?)\s*[(\[]\s*([^)\]]+?)\s*[)\]]\s*")
_CELL = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+))\s*([^\W\d_]*|°[CFcf])\s*")
#: °C between the points of Gauss and Legendre on a slope; the rate changes by a third over it.
_SLICE_C = 4.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(5)


class CureError(PlyflatError, ValueError):
    """A plan or log of temperatures that cannot be used: mend the line it names."""


@dataclass(frozen=True)
class Profile:
    """Temperature over time, straight between the points.

    Attributes
    ----------
    s : tuple of float
        Rising.
    c : tuple of float
    """

    s: tuple[float, ...]
    c: tuple[float, ...]

    def __post_init__(self) -> None:
        """Refuse points that are not in order."""
        if len(self.s) != len(self.c) or len(self.s) < 2:
            raise CureError(f"{len(self.s)} times and {len(self.c)} temperatures make no profile", do="Give two or more of each.")
        if not np.all(np.isfinite([*self.s, *self.c])) or np.any(np.diff(self.s) <= 0):
            raise CureError("the times of a profile do not rise, or are not finite", do="Put the points in order of time.")
        if min(self.c) < -60.0 or max(self.c) > 400.0:
            raise CureError(f"{max(self.c, key=abs):g} degC is outside -60 to 400 degC", do="Check the unit of temperature.")

    @property
    def fastest_c_min(self) -> float:
        """Fastest heating, °C a minute."""
        return float(max(np.max(np.diff(self.c) / np.diff(self.s)) * 60.0, 0.0))

    @property
    def hottest_c(self) -> float:
        """Highest temperature."""
        return max(self.c)


@dataclass(frozen=True)
class Tent:
    """What heats a tent.

    Attributes
    ----------
    area_m2, loss_w_m2_k : float
        Its skin, and the heat that this lets through.
    hold_w : float
        To hold the hottest of the plan.
    energy_kwh : float
        Lost through the skin over the whole plan.
    """

    area_m2: float
    loss_w_m2_k: float
    hold_w: float
    energy_kwh: float


def tent_for(profile: Profile, *, room_c: float, area_m2: float, loss_w_m2_k: float) -> Tent:
    """Work out what heat a tent loses over a plan: P = U A (T - T0), and its integral.

    Parameters
    ----------
    profile : Profile
        Temperature inside.
    room_c : float
        Outside.
    area_m2, loss_w_m2_k : float

    Raises
    ------
    CureError
        An area or a loss that is not above zero.

    Notes
    -----
    What the hull, the air and draughts take on top is not counted. Only what is warmer than the room loses heat.
    """
    if not (0 < area_m2 < math.inf and 0 < loss_w_m2_k < math.inf):
        raise CureError(f"a tent of {area_m2:g} m2 that loses {loss_w_m2_k:g} W/(m2 K) cannot be", do="Give numbers above zero.")
    degree_s = 0.0
    for t0, t1, c0, c1 in zip(profile.s, profile.s[1:], profile.c, profile.c[1:]):
        over, under = max(c0, c1) - room_c, min(c0, c1) - room_c
        # Below the room only the triangle above it counts.
        mean = (over + under) / 2 if under >= 0 else over**2 / (2 * (over - under)) if over > 0 else 0.0
        degree_s += mean * (t1 - t0)
    w_k = area_m2 * loss_w_m2_k
    return Tent(area_m2, loss_w_m2_k, w_k * max(profile.hottest_c - room_c, 0.0), w_k * degree_s / 3.6e6)


def profile_of(holds: Sequence[tuple[float, float]], *, start_c: float, ramp_c_min: float) -> Profile:
    """Return the temperatures of a plan: ramps between holds, and cooling to where it started.

    Parameters
    ----------
    holds : sequence of (s, °C)
    start_c : float
    ramp_c_min : float

    Raises
    ------
    CureError
        No hold, or a ramp that is not above zero.
    """
    if not holds or not 0 < ramp_c_min < math.inf:
        raise CureError(f"{len(holds)} holds at a ramp of {ramp_c_min:g} degC/min make no plan", do="State both.")
    s, c = [0.0], [start_c]
    for seconds, celsius in holds:
        if abs(celsius - c[-1]) > 1e-9:
            s.append(s[-1] + abs(celsius - c[-1]) / ramp_c_min * 60.0)
            c.append(celsius)
        s.append(s[-1] + seconds)
        c.append(celsius)
    if abs(c[-1] - start_c) > 1e-9:
        s.append(s[-1] + abs(c[-1] - start_c) / ramp_c_min * 60.0)
        c.append(start_c)
    return Profile(tuple(s), tuple(c))


def cure_share(profile: Profile, full: Speed) -> float:
    """Return the share of a full cure: the sum of time over the time a full cure takes at that temperature.

    Parameters
    ----------
    profile : Profile
    full : Speed
        Time of a full cure by temperature.

    References
    ----------
    Equivalent time: the integral of exp(E/R (1/Tr - 1/T)) dt, here over the time at Tr.
    """
    return float(sum(_share(*piece, full) for piece in _pieces(profile)))


def _pieces(profile: Profile) -> list[tuple[float, float, float]]:
    """Seconds, first and last temperature of pieces short enough for the quadrature."""
    out = []
    for t0, t1, c0, c1 in zip(profile.s, profile.s[1:], profile.c, profile.c[1:]):
        count = max(math.ceil(abs(c1 - c0) / _SLICE_C), 1)
        ends = np.linspace(c0, c1, count + 1)
        out += [((t1 - t0) / count, float(a), float(b)) for a, b in zip(ends, ends[1:])]
    return out


def _share(seconds: float, c0: float, c1: float, full: Speed) -> float:
    """Gauss and Legendre over one piece."""
    if c0 == c1:
        return seconds / full.at(c0)
    middle, half = (c0 + c1) / 2, (c1 - c0) / 2
    return seconds / 2 * sum(float(w) / full.at(middle + half * float(x)) for x, w in zip(_NODES, _WEIGHTS))


def reached_s(profile: Profile, full: Speed, *, share: float = 1.0) -> float | None:
    """Return when a share of a cure is reached, s from the start, or None where it never is.

    Parameters
    ----------
    profile : Profile
    full : Speed
        Time of that cure by temperature.
    share : float
    """
    at = done = 0.0
    for seconds, c0, c1 in _pieces(profile):
        more = _share(seconds, c0, c1, full)
        if done + more >= share * (1 - 1e-12):
            return at + _into(seconds, c0, c1, full, share - done)
        at, done = at + seconds, done + more
    return None


def _into(seconds: float, c0: float, c1: float, full: Speed, wanted: float) -> float:
    """How far into a piece the wanted share is reached, by halving."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        got = _share(seconds * middle, c0, c0 + (c1 - c0) * middle, full) if middle > 0 else 0.0
        low, high = (middle, high) if got < wanted else (low, middle)
    return seconds * high


def glass_transition_c(
    hottest_c: float, *, limit_c: float | None, above_c: tuple[float, float] = ABOVE_CURE_C
) -> tuple[float, float]:
    """Range of the glass transition after a cure: its temperature and some more, up to the system's limit.

    Parameters
    ----------
    hottest_c : float
        Of the longest hold.
    limit_c : float or None
        From the data sheet.
    above_c : tuple of float
        Least and most by which it ends above the cure.
    """
    low, high = (hottest_c + more for more in above_c)
    return (low, high) if limit_c is None else (min(low, limit_c), min(high, limit_c))


def read_log(path: str | Path, *, longest_step_s: float = LONGEST_STEP_S) -> Profile:
    """Read a log of temperatures.

    Parameters
    ----------
    path : path
        CSV in UTF-8. Its first line names the columns with their units: "time (min),temperature (degC)"; further columns
        are left alone.
    longest_step_s : float
        A longer step is a gap.

    Raises
    ------
    CureError
        The file cannot be read, or a line is empty, out of order, after a gap, in another unit or leaps to one; the line is named.
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        why = getattr(err, "strerror", None) or "it is not UTF-8 text"
        raise CureError(f"the log cannot be read: {why}", where=str(path), do="Check its name and save it as CSV.") from err
    return log_from_text(text, where=str(path), longest_step_s=longest_step_s)


def log_from_text(text: str, *, where: str = "", longest_step_s: float = LONGEST_STEP_S) -> Profile:
    """Read a log of temperatures from its text; see `read_log`."""
    try:
        rows = list(csv.reader(io.StringIO(text, newline=None)))
    except csv.Error as err:
        raise CureError(f"the log is no CSV file: {err}", where=where, do="Save it as CSV from the logger or a sheet.") from err
    if len(rows) < 3:
        raise CureError("the log has fewer than two readings", where=where, do="Give a head and two lines or more.")
    columns = _columns(rows[0], where)
    s: list[float] = []
    c: list[float] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row) and number == len(rows):
            break
        time = _cell(row, *columns[0], where, number)
        celsius = _cell(row, *columns[1], where, number)
        _in_order(s, time, longest_step_s, where, number)
        if s:
            _in_one_unit(c[-1], celsius, time - s[-1], where, number)
        s.append(time)
        c.append(celsius)
    return Profile(tuple(s), tuple(c))


def _columns(head: list[str], where: str) -> tuple[tuple[int, str], tuple[int, str]]:
    """Place and unit of time and temperature."""
    time = temperature = None
    for k, cell in enumerate(head):
        found = _HEAD.fullmatch(cell)
        unit = found[2] if found else ""
        if unit in _TIME and time is None:
            time = (k, unit)
        elif unit.casefold() in _TEMPERATURE and temperature is None:
            temperature = (k, unit)
    if time is None or temperature is None:
        raise CureError(
            f"line 1 names no time and temperature with their units: {','.join(head)[:80]}",
            where=where,
            do='Write the first line as "time (min),temperature (degC)"; times in s, min or h.',
        )
    return time, temperature


def _cell(row: list[str], column: int, unit: str, where: str, number: int) -> float:
    cell = row[column] if column < len(row) else ""
    found = _CELL.fullmatch(cell)
    if not found:
        said = f'"{cell}" is no number' if cell.strip() else "a reading is missing"
        raise CureError(f"line {number}: {said}", where=where, do="Fill the gap, or take the lines after it as a log of its own.")
    if found[2] and found[2].casefold() != unit.casefold():
        raise CureError(
            f"line {number}: \"{cell.strip()}\" is not in {unit}, which the first line names",
            where=where,
            do="Bring the whole column to one unit.",
        )
    value = float(found[1])
    if unit in _TIME:
        return value * _TIME[unit]
    kind = _TEMPERATURE[unit.casefold()]
    return {"C": value, "F": (value - 32.0) / 1.8, "K": value - 273.15}[kind]


def _in_one_unit(before_c: float, celsius: float, seconds: float, where: str, number: int) -> None:
    """Refuse a leap that leads to the same temperature in the other unit: a logger was switched over."""
    same = min(abs((celsius - 32.0) / 1.8 - before_c), abs(celsius * 1.8 + 32.0 - before_c))
    leap = abs(celsius - before_c)
    if same <= SAME_C and leap >= LEAP_C and leap * 60.0 / seconds >= LEAP_C_MIN:
        raise CureError(
            f"line {number}: from {before_c:.0f} to {celsius:.0f} degC in {seconds:.0f} s; in the other unit that is no change, so degC and "
            "degF are mixed",
            where=where,
            do="Bring the whole column to one unit; if the part did leap so, leave out the lines before.",
        )


def _in_order(s: list[float], time: float, longest_s: float, where: str, number: int) -> None:
    if not s:
        return
    step = time - s[-1]
    if step <= 0:
        raise CureError(f"line {number}: the time does not rise", where=where, do="Put the lines in order of time.")
    if step > longest_s:
        raise CureError(
            f"line {number}: nothing was logged for {step / 60:.0f} min before it",
            where=where,
            do=f"Log at least every {longest_s / 60:.0f} min; nobody knows how warm it was in between.",
        )
