"""A mesh file read into a surface in mm: the unit is stated or declared, never guessed."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from ..errors import MeshError, ScaleError, UnknownUnit
from ._files import Raw, read_file
from .mesh import Bools, Floats, Repair, Surface, spread_places
from .noise import smooth_surface
from .repair import repair_surface, weld

Progress = Callable[[float, str], None]

#: Millimetres in one of each unit a mesh may be in.
UNITS_MM = {"m": 1000.0, "cm": 10.0, "mm": 1.0, "in": 25.4, "ft": 304.8}
_SPELLED = {
    "metre": "m", "meter": "m", "centimetre": "cm", "centimeter": "cm", "millimetre": "mm", "millimeter": "mm",
    "inch": "in", "inche": "in", "foot": "ft", "feet": "ft",
}  # fmt: skip
_MICRON_MM = 0.001  # 3MF may declare it; nobody states it for a hull

#: A mesh that loses more than this share of its faces for want of coordinates is refused.
LOST_MOST = 0.01
LARGEST_MM, SMALLEST_MM = 100e3, 5.0
PLAUSIBLE_MM = (200.0, 60e3)


def load_surface(
    path: str | PathLike[str],
    *,
    unit: str | None = None,
    repair: bool = True,
    fill_holes_mm: float = 50.0,
    keep: str = "largest",
    flip: bool = False,
    smooth_mm: float | None = None,
    mend_spikes: bool = True,
    mend_doubled: bool = True,
    mend_steps_mm: float = 0.0,
    look: bool = True,
    progress: Progress | None = None,
) -> Surface:
    """Read a mesh file, mend it and return it in mm.

    STL, PLY, OBJ, GLB, 3MF and OFF are read; several bodies in one file are put together where the file places
    them. Coordinates keep the file's own axes: a GLB is Y-up by its standard and stays so, which the job's
    ``boat.up`` then has to say.

    Parameters
    ----------
    path : path-like
    unit : {"m", "cm", "mm", "in", "ft"}, optional
        Unit of the file. 3MF declares its own and GLB is in metres; elsewhere it must be given.
    repair : bool
        Mend the mesh (see :func:`repair_surface`). Without it nothing is touched but the corners of an STL, which
        names each one anew for every triangle and means the same point.
    fill_holes_mm : float, mm
        Holes up to this diameter (perimeter / π) are filled.
    keep : {"largest", "all"}
        Pieces to keep.
    flip : bool
        Turn the surface over after orienting it: for an open scan seen from the wrong side.
    smooth_mm : float, mm, optional
        Take out noise up to this length scale.
    mend_spikes, mend_doubled, mend_steps_mm, look
        What is done about the faults that scans have; see :func:`repair_surface`.
    progress : callable (share done, what), optional

    Returns
    -------
    Surface
        With everything that was mended in ``repairs``.

    Raises
    ------
    UnknownUnit
        The unit is neither given nor declared, or the two disagree.
    MeshError
        The file cannot be read, is cut short, has no triangles, has corners without coordinates on more than 1 %
        of them (on any, if it is not to be mended), or has a size no boat part has.
    """
    tell = progress or _quiet
    where = Path(path)
    tell(0.0, f"reading {where.name}")
    raw = read_file(where)
    surface = _to_surface(raw, where, unit, mend=repair)
    if repair:
        surface = repair_surface(
            surface,
            fill_holes_mm=fill_holes_mm,
            keep=keep,
            flip=flip,
            mend_spikes=mend_spikes,
            mend_doubled=mend_doubled,
            mend_steps_mm=mend_steps_mm,
            look=look,
            progress=lambda share, what: tell(0.4 + 0.5 * share, what),
        )
    elif flip:
        surface = Surface(surface.vertices_mm, surface.faces[:, ::-1], surface.colors, surface.repairs)
    if smooth_mm is not None:
        tell(0.9, "smoothing")
        surface = smooth_surface(surface, scale_mm=smooth_mm)
    tell(1.0, "mesh ready")
    return surface


def _quiet(share: float, what: str) -> None:
    """Take progress and show nothing."""


def _to_surface(raw: Raw, path: Path, unit: str | None, *, mend: bool) -> Surface:
    _check_faces(raw, path)
    used = np.zeros(len(raw.vertices), dtype=bool)
    used[raw.faces] = True
    bad: Bools = np.logical_not(np.isfinite(raw.vertices).all(axis=1))
    hit: Bools = np.asarray(bad[raw.faces].any(axis=1))
    few = mend and hit.sum() <= LOST_MOST * len(hit)
    if hit.any() and not few:
        raise _no_coordinates(raw, bad, used, hit, path)
    sound = used & ~bad
    box = raw.vertices[sound].max(axis=0) - raw.vertices[sound].min(axis=0)
    scale = _scale_mm(raw.declared, box, path, unit)
    _check_size(box, scale, path, unit or (raw.declared[0] if raw.declared else ""))
    return _build(raw, bad, hit, scale, path)


def _no_coordinates(raw: Raw, bad: Bools, used: Bools, hit: Bools, path: Path) -> MeshError:
    first = int(np.argmax(bad & used))
    beside = raw.vertices[np.unique(raw.faces[hit])]
    beside = beside[np.isfinite(beside).all(axis=1)]
    place = (
        "" if not len(beside) else ", next to ({:.6g}, {:.6g}, {:.6g}) in the file's unit".format(*beside[0])
    )
    return MeshError(
        f"{int((bad & used).sum())} of {int(used.sum())} vertices have no coordinates (not a number or "
        f"infinite), the first is vertex {first}{place}",
        where=str(path),
        do="Export the mesh again.",
    )


def _build(raw: Raw, bad: Bools, hit: Bools, scale: float, path: Path) -> Surface:
    v, f, c = raw.vertices * scale, raw.faces, raw.colors
    log: tuple[Repair, ...] = ()
    if hit.any():
        corners = np.unique(f[hit])
        at = spread_places(v[corners[~bad[corners]]])
        what = "faces removed, since a corner of theirs has no coordinates"
        log = (Repair(what, int(hit.sum()), 0.0, at[0] if at else None, at, "coordinates"),)
        lost = np.zeros(len(v), dtype=bool)
        lost[corners] = True
        f = f[~hit]
    if bad.any():  # scanners write such points for what they did not see
        unused = int(bad.sum()) - (int((bad & lost).sum()) if hit.any() else 0)
        at_new = np.cumsum(~bad) - 1
        v, f, c = v[~bad], at_new[f], None if c is None else c[~bad]
        if unused:
            log += (Repair("unused points without coordinates removed", unused, kind="coordinates"),)
    if path.suffix.lower() == ".stl":
        first, to = weld(v)
        v, f = v[first], to[f]
    return Surface(v, f, c, log)


def _check_faces(raw: Raw, path: Path) -> None:
    if len(raw.faces):
        return
    points = raw.points or len(raw.vertices)
    if points:
        raise MeshError(
            f"a point cloud: {points} points and no triangles",
            where=str(path),
            do="Make a mesh of it in the scanner's program and export that.",
        )
    raise MeshError("no triangles (0 faces)", where=str(path), do="Export the mesh again.")


# --- unit ------------------------------------------------------------------------------------------------------


def unit_mm(name: str) -> float:
    """Millimetres in a unit of length a mesh file may have.

    Raises
    ------
    UnknownUnit
        If the name is not one of m, cm, mm, in, ft (or those spelled out).
    """
    low = name.strip().lower()
    short = _SPELLED.get(low.removesuffix("s"), _SPELLED.get(low, low))
    if short in UNITS_MM:
        return UNITS_MM[short]
    if low.removesuffix("s") in ("micron", "micrometer", "micrometre"):
        return _MICRON_MM
    raise UnknownUnit(f"no unit of length '{name}'", do=f"Known: {', '.join(UNITS_MM)}.")


def _scale_mm(declared: tuple[str, ...], box: Floats, path: Path, unit: str | None) -> float:
    said = {unit_mm(u): u for u in reversed(declared) if u.lower() != "none"}
    if unit is None:
        if len(said) == 1:
            return next(iter(said))
        if said:
            raise _two_units(said, path)
        raise _no_unit(box, path)
    scale = unit_mm(unit)
    if said and scale not in said:
        raise UnknownUnit(
            f"the unit is stated as {unit}, but the file says {' and '.join(said.values())}",
            where=str(path),
            do="Leave the unit out to take the file's, or write the file anew in the unit it says.",
        )
    return scale


def _two_units(said: dict[float, str], path: Path) -> UnknownUnit:
    return UnknownUnit(
        f"the file says two units, {' and '.join(said.values())} (a GLB is in metres by its standard)",
        where=str(path),
        do="State which of them is true with unit.",
    )


def _no_unit(box: Floats, path: Path) -> UnknownUnit:
    low, high = PLAUSIBLE_MM
    lines = []
    for name, scale in UNITS_MM.items():
        size = " x ".join(f"{s * scale / 1000:.4g}" for s in box)
        mark = " (plausible)" if low <= box.max() * scale <= high else ""
        lines.append(f"{name}: {size} m{mark}")
    return UnknownUnit(
        f"the unit of length is not known. Read as {'; as '.join(lines)}",
        where=str(path),
        do='State it, as unit = "mm".',
    )


def _check_size(box: Floats, scale: float, path: Path, unit: str) -> None:
    largest = float(box.max()) * scale
    if SMALLEST_MM <= largest <= LARGEST_MM:
        return
    large = largest > LARGEST_MM
    limit = f"more than {LARGEST_MM / 1000:g} m" if large else f"less than {SMALLEST_MM:g} mm"
    other = "mm" if large else "m"
    taken = "millimetres taken for metres" if large else "metres taken for millimetres"
    as_said = "" if unit == "mm" else f"{box.max():.6g} {unit} = "
    raise MeshError(
        f"the largest side is {as_said}{_length(largest)}, {limit}; read as {other} it would be "
        f"{_length(float(box.max()) * UNITS_MM[other])}",
        where=str(path),
        do=f"Probably {taken}: correct the unit or write the file anew.",
    )


def _length(mm: float) -> str:
    if mm >= 1e6:
        return f"{mm / 1e6:.4g} km"
    return f"{mm / 1000:.4g} m" if mm >= 1000 else f"{mm:.4g} mm"


# --- a known distance ------------------------------------------------------------------------------------------

#: Factors by which a wrong unit throws a distance off, and what they mean.
_FACTORS = {
    1000.0: "1000 = m against mm",
    100.0: "100 = m against cm",
    10.0: "10 = cm against mm",
    25.4: "25.4 = in against mm",
    2.54: "2.54 = in against cm",
    304.8: "304.8 = ft against mm",
    30.48: "30.48 = ft against cm",
    12.0: "12 = ft against in",
    1000 / 25.4: "39.37 = m against in",
    1000 / 304.8: "3.281 = m against ft",
}


def check_distance(
    surface: Surface,
    from_mm: ArrayLike,
    to_mm: ArrayLike,
    *,
    distance_mm: float,
    tolerance: float = 0.005,
) -> float:
    """Compare a distance on the mesh with one taped on the boat: the one real proof of a scan's scale.

    Parameters
    ----------
    from_mm, to_mm : (3,) float arrays, mm
        Two points on the surface; the nearest points of the surface are taken.
    distance_mm : float, mm
        The straight distance as measured on the boat.
    tolerance : float
        Allowed share of the distance.

    Returns
    -------
    float
        Measured over stated distance, less one.

    Raises
    ------
    ScaleError
        The distance is off by more than the tolerance, or a point lies farther off the surface than 5 % of the
        stated distance.
    """
    if not (distance_mm > 0 and np.isfinite(distance_mm)):
        raise ScaleError(f"the stated distance is {distance_mm:g} mm", do="Give a length above zero.")
    asked = np.array([from_mm, to_mm], dtype=np.float64)
    found = surface.locate(asked)
    measured = float(np.linalg.norm(found.points_mm[1] - found.points_mm[0]))
    error = measured / distance_mm - 1.0
    far = int(np.argmax(found.distance_mm))
    if found.distance_mm[far] > 0.05 * distance_mm:
        raise _off_surface(surface, asked[far], float(found.distance_mm[far]), distance_mm)
    if abs(error) > tolerance:
        raise _off_scale(measured, distance_mm, tolerance, found.points_mm[0])
    return error


def _point(p: Floats) -> str:
    return f"({p[0]:.1f}, {p[1]:.1f}, {p[2]:.1f}) mm"


def _off_surface(surface: Surface, p: Floats, off_mm: float, distance_mm: float) -> ScaleError:
    size = " x ".join(f"{s:.4g}" for s in surface.size_mm)
    return ScaleError(
        f"the point lies {off_mm:.4g} mm off the surface, more than 5 % of the stated {distance_mm:.5g} mm "
        f"(the mesh is {size} mm)",
        where=_point(p),
        do="Take the points from the mesh; if they are from it, its unit is wrong.",
    )


def _off_scale(measured: float, stated: float, tolerance: float, p: Floats) -> ScaleError:
    factor = measured / stated
    turned = factor if factor > 1 else 1 / max(factor, 1e-12)
    near = [said for f, said in _FACTORS.items() if abs(turned / f - 1) < 0.05]
    hint = f"; about {near[0]}" if near else ""
    return ScaleError(
        f"the mesh measures {measured:.5g} mm where {stated:.5g} mm is stated: a factor of {factor:.5g}, and "
        f"{tolerance:.3g} of it is allowed{hint}",
        where=_point(p),
        do="Correct the unit of the mesh." if near else "Measure again, or have the scan scaled.",
    )
