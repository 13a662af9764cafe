"""What a region's plies and film do, as shades on the hull: strain or shear with the threads, and how far the film stands off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..export.threads import thread_runs
from ..report.bag import TOUCHED
from ..report.hull import scale_top
from ..report.scene import corner_values, thinned
from ..report.style import MAP
from ..surface.mesh import Floats, Ints, Surface
from ..units import say_percent

if TYPE_CHECKING:
    from ..cloth.drape import Drape
    from ..planned import BagReach, PlyPlan

#: Triangles of a shade: as many as the hull has while it is turned.
MOST_FACES = 30_000
#: Colours of the scale that the legend is made from, and of the one that the hull is shaded with.
STOPS, COLOURS = 9, 256
#: Ends of the scale of shear, deg.
_ENDS_DEG = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0)


@dataclass(frozen=True, eq=False)
class Shade:
    """A value at every vertex of a part of the hull, and what is drawn with it.

    Attributes
    ----------
    name : str
        As it is chosen on the page.
    words : str
        What the colours say, with the largest value.
    unit : str
    vertices_mm : (n, 3) float array
    faces : (m, 3) int array
    values : (n,) float array
    top : float
        Value at the end of the scale, which begins at nought.
    limit : float or None
        What is beyond it is outlined.
    thick_mm, thin_mm : tuple of (k, 3) float arrays
        Lines over it: first threads or tape, and threads.
    dots : tuple of (str, (3,) float array)
        Numbers at places.
    """

    name: str
    words: str
    unit: str
    vertices_mm: Floats
    faces: Ints
    values: Floats
    top: float
    limit: float | None = None
    thick_mm: tuple[Floats, ...] = ()
    thin_mm: tuple[Floats, ...] = ()
    dots: tuple[tuple[str, Floats], ...] = ()

    @property
    def legend(self) -> dict[str, Any]:
        """What the page tells beside the hull."""
        from matplotlib import colormaps
        from matplotlib.colors import to_hex

        stops = ", ".join(to_hex(colormaps[MAP](share)) for share in np.linspace(0.0, 1.0, STOPS))
        at = None if self.limit is None or self.limit > self.top else round(100.0 * self.limit / self.top, 1)
        return {"stops": stops, "top": f"{self.top:.3g} {self.unit}", "at": at, "limit": "" if at is None else f"{self.limit:.3g} {self.unit}", "words": self.words}


def ply_shades(plies: Sequence[PlyPlan]) -> Iterator[Shade]:
    """Yield how far each ply gives: its shear and threads where it is laid by them, else its strain.

    Parameters
    ----------
    plies : sequence of PlyPlan
    """
    for ply in plies:
        yield _sheared(ply) if ply.by_threads else _strained(ply)


def _strained(ply: PlyPlan) -> Shade:
    s = ply.strain
    surface, values = _joined([(p.surface, corner_values(p.surface, p.strain)) for p in ply.pieces])
    words = f"Strain of {ply.name}, flattened: at most {say_percent(s.largest)}, 99 % of the area below {say_percent(s.p99)}."
    return Shade(
        f"{ply.name}: strain", words, "%", surface.vertices_mm, surface.faces, 100.0 * values,
        100.0 * scale_top(s.largest, s.limit), 100.0 * s.limit,
    )  # fmt: skip


def _sheared(ply: PlyPlan) -> Shade:
    nets = [draped.drape for _, draped in ply.draped]
    surface, values = _joined([(net.surface, np.abs(net.shear_deg)) for net in nets])
    most = max(net.most_deg for net in nets)
    locks = [min(net.locking.lock_deg, net.locking.lock_back_deg) for net in nets if net.locking is not None]
    lock = min(locks) if locks else None
    told = f"; it locks at {lock:.0f} deg" if lock is not None else ""
    thick, thin = _threads(nets)
    return Shade(
        f"{ply.name}: shear and threads", f"Shear of {ply.name}, laid by its threads: at most {most:.1f} deg{told}. The thick lines are its first threads.", "deg",
        surface.vertices_mm, surface.faces, values, next(e for e in _ENDS_DEG if e >= min(most, _ENDS_DEG[-1])), lock, thick, thin,
    )  # fmt: skip


def _threads(nets: Sequence[Drape]) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    """The first threads of nets, and others."""
    runs = [run for net in nets for axis in (0, 1) for run in thread_runs(net, axis)]
    return tuple(r.points_mm for r in runs if r.first), tuple(r.points_mm for r in runs if not r.first)


def film_shade(reach: BagReach) -> Shade:
    """Return how far a film without slack stands off, with the tape and the pleats.

    Parameters
    ----------
    reach : BagReach
    """
    gap, limit, spots = reach.bridging.gap_mm, reach.limit_mm, reach.bridging.spots
    found = f"at most {spots[0].depth_mm:.1f} mm" if spots else f"nowhere by more than {limit:g} mm"
    # What the film touches is left to the hull's own shading.
    off = gap[reach.surface.faces].mean(axis=1) > TOUCHED * limit
    part, at = reach.surface.sub(off if off.any() else np.ones_like(off))
    surface, values = _joined([(part, gap[at])])
    numbered = " Numbers are pleats, white lines the tape." if reach.pleats else " The white line is the tape."
    return Shade(
        "film: how far it stands off", f"A film drawn taut stands off: {found}.{numbered}", "mm", surface.vertices_mm, surface.faces, values,
        max(1.4 * limit, min(float(gap.max()), 6.0 * limit)), limit, tuple(np.concatenate([t, t[:1]]) for t in reach.tapes_mm), (),
        tuple((str(p.number), np.array(p.place_mm)) for p in reach.pleats),
    )  # fmt: skip


def _joined(parts: Sequence[tuple[Surface, Floats]]) -> tuple[Surface, Floats]:
    """Parts with a value at each vertex as one, light enough to be turned."""
    most = MOST_FACES // max(len(parts), 1)
    light = [(small, values if small is surface else _carried(surface, values, small)) for surface, values in parts for small in (thinned(surface, most=most),)]
    start = np.cumsum([0, *(len(small.vertices_mm) for small, _ in light)])
    vertices = np.concatenate([small.vertices_mm for small, _ in light])
    faces = np.concatenate([small.faces + s for (small, _), s in zip(light, start)])
    return Surface(vertices, faces), np.concatenate([values for _, values in light])


def _carried(surface: Surface, values: Floats, small: Surface) -> Floats:
    """Values read where the vertices of a thinner copy lie on the surface."""
    found = surface.locate(small.vertices_mm)
    return np.asarray((found.weights * values[surface.faces[found.face]]).sum(axis=1))
