"""Checks between tables of a job file, on the file as read, so that they speak even where a table has other faults."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from .. import units
from . import forms
from .at_hand import at_hand_faults
from .day import TIMES_AT
from .drape import cloth_faults, is_draped
from .projector import LEAST_FREE

Fault = tuple[tuple[str | int, ...], str]
_LAYERS = {
    "peel_ply": ("peel ply", "25 mm"),
    "release_film": ("release film", "40 mm"),
    "breather": ("breather", "75 mm"),
    "tape": ("sealant tape", "100 mm"),
    "film": ("bag film", ""),
}
AREA_WAYS = ("outline", "tape", "face", "drawn", "spot")
REGION_WAYS = (*AREA_WAYS, "corner", "mirror_of")
_KINDS = [kind for kind, _ in _LAYERS.values()]


def across(data: dict[str, Any]) -> list[Fault]:
    """Return the faults between tables: (key path, text) each.

    Parameters
    ----------
    data : dict
        The job file as read, before its values are turned.
    """
    checks = (_names, _regions, _cloths, _consumables, _bags, _resin, _times, _boat, _distances, _prices, _notches, _first, _projectors)
    return [fault for check in checks for fault in check(data)]


def did_you_mean(given: object, known: Iterable[str]) -> str:
    """Return "; did you mean 'x'?" for the closest known name, or an empty text."""
    names = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(str(given).casefold(), names, n=1, cutoff=0.6)
    return f"; did you mean '{names[close[0]]}'?" if close else ""


def currencies(data: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield (key path, currency) of every price."""
    rows: list[tuple[tuple[str, ...], dict[str, Any]]]
    rows = [((kind, name), row) for kind in ("cloth", "consumable") for name, row in _tables(data, kind)]
    rows.append((("resin",), _table(data, "resin")))
    for path, row in rows:
        found = units.currency_of(row.get("price"))
        if found:
            yield (*path, "price"), found
    for key in ("filler_price", "paint_price"):
        found = units.currency_of(_table(data, "finish").get(key))
        if found:
            yield ("finish", key), found
    found = units.currency_of(_table(data, "waste").get("reusable_price"))
    if found:
        yield ("waste", "reusable_price"), found


def _table(data: dict[str, Any], key: str) -> dict[str, Any]:
    found = data.get(key)
    return found if isinstance(found, dict) else {}


def _tables(data: dict[str, Any], key: str) -> list[tuple[str, dict[str, Any]]]:
    return [(name, row) for name, row in _table(data, key).items() if isinstance(row, dict)]


def _rows(data: dict[str, Any], key: str) -> list[tuple[int, dict[str, Any]]]:
    found = data.get(key)
    rows = found if isinstance(found, list | tuple) else []
    return [(k, row) for k, row in enumerate(rows) if isinstance(row, dict)]


def _value(row: dict[str, Any], key: str, read: Callable[[Any], Any], default: object = None) -> Any:
    """Read one value, or None where it is absent or faulty: its own fault is told elsewhere."""
    given = row.get(key, default)
    try:
        return None if given is None else read(given)
    except ValueError:
        return None


def _known(given: object, known: Iterable[str], what: str, where: tuple[str | int, ...]) -> Iterator[Fault]:
    names = list(known)
    if isinstance(given, str) and given not in names:
        there = f" (there is {', '.join(map(repr, names))})" if names else f" (no {what} is stated at all)"
        yield where, f"no {what} '{given}'{did_you_mean(given, names) or there}"


def _names(data: dict[str, Any]) -> Iterator[Fault]:
    for kind in ("mesh", "cloth", "consumable", "bag"):
        for name in _table(data, kind):
            fault = forms.name_fault(name)
            if fault:
                yield (kind, name), fault
    for name in _table(data, "consumable"):
        if name in _table(data, "cloth"):
            yield ("consumable", name), f"the name '{name}' is that of a cloth too; every material needs its own"


def _regions(data: dict[str, Any]) -> Iterator[Fault]:
    seen: dict[str, int] = {}
    for k, row in _rows(data, "region"):
        where = ("region", k)
        name = row.get("name")
        if isinstance(name, str) and seen.setdefault(name.casefold(), k) != k:
            first = seen[name.casefold()] + 1
            yield (*where, "name"), f"'{name}' is the name of region[{first}] already; file names would clash"
        yield from _known(row.get("mesh"), _table(data, "mesh"), "mesh", (*where, "mesh"))
        yield from _known(row.get("bag"), _table(data, "bag"), "bag", (*where, "bag"))
        yield from _area(row, REGION_WAYS, where)
        for key in ("plus", "minus"):
            for n, area in _rows(row, key):
                yield from _area(area, AREA_WAYS, (*where, key, n))
        if "ports" in row and "bag" not in row:
            yield (*where, "ports"), "the region has no bag for them to stand in; state its bag"
        if row.get("warp") == "corner" and "corner" not in row and "mirror_of" not in row:
            yield (*where, "warp"), "the warp runs along the corner, and the region is no corner"
        yield from _steps(row, where)
        yield from _mirror(row, _rows(data, "region"), where)
        yield from _unused(row, where)
        laid = [_table(data, "cloth").get(str(ply.get("cloth"))) for _, ply in _rows(row, "ply")]
        if "drape" in row and laid and not any(isinstance(c, dict) and is_draped(c) for c in laid):
            yield (*where, "drape"), "none of its plies is of a cloth that is laid by its threads; state the cloth's weave"
        yield from _joins(row, where)
        for n, ply in _rows(row, "ply"):
            yield from _known(ply.get("cloth"), _table(data, "cloth"), "cloth", (*where, "ply", n, "cloth"))
            if "laps" in ply and "corner" not in row and "mirror_of" not in row:
                yield (*where, "ply", n, "laps"), "laps belong to a corner; use grow to move an outline"


def _projectors(data: dict[str, Any]) -> Iterator[Fault]:
    """A datum lies on a mesh; a projector shows a region of the job, and marks enough fix where it looks."""
    names = [str(row.get("name")) for _, row in _rows(data, "region")]
    for k, row in _rows(data, "datum"):
        yield from _known(row.get("mesh"), _table(data, "mesh"), "mesh", ("datum", k, "mesh"))
    for k, row in _rows(data, "projector"):
        yield from _known(row.get("region"), names, "region", ("projector", k, "region"))
        marks = row.get("mark")
        if isinstance(marks, list | tuple) and "stands" not in row and 4 <= len(marks) < LEAST_FREE:
            yield ("projector", k, "mark"), (
                f"{len(marks)} marks are too few where it is not stated where the lens stands; state stands, or pick {LEAST_FREE} or more"
            )


def _joins(row: dict[str, Any], where: tuple[str | int, ...]) -> Iterator[Fault]:
    """A butt must not lie across the load, so the load must be known."""
    if "mirror_of" in row:
        return
    why = "a butt may not run across the load; state load, as \"forward\" or an angle to the warp line"
    plies = [ply for _, ply in _rows(row, "ply")]
    if row.get("join") == "butt" and "load" not in row and not (plies and all("load" in ply or ply.get("join") == "lap" for ply in plies)):
        yield (*where, "join"), why
        return
    for n, ply in _rows(row, "ply"):
        if ply.get("join") == "butt" and "load" not in ply and "load" not in row:
            yield (*where, "ply", n, "join"), why


def _unused(row: dict[str, Any], where: tuple[str | int, ...]) -> Iterator[Fault]:
    """What a region states and nothing would come of is a fault, not silence."""
    other = next((key for key in ("corner", "mirror_of") if key in row), None)
    stated = [key for key in ("plus", "split") if row.get(key)]
    stated += ["round"] if _value(row, "round", units.length_mm) else []
    for key in stated if other else ():
        yield (*where, key), f"it changes an outline, and the region is said by {other}"
    if row.get("pieces") and row.get("seams"):
        yield (*where, "pieces"), "seams are placed by hand too; state either"


def _one_of(row: dict[str, Any], keys: Sequence[str], where: tuple[str | int, ...]) -> Iterator[Fault]:
    """Exactly one of some keys is stated."""
    found = [key for key in keys if key in row]
    if len(found) != 1:
        listed = f"{', '.join(keys[:-1])} and {keys[-1]}"
        said = f"{' and '.join(found)} are {'both' if len(found) == 2 else 'all'} stated" if found else "none is stated"
        yield where, f"{said}; state exactly one of {listed}"


def _area(row: dict[str, Any], ways: Sequence[str], where: tuple[str | int, ...]) -> Iterator[Fault]:
    """An area is said in one way, and so are the tape and the drawing in it."""
    yield from _one_of(row, ways, where)
    if "seen_from" in row and "outline" not in row:
        yield (*where, "seen_from"), "it joins the points of an outline, and there is none"
    if "seed" in row and "outline" not in row:
        yield (*where, "seed"), "it tells the sides of an outline apart, and there is none"
    if isinstance(row.get("tape"), dict):
        yield from _one_of(row["tape"], ("colour", "colour_at"), (*where, "tape"))
    if isinstance(row.get("drawn"), dict):
        drawn = row["drawn"]
        yield from _one_of(drawn, ("file", "outline"), (*where, "drawn"))
        x, y = _value(drawn, "x", forms.VECTOR.read), _value(drawn, "y", forms.VECTOR.read)
        if x and y and abs(sum(a * b for a, b in zip(x, y))) > 1e-6:
            yield (*where, "drawn"), "x and y of the drawing are not square to each other"


def _steps(row: dict[str, Any], where: tuple[str | int, ...]) -> Iterator[Fault]:
    steps = row.get("steps")
    if isinstance(steps, dict):
        yield from _one_of(steps, ("step", "taper"), (*where, "steps"))


def _mirror(
    row: dict[str, Any], regions: list[tuple[int, dict[str, Any]]], where: tuple[str | int, ...]
) -> Iterator[Fault]:
    """A mirror image is that of a region which is no mirror image itself; only it may go without plies."""
    other = row.get("mirror_of")
    if other is None:
        if "ply" not in row:
            yield (*where, "ply"), "it is missing; state the plies, the first laid first"
        return
    named: dict[str, dict[str, Any]] = {str(r.get("name")): r for _, r in regions if r is not row}
    yield from _known(other, named, "region", (*where, "mirror_of"))
    if isinstance(other, str) and "mirror_of" in named.get(other, {}):
        yield (*where, "mirror_of"), f"'{other}' is a mirror image itself; name the region it is made from"


def _cloths(data: dict[str, Any]) -> Iterator[Fault]:
    lay = _table(data, "lay")
    for name, row in _tables(data, "cloth"):
        if row.get("fibre") == "other" and "fibre_density" not in row:
            yield ("cloth", name), "fibre_density is missing; fibre 'other' has none of its own"
        yield from _edges(row, row.get("edge", lay.get("edge", "10 mm")), ("cloth", name))
        yield from cloth_faults(row, ("cloth", name))
        yield from at_hand_faults(row, ("cloth", name))
    for name, row in _tables(data, "consumable"):
        yield from at_hand_faults(row, ("consumable", name))
        if row.get("kind") != "sealant tape":
            yield from _edges(row, lay.get("edge", "10 mm"), ("consumable", name))


def _edges(row: dict[str, Any], edge: object, where: tuple[str, ...]) -> Iterator[Fault]:
    width = _value(row, "roll_width", units.length_mm)
    edge_mm = _value({"edge": edge}, "edge", units.length_mm)
    if width is not None and edge_mm is not None and 2 * edge_mm >= width:
        yield (*where, "roll_width"), (
            f"two edges of {units.text_mm(edge_mm)} leave nothing of a roll {units.text_mm(width)} wide"
        )


def _consumables(data: dict[str, Any]) -> Iterator[Fault]:
    sheet, line = ("areal_weight", "roll_width"), ("mass_per_length",)
    for name, row in _tables(data, "consumable"):
        kind = row.get("kind")
        if kind not in _KINDS:
            continue
        tape = kind == "sealant tape"
        for key in () if tape else sheet:
            if key not in row:
                yield ("consumable", name), f"{key} is missing; a {kind} needs it"
        for key in (*sheet, "turns", "at_hand") if tape else line:
            if key in row:
                yield ("consumable", name, key), f"{key} makes no sense for a {kind}; leave it out"


def _bags(data: dict[str, Any]) -> Iterator[Fault]:
    materials = _table(data, "consumable")
    for name, bag in _tables(data, "bag"):
        for key, (kind, _) in _LAYERS.items():
            layer = _table(bag, key)
            given = layer.get("material")
            where = ("bag", name, key, "material")
            fits = [m for m, row in _tables(data, "consumable") if row.get("kind") == kind]
            if isinstance(given, str) and given not in materials:
                yield from _known(given, fits or list(materials), "consumable", where)
            elif isinstance(given, str) and given not in fits:
                found = _table(materials, given).get("kind")
                if found in _KINDS:
                    yield where, f"'{given}' is {found}, but this layer takes {kind}"
        yield from _margins(bag, ("bag", name))
        film = _table(bag, "film")
        if "girth" in film and film.get("cut") != "envelope":
            yield ("bag", name, "film", "girth"), 'it belongs to a pouch round the part; state cut = "envelope", or leave it out'
        yield from _drawn(film, materials.get(str(film.get("material"))), ("bag", name, "film"))
        for k, row in _rows(bag, "hollow"):
            radius, wall = (_value(row, key, units.length_mm) for key in ("radius", "wall"))
            if radius is not None and wall is not None and wall > radius:
                yield ("bag", name, "hollow", k, "wall"), (
                    f"a wall of {units.text_mm(wall)} is more than the radius of {units.text_mm(radius)} to its middle; that is no hollow tube. "
                    "Check both"
                )


def _drawn(film: dict[str, Any], roll: object, where: tuple[str, ...]) -> Iterator[Fault]:
    """A film that is pulled to its break before it draws at all has a wrong figure."""
    own = roll if isinstance(roll, dict) else {}
    if "gives" in own and "stiffness" in own:
        gives, stiff = (_value(own, key, units.force_per_length_n_mm) for key in ("gives", "stiffness"))
        said = "gives and stiffness of its material"
    elif "gives" in own or "stiffness" in own:
        return
    else:
        gives, stiff = (_value(film, key, units.stress_mpa, default) for key, default in (("yield", "35 MPa"), ("modulus", "700 MPa")))
        said = "yield and modulus"
    breaks = film.get("breaks_at", 3.0)
    if not gives or not stiff or isinstance(breaks, bool) or not isinstance(breaks, int | float) or breaks <= 1.0:
        return
    if 1.0 + gives / stiff >= breaks:
        yield (*where, "yield" if "yield" in film else "material"), (
            f"by {said} the film is {1 + gives / stiff:.2f} times its length when it begins to draw, and it breaks at {breaks:g} times. "
            "Check them and breaks_at"
        )


def _margins(bag: dict[str, Any], where: tuple[str, ...]) -> Iterator[Fault]:
    """Each layer must reach at least as far as the one below it."""
    below = ("", 0.0)
    for key, (_, default) in _LAYERS.items():
        if not default or not isinstance(bag.get(key), dict):
            continue
        margin = _value(bag[key], "margin", units.length_mm, default)
        if margin is None:
            continue
        if margin < below[1]:
            yield (*where, key, "margin"), (
                f"{key} reaches {units.text_mm(margin)} beyond the ply, less than {below[0]} below it with "
                f"{units.text_mm(below[1])}"
            )
        below = max(below, (key, margin), key=lambda layer: layer[1])


def _resin(data: dict[str, Any]) -> Iterator[Fault]:
    row = _table(data, "resin")
    final, wet = _value(row, "fibre_mass_fraction", units.fraction), _value(row, "wet_out", units.fraction)
    if final is not None and wet is not None and wet > final:
        yield ("resin", "wet_out"), (
            f"{units.text_fraction(wet)} fibre when wetted out is above the final {units.text_fraction(final)}; the bag "
            "presses resin out, not in"
        )


def _times(data: dict[str, Any]) -> Iterator[Fault]:
    """Warmer resin is quicker: a longer time at a higher temperature is a slip of the pen."""
    for table, key in (("resin", "pot_life"), ("resin", "open_time"), ("cure", "full"), ("cure", "off")):
        points = sorted(_value(_table(data, table), key, TIMES_AT.read) or (), key=lambda point: point[1])
        for (long_s, cool_c), (short_s, warm_c) in zip(points, points[1:]):
            if warm_c - cool_c < 1.0 or short_s >= long_s:
                yield (table, key), (
                    f"{units.text_s(short_s)} at {units.text_c(warm_c)} is not shorter than {units.text_s(long_s)} at "
                    f"{units.text_c(cool_c)}; resin sets faster where it is warmer"
                )


def _boat(data: dict[str, Any]) -> Iterator[Fault]:
    row = _table(data, "boat")
    forward = _value(row, "forward", forms.VECTOR.read, [1, 0, 0])
    up = _value(row, "up", forms.VECTOR.read, [0, 0, 1])
    if forward and up:
        angle = math.degrees(math.acos(min(abs(sum(a * b for a, b in zip(forward, up))), 1.0)))
        if angle < 10.0:
            yield ("boat",), f"forward and up are {angle:.1f} deg from one line; they should be about square"


def _distances(data: dict[str, Any]) -> Iterator[Fault]:
    for name, mesh in _tables(data, "mesh"):
        row = _table(mesh, "check_distance")
        a, b = _value(row, "from", units.point_mm), _value(row, "to", units.point_mm)
        if a and b and math.dist(a, b) < 1.0:
            yield ("mesh", name, "check_distance"), "from and to are less than 1 mm apart"


def _prices(data: dict[str, Any]) -> Iterator[Fault]:
    found = list(currencies(data))
    wanted = data.get("currency") or (found[0][1] if found else None)
    source = "the job counts in" if data.get("currency") else "the first price is in"
    for where, currency in found:
        if currency != wanted:
            yield where, f"a price in {currency}, but {source} {wanted}"


def _notches(data: dict[str, Any]) -> Iterator[Fault]:
    row = _table(data, "laps")
    every = _value(row, "notch_every", units.length_mm, "150 mm")
    size = _value(row, "notch", units.length_mm, "6 mm")
    if every is not None and size is not None and size >= every:
        yield ("laps", "notch"), f"a notch of {units.text_mm(size)} does not fit in every {units.text_mm(every)}"


def _first(data: dict[str, Any]) -> Iterator[Fault]:
    """What is cut first must be there."""
    first = _table(data, "lay").get("first", ())
    names = {str(row.get("name")): row for row in data.get("region", ()) if isinstance(row, dict)}
    for k, name in enumerate(first if isinstance(first, list) else ()):
        yield from _known(name, names, "region", ("lay", "first", k))
