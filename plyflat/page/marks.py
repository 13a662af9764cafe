"""What can be said by clicks on the hull: how many clicks, what else is asked, and what it becomes in the job file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .. import units
from ..errors import QuantityError
from ..surface.mesh import Floats
from .draft import add_member, outline_value, point_text, put_region_key, put_value, put_way

#: Called with the document, the name of the region (of the mesh, for a measured distance), the points and the answers.
Put = Callable[[Any, str, Floats, Mapping[str, str]], None]


@dataclass(frozen=True)
class Ask:
    """What is asked beside the clicks.

    Attributes
    ----------
    key, label : str
    value : str
        What stands there at first; empty where only the builder can know.
    choice : tuple of str
        What there is to choose from; empty where it is typed.
    """

    key: str
    label: str
    value: str
    choice: tuple[str, ...] = ()


@dataclass(frozen=True)
class Mark:
    """One thing that is said by clicks.

    Attributes
    ----------
    key, label : str
    prompts : tuple of str
        What to click on, one for each click; the last one stands for all that follow.
    least : int
        Clicks it takes.
    put : callable
    most : int or None
        None for as many as one likes.
    asks : tuple of Ask
    area : bool
        Whether it says where a region is, so that a new region can begin with it.
    """

    key: str
    label: str
    prompts: tuple[str, ...]
    least: int
    put: Put
    most: int | None = None
    asks: tuple[Ask, ...] = ()
    area: bool = False

    @property
    def closed(self) -> bool:
        """Whether the points go round an area."""
        return self.most is None

    def prompt(self, count: int) -> str:
        """Return what to do next, after some clicks."""
        if self.most is not None and count >= self.most:
            return "All points are there. Drag one to move it, then press Done."
        return self.prompts[min(count, len(self.prompts) - 1)]

    def begin_values(self) -> dict[str, str]:
        """Return the answers as they stand at first."""
        return {ask.key: ask.value for ask in self.asks}

    def checked(self, points_mm: Sequence[Floats], values: Mapping[str, str]) -> tuple[Floats, dict[str, str]]:
        """Return points and answers, if none is missing.

        Parameters
        ----------
        points_mm : sequence of (3,) float arrays
        values : mapping

        Raises
        ------
        QuantityError
            If a point or an answer is missing.
        """
        if len(points_mm) < self.least:
            raise QuantityError(f"{len(points_mm)} of {self.least} points are marked", do=self.prompt(len(points_mm)))
        for ask in self.asks:
            if not str(values.get(ask.key, "")).strip():
                raise QuantityError(f"{ask.label.lower()} is missing", do='Write it with its unit, such as "1200 mm".')
        return np.array(points_mm, dtype=float), {ask.key: str(values[ask.key]).strip() for ask in self.asks}


def _way(key: str, value: Callable[[Floats, Mapping[str, str]], Any]) -> Put:
    """Put a region's way of being said."""

    def put(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
        put_way(document, region, key, value(points, values))

    return put


def _put_corner(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    put_way(document, region, "corner", {"seed": point_text(points[0]), "laps": [values["first"], values["second"]]})


def _put_inside(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    put_region_key(document, region, "seed", point_text(points[0]))


def _put_warp(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    put_region_key(document, region, "warp", [point_text(p) for p in points])


def _put_hole(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    add_member(document, region, "minus", {"outline": outline_value(points), "margin": values["margin"]})


def _put_round_hole(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    spot = {"point": point_text(points[0]), "radius": values["radius"]}
    add_member(document, region, "minus", {"spot": spot, "margin": values["margin"]})


def _put_more(document: Any, region: str, points: Floats, values: Mapping[str, str]) -> None:
    add_member(document, region, "plus", {"outline": outline_value(points)})


def _put_distance(document: Any, mesh: str, points: Floats, values: Mapping[str, str]) -> None:
    known = {"from": point_text(points[0]), "to": point_text(points[1]), "distance": values["distance"]}
    put_value(document, ["mesh", mesh, "check_distance"], known)


_ROUND = ("Click on the hull, round the area. Three points make an outline.",)
_MIDDLE = ("Click on its middle.",)
_RADIUS = Ask("radius", "Radius", "80 mm")
_MARGIN = Ask("margin", "Cloth stays clear by", "20 mm")
_FOUND = (
    Mark("outline", "Outline, point by point", _ROUND, 3, _way("outline", lambda p, v: outline_value(p)), area=True),
    Mark(
        "tape", "Tape or pen seen on the scan", ("Click on the tape.", "Click inside the area that it bounds."), 2,
        _way("tape", lambda p, v: {"colour_at": point_text(p[0]), "seed": point_text(p[1]), **v}), most=2,
        asks=(Ask("edge", "Edge of the tape", "inner", ("inner", "centre", "outer")), Ask("gap", "Breaks bridged up to", "20 mm")),
        area=True,
    ),
    Mark(
        "face", "A face, up to its creases", ("Click on the face.",), 1,
        _way("face", lambda p, v: {"seed": point_text(p[0]), **v}), most=1,
        asks=(Ask("angle", "A crease turns by at least", "30 deg"),), area=True,
    ),
    Mark(
        "corner", "A corner, cloth up both sides", ("Click near the line where both surfaces meet.",), 1, _put_corner, most=1,
        asks=(Ask("first", "Lap up the larger side", "60 mm"), Ask("second", "Lap up the other side", "40 mm")), area=True,
    ),
    Mark(
        "spot", "A round patch", _MIDDLE, 1, _way("spot", lambda p, v: {"point": point_text(p[0]), **v}), most=1,
        asks=(_RADIUS,), area=True,
    ),
    Mark("inside", "A point inside the outline", ("Click inside the area.",), 1, _put_inside, most=1),
    Mark("hole", "Take out: an outline", _ROUND, 3, _put_hole, asks=(_MARGIN,)),
    Mark("round_hole", "Take out: a round opening", _MIDDLE, 1, _put_round_hole, most=1, asks=(_RADIUS, _MARGIN)),
    Mark("more", "Add an area: an outline", _ROUND, 3, _put_more),
    Mark(
        "warp", "Warp line, two points", ("Click where the warp line begins.", "Click where it leads to."), 2, _put_warp, most=2,
    ),
    Mark(
        "distance", "Check a distance", ("Click where your tape measure began.", "Click where it ended."), 2, _put_distance, most=2,
        asks=(Ask("distance", "Measured on the boat, straight", ""),),
    ),
)  # fmt: skip
MARKS: dict[str, Mark] = {mark.key: mark for mark in _FOUND}

#: For each way a region can be said: its points, as places in its table.
_POINTS = {
    ("spot", "point"): "Its middle",
    ("face", "seed"): "On the face",
    ("corner", "seed"): "Near the corner",
    ("corner", "first"): "On the first side",
    ("tape", "colour_at"): "On the tape",
    ("tape", "seed"): "Inside the tape",
}
#: For each way a region can be said: the way in words.
SAID = {
    "outline": "an outline", "tape": "tape on the scan", "face": "a face up to its creases", "corner": "a corner",
    "drawn": "a drawing", "spot": "a round patch", "mirror_of": "the mirror image of another region",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Placed:
    """A point of the job file that is shown on the hull.

    Attributes
    ----------
    name : str
        What it is, for the list beside the hull.
    path : tuple of str or int
        Its place in the region's table.
    at_mm : (3,) float array
    """

    name: str
    path: tuple[str | int, ...]
    at_mm: Floats


def points_of(row: Mapping[str, Any]) -> list[Placed]:
    """Return the points that say where a region is; none where one of them cannot be read, which an editor has yet to mend.

    Parameters
    ----------
    row : mapping
        The region's table as plain data.
    """
    try:
        outline = row.get("outline")
        if isinstance(outline, dict):
            points = [_point(p, outline.get("unit")) for p in outline.get("points", [])]
            return [Placed(f"Point {k + 1}", ("outline", "points", k), p) for k, p in enumerate(points)]
        found = []
        for (way, key), name in _POINTS.items():
            table = row.get(way)
            if isinstance(table, dict) and key in table:
                found.append(Placed(name, (way, key), _point(table[key], None)))
        return found
    except QuantityError:
        return []


def area_points(row: Mapping[str, Any]) -> list[Placed]:
    """Return the points that say where a region's openings and added areas are; none of an area that cannot be read.

    Parameters
    ----------
    row : mapping
        The region's table as plain data.
    """
    found = []
    for key, what in (("minus", "opening"), ("plus", "added area")):
        areas = row.get(key, [])
        for number, area in enumerate(areas if isinstance(areas, list) else []):
            for point in points_of(area) if isinstance(area, dict) else []:
                name = point.name.removeprefix("Its ").capitalize()
                found.append(Placed(f"{name} of {what} {number + 1}", (key, number, *point.path), point.at_mm))
    return found


def warp_points(row: Mapping[str, Any]) -> Floats | None:
    """Return the two points of a region's warp line, (2, 3), mm; None where it is a direction or cannot be read.

    Parameters
    ----------
    row : mapping
    """
    warp = row.get("warp")
    if not isinstance(warp, list) or len(warp) != 2:
        return None
    try:
        return np.array([_point(p, None) for p in warp])
    except QuantityError:
        return None


def _point(written: object, unit: object) -> Floats:
    """A point as the job file has it: a text with its unit, or three numbers beside a unit."""
    if isinstance(written, list) and len(written) == 3 and unit in units.MM_PER:
        numbers = [float(c) for c in written if isinstance(c, int | float) and not isinstance(c, bool)]
        if len(numbers) == 3:
            return units.MM_PER[str(unit)] * np.array(numbers)
    return np.array(units.point_mm(written))
