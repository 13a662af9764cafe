"""What the plies below do to the shape of the next: they move the surface it lies on, and so the lengths over bends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from .job.area import RegionSpec
from .job.model import Job
from .shop.resin import thickness_mm
from .surface._smooth import carry_copy, work_copy
from .surface.mesh import Floats, Surface
from .surface.offset import lengths_changed, move_outward
from .surface.region import Region
from .units import say_percent

#: The shape of a ply allows for those below where they change a length across it by more than this, mm, or by more than
#: this share. Figures of ours: by hand cloth is cut to half a millimetre at best.
MATTERS_MM, MATTERS_SHARE = 0.5, 0.002
#: A ply comes down from the edge of one below over so many thicknesses of that, and over no less than this, mm.
RAMP, LEAST_RAMP_MM = 3.0, 1.0
#: Two meshes of the same hull lie this near to each other, mm.
SAME_MM = 0.05


@dataclass(frozen=True, eq=False)
class Lying:
    """How a ply lies on those below it.

    Attributes
    ----------
    region : Region
        What it is shaped on: its region of the hull, moved outward where that matters.
    below_mm : float
        Thickness of the plies below it, where it is greatest.
    change_mm : float
        The most by which they change a length across it.
    change_share : float
        The most as a share of the length.
    grown : bool
        Whether its shape allows for that.
    short_mm : float
        How much of the thickness is left out where a hollow is too narrow for it.
    narrow_at_mm : tuple of float or None
        A place where a hollow is narrower than the plies are thick.
    """

    region: Region
    below_mm: float = 0.0
    change_mm: float = 0.0
    change_share: float = 0.0
    grown: bool = False
    short_mm: float = 0.0
    narrow_at_mm: tuple[float, float, float] | None = None


def cloth_thickness_mm(job: Job, cloth: str) -> float:
    """Return the thickness of a cloth in the finished laminate, mm: as stated, or by its mass and that of the resin.

    Parameters
    ----------
    job : Job
        Without resin half of the mass is taken to be fibre.
    cloth : str
        Name of one of its cloths.
    """
    c = job.cloths[cloth]
    if c.thickness_mm is not None:
        return c.thickness_mm
    psi = job.resin.fibre_mass_fraction if job.resin else 0.5
    density = job.resin.density_g_cm3 if job.resin else 1.15
    return thickness_mm(
        c.areal_weight_g_m2, psi, fibre_density_g_cm3=c.fibre_density_g_cm3, resin_density_g_cm3=density
    )


def lie_on(job: Job, spec: RegionSpec, plies: Sequence[Region]) -> tuple[Lying, ...]:
    """Return how each ply of a region lies on those below.

    A ply that is laid several times is cut by what lies under the middle one. Half of its own thickness is left out.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    plies : sequence of Region
        On the hull, the first laid first.
    """
    each = [cloth_thickness_mm(job, ply.cloth) for ply in spec.plies]
    out = []
    for k, region in enumerate(plies):
        own = 0.5 * (spec.plies[k].copies - 1) * each[k]
        below = [(plies[j], spec.plies[j].copies * each[j]) for j in range(k)]
        out.append(_lying(region, below, own, spec.stack))
    return tuple(out)


def _lying(region: Region, below: Sequence[tuple[Region, float]], own_mm: float, stack: str) -> Lying:
    if not below and own_mm == 0:
        return Lying(region)
    near = _near(region, [q for q, _ in below] or [region])
    part, vertex_of = region.parent.sub(near)
    walk = work_copy(region.parent)
    carry_copy(region.parent, part, walk[vertex_of])
    thick = np.full(len(vertex_of), own_mm)
    for ply, t in below:
        thick += t * _cover(ply.surface, part.vertices_mm, max(RAMP * t, LEAST_RAMP_MM))
    moved = move_outward(part, thick)
    moves = np.zeros_like(region.parent.vertices_mm)
    moves[vertex_of] = moved.moves_mm
    grown = _moved_region(region, moves)
    change, share = lengths_changed(region.surface, grown.surface.vertices_mm)
    most = float(np.max(_at(region, vertex_of, thick), initial=0.0))
    if stack == "never" or (stack != "always" and change <= MATTERS_MM and share <= MATTERS_SHARE):
        return Lying(region, most, change, share)
    return Lying(grown, most, change, share, True, moved.short_mm, moved.narrow_at_mm)


def _at(region: Region, vertex_of: np.ndarray, thick: Floats) -> Floats:
    """Thickness at the vertices of a ply."""
    all_of_them = np.zeros(len(region.parent.vertices_mm))
    all_of_them[vertex_of] = thick
    return all_of_them[region.vertex_of]


def _near(region: Region, below: Sequence[Region]) -> np.ndarray:
    """(m,) faces of a ply's hull in the box about the ply and those below, with some to spare."""
    points = np.vstack([region.surface.vertices_mm, *(q.surface.vertices_mm for q in below)])
    more = 4 * region.parent.mean_edge_mm + 20.0
    v = region.parent.vertices_mm
    inside = ((v > points.min(axis=0) - more) & (v < points.max(axis=0) + more)).all(axis=1)
    return np.asarray(inside[region.parent.faces].any(axis=1))


def _cover(ply: Surface, points: Floats, ramp_mm: float) -> Floats:
    """(k,) 1 on a ply, down to 0 over a ramp beyond its edge."""
    off = ply.locate(points).distance_mm
    return np.clip(1.0 - (off - SAME_MM) / ramp_mm, 0.0, 1.0)


def _moved_region(region: Region, moves: Floats) -> Region:
    """The same region on its hull with the vertices moved."""
    parent = region.parent
    new = Surface(parent.vertices_mm + moves, parent.faces, parent.colors, parent.repairs)
    walk = work_copy(parent)
    carry_copy(parent, new, walk + moves)
    patch = Surface(
        region.surface.vertices_mm + moves[region.vertex_of], region.surface.faces, region.surface.colors, region.surface.repairs
    )
    carry_copy(region.surface, patch, work_copy(region.surface) + moves[region.vertex_of])
    return Region(
        patch, region.loops, new, region.inside, region.vertex_of, region.name, region.short_mm, region.short_at_mm,
        region.lost_at_mm,
    )  # fmt: skip


def lying_words(lying: Lying) -> str:
    """Say what the plies below do to a ply's shape; nothing of one that lies on the hull.

    Parameters
    ----------
    lying : Lying
    """
    if lying.below_mm == 0:
        return ""
    change = f"{lying.change_mm:.1f} mm" if lying.change_mm >= 0.05 else "less than 0.1 mm"
    by = f"they change lengths across it by {change} at most ({say_percent(lying.change_share)} at most)"
    done = "its shape allows for that" if lying.grown else "which its shape leaves out"
    return f"it lies on {lying.below_mm:.2f} mm of plies: {by}, {'and ' if lying.grown else ''}{done}"


def lying_cautions(lying: Lying) -> Iterator[tuple[str, str]]:
    """Yield (text, what to do) where a hollow is too narrow for the plies below.

    Parameters
    ----------
    lying : Lying
    """
    if not lying.grown or (lying.narrow_at_mm is None and lying.short_mm <= MATTERS_MM):
        return
    at = ""
    if lying.narrow_at_mm is not None:
        x, y, z = lying.narrow_at_mm
        at = f", near ({x:.0f}, {y:.0f}, {z:.0f}) mm"
    yield (
        f"a hollow is narrower than the {lying.below_mm:.1f} mm of plies in it{at}: lengths across it may come out too long "
        f"by some {0.5 * lying.below_mm:.1f} mm",
        "Round the hollow with putty first, or expect to trim there.",
    )
