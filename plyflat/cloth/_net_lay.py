"""A net laid over a whole patch: how far its threads must run, found with a coarse net first."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..errors import ShapeError, SolveError
from ..surface.mesh import Bools, Floats, Ints
from ._generators import POWER, Steering, straight
from ._net import ON, Net, Plan, Start, grow
from ._net_bed import Bed
from ._net_read import Cells, Reading, joined, node_tangents, read
from ._patch import place_text

#: Bars of the coarse net from the start to the farthest place, and how much farther it may run than the way there.
COARSE, RUN, RUN_MORE = 20, 1.2, 2.0
#: Coarse cells added about those that are needed.
MARGIN = 2
#: Bars across the whole net where no spacing is asked for, at most and at least; edges to a bar; the least spacing, mm.
FINE, FINE_LEAST, EDGES, FINEST_MM = 120, 90, 3.0, 1.0
#: What leaving all of a ply bare would cost, degrees; a hundredth of it for each hundredth of the area.
BARE_DEG = 300.0
#: Share of what is looked up that the coarse net must cover for its extent to be relied on.
SURE = 0.9
MOST_NODES = 5_000_000
#: A part of a net that lies over itself is read with what is so many bars about it.
ABOUT_BARS = 6.0


@dataclass(frozen=True, eq=False)
class Laid:
    """A net over a patch and what it says at all of its vertices, or at some (`at`) with the areas about them.

    Behind a cut the net may have been laid anew: `parts` are then all nets, the first one before the rest, each with the
    vertices that are its own, and the reading is that of all of them. `shift_mm` is where the net's zero lies in the flat
    piece, `own` which of its nodes belong to it. `ways` are the threads'
    directions where they do not come from the net.
    """

    bed: Bed
    start: Start
    steering: Steering
    net: Net
    cells: Cells
    reading: Reading
    at: Ints
    areas: Floats
    shift_mm: tuple[float, float] = (0.0, 0.0)
    own: Bools | None = None
    parts: tuple[Laid, ...] = ()
    ways: tuple[Floats, Floats] | None = None

    @property
    def nets(self) -> tuple[Laid, ...]:
        """All nets, or this one alone."""
        return self.parts or (self,)

    @cached_property
    def cover(self) -> float:
        """Share of the patch's area that is covered."""
        w = self.areas
        return float(w @ self.reading.covered / w.sum())

    def norm_deg(self, power: float = 8.0) -> float:
        """Area mean of |shear|^power, its power root taken, over what is covered."""
        w = self.areas * self.reading.covered
        g = np.abs(self.reading.shear_deg)
        most = float(g[self.reading.covered].max(initial=0.0))
        if most < 1e-9 or w.sum() <= 0:
            return 0.0
        return most * float((w @ (g / most) ** power / w.sum()) ** (1 / power))

    @cached_property
    def on_patch(self) -> Bools:
        """(a, b) nodes that stand on the patch itself, in this net's own part of it."""
        if self.parts:
            return self.parts[0].on_patch
        on = (self.net.state == ON) & self.bed.inside[self.net.face]
        return np.asarray(on if self.own is None else on & self.own)

    def tangents(self, axis: int) -> Floats:
        """(n, 3) directions of the threads along warp (axis 0) or weft (axis 1) where the net was read; not all of length 1."""
        if self.ways is not None:
            return self.ways[axis]
        if not self.parts:
            return self.reading.blend(node_tangents(self.net, axis)[0])
        out = np.zeros((len(self.at), 3))
        for part in self.parts:
            out[part.at] = part.tangents(axis)
        return out


def score(laid: Laid, power: float = POWER) -> float:
    """Rate a net: the power mean of its shear, and a penalty for what is left bare; less is better."""
    return laid.norm_deg(power) + BARE_DEG * (1.0 - laid.cover)


def lay(bed: Bed, start: Start, steering: Steering | None = None, *, spacing_mm: float | None = None) -> Laid:
    """Lay a net that reaches all of the patch, as far as that can be.

    Parameters
    ----------
    bed : Bed
    start : Start
    steering : Steering, optional
        Geodesics without.
    spacing_mm : float, optional

    Raises
    ------
    ShapeError
        A spacing wider than the patch, or so fine that the net would have too many nodes.
    SolveError
        Not one cell could be laid.
    """
    steering = straight() if steering is None else steering
    far = bed.farthest_mm(start)
    if spacing_mm is not None:
        _check_spacing(spacing_mm, far, bed, start)
    coarse = _net(bed, start, steering, far / COARSE, _square(int(np.ceil(RUN * COARSE))), None)
    reach_mm, wanted = _needed(bed, coarse, far)
    h = spacing_mm or spacing_of(bed, float(reach_mm.sum()) / 2)
    reach = np.ceil(reach_mm / h - 1e-9).astype(np.int64)
    _check_nodes(reach, h, start)
    mask = None if wanted is None else _refined(wanted, coarse, reach, h)
    laid = _laid(bed, start, steering, _net(bed, start, steering, h, reach, mask))
    if mask is not None and laid.cover < 1.0 - 1e-9:
        # The coarse net may have misled; threads that run on freely may come back.
        free = np.maximum(reach, int(np.ceil(RUN * far / h)))
        if (2 * free[0] + 1) ** 2 <= MOST_NODES:
            other = _laid(bed, start, steering, _net(bed, start, steering, h, free, None))
            laid = other if other.cover > laid.cover + 1e-9 else laid
    return laid


def spacing_of(bed: Bed, wide_mm: float) -> float:
    """Return the spacing where none is asked for: a 120th of the net's width.

    On a coarse mesh some edges, since a finer net sees its unevenness, but a 90th.
    """
    return max(wide_mm / FINE, min(wide_mm / FINE_LEAST, EDGES * bed.evened.mean_edge_mm), FINEST_MM)


def lay_coarse(
    bed: Bed, start: Start, steering: Steering | None = None, *, spacing_mm: float, far_mm: float | None = None
) -> Laid:
    """Lay a net of a given spacing in one go and look at some of the patch's vertices only; for trying out.

    Parameters
    ----------
    bed : Bed
    start : Start
    steering : Steering, optional
    spacing_mm : float
    far_mm : float, optional
        Way along the patch to the farthest place, where it is known.
    """
    steering = straight() if steering is None else steering
    far = bed.farthest_mm(start) if far_mm is None else far_mm
    reach = _square(int(np.ceil(RUN * far / spacing_mm)))
    _check_nodes(reach, spacing_mm, start)
    return _laid(bed, start, steering, _net(bed, start, steering, spacing_mm, reach, None, rough=True), rough=True)


def _net(
    bed: Bed, start: Start, steering: Steering, h: float, reach: Ints, wanted: Bools | None, *, rough: bool = False
) -> Net:
    right, left, up, down = (int(r) for r in reach)
    return grow(bed.ground, start, Plan(
        h, (right, left, up, down), wanted, steering.warp, steering.weft, arcs=bed.ground.curved, rough=rough
    ))


def _laid(bed: Bed, start: Start, steering: Steering, net: Net, *, rough: bool = False) -> Laid:
    cells = Cells(net, bed.ground)
    at, areas = bed.sample if rough else (np.arange(len(bed.points)), bed.vertex_areas)
    reading = read_at(bed, cells, at)
    if reading is None:
        raise SolveError(
            "no cell of the net could be laid about the start", where=place_text(start.point),
            do="Start farther from edges and folds of the surface, or give a narrower spacing.",
        )
    return Laid(bed, start, steering, net, cells, reading, at, areas)


def moved(laid: Laid, bed: Bed) -> Laid:
    """Read a net that has been laid at the vertices of another patch on the same ground.

    Raises
    ------
    SolveError
        The net has no cell there, or was laid anew behind a cut.
    """
    if laid.parts:
        raise SolveError("the net is in several parts, each side of a cut by itself", do="Lay it anew.")
    at = np.arange(len(bed.points))
    reading = read_at(bed, laid.cells, at)
    if reading is None:
        raise SolveError("the net has no cell", where=place_text(laid.start.point), do="Lay it anew.")
    return Laid(bed, laid.start, laid.steering, laid.net, laid.cells, reading, at, bed.vertex_areas)


def read_at(bed: Bed, cells: Cells, at: Ints) -> Reading | None:
    """Read a net at some of the patch's vertices; part by part where it may lie over itself."""
    points, normals = bed.patch.vertices_mm, bed.normals
    parts = bed.parts(ABOUT_BARS * cells.net.spacing_mm)
    if not parts:
        return read(cells, points[at], normals[at])
    place = np.full(len(points), -1, dtype=np.int64)
    place[at] = np.arange(len(at))
    found = []
    for vertices, faces in parts:
        own = vertices[place[vertices] >= 0]
        part = read(cells, points[own], normals[own], among=cells.net.there & faces[cells.net.face]) if len(own) else None
        if part is not None:
            found.append((place[own], part))
    return joined(found, len(at)) if found else None


def _square(reach: int) -> Ints:
    return np.full(4, reach, dtype=np.int64)


def _check_spacing(spacing_mm: float, far: float, bed: Bed, start: Start) -> None:
    if not (np.isfinite(spacing_mm) and spacing_mm > 0):
        raise ShapeError(f"the spacing is {spacing_mm:g} mm", do="Give a length above zero.")
    if spacing_mm > 0.5 * far:
        raise ShapeError(
            f"the net's spacing of {spacing_mm:g} mm is too wide for a ply that reaches {far:.0f} mm from the start",
            where=place_text(start.point), do=f"Give a spacing of {far / 20:.2g} mm or less.",
        )
    # No net can do with fewer nodes than it has cells on the patch.
    if bed.patch.area_mm2 / spacing_mm**2 > MOST_NODES:
        least = np.sqrt(bed.patch.area_mm2 / MOST_NODES)
        raise ShapeError(
            f"a spacing of {spacing_mm:g} mm needs over {MOST_NODES / 1e6:g} million nodes",
            where=place_text(start.point), do=f"Give a spacing above {1.5 * least:.2g} mm.",
        )


def _check_nodes(reach: Ints, h: float, start: Start) -> None:
    count = (int(reach[0] + reach[1]) + 1) * (int(reach[2] + reach[3]) + 1)
    if count > MOST_NODES:
        raise ShapeError(
            f"a spacing of {h:g} mm needs {count / 1e6:.1f} million nodes (at most {MOST_NODES / 1e6:g})",
            where=place_text(start.point), do=f"Give a spacing above {h * np.sqrt(count / MOST_NODES):.2g} mm.",
        )


def _needed(bed: Bed, coarse: Net, far: float) -> tuple[Floats, Bools | None]:
    """How far the threads must run to the four sides, mm, and which coarse nodes are needed; None: all of them."""
    pick, _ = bed.sample
    found = read_at(bed, Cells(coarse), pick)
    if found is None:
        return np.full(4, RUN * far), None
    if found.covered.mean() < SURE:
        on_edge = _touches_end(coarse, bed)
        return np.full(4, (RUN_MORE if on_edge else RUN) * far), None
    cell: Ints = np.floor(found.uv_mm / coarse.spacing_mm).astype(np.int64) + np.array(coarse.origin)
    need: Bools = np.zeros(coarse.state.shape, dtype=bool)
    rows, cols = need.shape
    for i in range(-MARGIN, MARGIN + 2):
        for j in range(-MARGIN, MARGIN + 2):
            a = np.clip(cell[:, 0] + i, 0, rows - 1)
            b = np.clip(cell[:, 1] + j, 0, cols - 1)
            need[a, b] = True
    need = _towards_start(need, coarse.origin)
    at = np.argwhere(need) - np.array(coarse.origin)
    high, low = at.max(axis=0), -at.min(axis=0)
    return coarse.spacing_mm * np.array([high[0], low[0], high[1], low[1]], dtype=np.float64), need


def _touches_end(net: Net, bed: Bed) -> bool:
    """Whether a thread was still on the patch where it was told to end."""
    on = (net.state == ON) & bed.inside[net.face]
    return bool(on[0].any() or on[-1].any() or on[:, 0].any() or on[:, -1].any())


def _towards_start(need: Bools, origin: tuple[int, int]) -> Bools:
    """Add all nodes between needed ones and the start."""
    out = need.copy()
    i, j = origin
    for a in (slice(i, None), slice(i, None, -1)):
        for b in (slice(j, None), slice(j, None, -1)):
            part = need[a, b][::-1, ::-1]
            full = np.logical_or.accumulate(np.logical_or.accumulate(part, axis=0), axis=1)
            out[a, b] |= full[::-1, ::-1]
    return out


def _refined(need: Bools, coarse: Net, reach: Ints, h: float) -> Bools:
    """The same nodes of a finer net."""
    right, left, up, down = (int(r) for r in reach)
    take = []
    for low, high, zero, size in ((left, right, coarse.origin[0], need.shape[0]),
                                  (down, up, coarse.origin[1], need.shape[1])):
        at = np.arange(-low, high + 1) * (h / coarse.spacing_mm)
        # Outward, so that what lies between two coarse nodes belongs to the outer one.
        take.append(np.clip(np.sign(at) * np.ceil(np.abs(at) - 1e-9) + zero, 0, size - 1).astype(np.int64))
    return need[np.ix_(*take)]
