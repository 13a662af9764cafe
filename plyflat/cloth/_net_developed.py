"""The net of a piece that lies flat without strain: its threads are straight lines there, and none of them shears.

A net that is laid node by node has to find its way round the tip of a cone and behind it, where threads from the start
do not reach. Where the piece is developable there is nothing to find: the flattened piece is the cloth.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from ..surface.mesh import Bools, Floats, Ints
from ._generators import straight
from ._net import BEYOND, ON, SKIRT, Net, Start
from ._net_bed import Bed
from ._net_ground import NONE, unit
from ._net_lay import Laid, spacing_of
from ._net_read import Cells, Reading
from .flatten import Flat, flatten

#: Curvature of the whole above which a piece is not asked, degrees.
MOST_CURVED_DEG = 20.0
#: Shear that may be left, as the strain of a flattened piece says it, over all but this share of the area.
STRAIN_DEG, STRAINED_SHARE = 0.5, 0.01
#: A bar longer or shorter than this share leads over a gap of the flat piece.
BAR = 0.1


def developed(bed: Bed) -> Flat | None:
    """Return a piece laid flat on its evened copy, or None where that strains it.

    Parameters
    ----------
    bed : Bed
        Of a disc.
    """
    inner = np.ones(len(bed.points), dtype=bool)
    inner[np.concatenate(bed.patch.boundary_loops)] = False
    if abs(np.degrees(bed.missing_angle[inner].sum())) > MOST_CURVED_DEG:
        return None
    flat = flatten(bed.evened)
    strained = np.degrees(np.log(flat.stretch[:, 0] / flat.stretch[:, 1])) > STRAIN_DEG
    areas = bed.evened.face_areas_mm2
    if flat.overlap_mm2 > 0.0 and flat.overlap_mm2 > STRAINED_SHARE * areas.sum():
        return None
    return None if areas[strained].sum() > STRAINED_SHARE * areas.sum() else flat


def lay_developed(bed: Bed, start: Start, flat: Flat) -> Laid:
    """Return the net of a piece whose flat shape is known.

    Parameters
    ----------
    bed : Bed
        Of the piece alone.
    start : Start
        On it; the weft is square to the warp.
    flat : Flat
        From `developed`.
    """
    f, points = bed.patch.faces, bed.points
    at = int(np.flatnonzero(bed.face == start.face)[0])
    to_flat = _maps(points, f, flat.uv_mm)
    zero = flat.uv_mm[f[at, 0]] + to_flat[at] @ (start.point - points[f[at, 0]])
    along = to_flat[at] @ start.warp
    c, s = along / np.hypot(*along)
    uv = (flat.uv_mm - zero) @ np.array([[c, -s], [s, c]])
    way = _threads(points, f, uv)
    sheared = np.degrees(np.arcsin(np.clip((way[0] * way[1]).sum(axis=1), -1, 1)))
    areas = bed.evened.face_areas_mm2
    ways = (unit(_spread(way[0], areas, bed)), unit(_spread(way[1], areas, bed)))
    shear = (_spread(sheared[:, None], areas, bed) / _spread(np.ones((len(f), 1)), areas, bed))[:, 0]
    net, which = _net(bed, uv, spacing_of(bed, 0.5 * float(np.ptp(uv, axis=0).sum())))
    place = uv / net.spacing_mm + np.array(net.origin)
    cell = np.clip(np.floor(place).astype(np.int64), 0, np.array(net.state.shape) - 2)
    all_of = np.ones(len(uv), dtype=bool)
    reading = Reading(uv, all_of, all_of, shear, cell, np.clip(place - cell, 0.0, 1.0))
    return Laid(
        bed, start, straight(), net, _Cells(net, sheared[which]), reading, np.arange(len(uv)), bed.vertex_areas, ways=ways
    )


def _maps(points: Floats, f: Ints, uv: Floats) -> Floats:
    """(m, 2, 3) how flat places change with places in the triangles' planes."""
    e = np.stack([points[f[:, k]] - points[f[:, 0]] for k in (1, 2)], axis=1)
    d = np.stack([uv[f[:, k]] - uv[f[:, 0]] for k in (1, 2)], axis=1)
    return np.asarray(np.einsum("mkc,mkd->mcd", d, np.linalg.pinv(e).transpose(0, 2, 1)))


def _threads(points: Floats, f: Ints, uv: Floats) -> tuple[Floats, Floats]:
    """(m, 3) unit vectors along warp and weft in the triangles."""
    e = np.stack([points[f[:, k]] - points[f[:, 0]] for k in (1, 2)], axis=2)
    d = np.stack([uv[f[:, k]] - uv[f[:, 0]] for k in (1, 2)], axis=2)
    turned = e @ np.linalg.inv(d)
    return unit(turned[:, :, 0]), unit(turned[:, :, 1])


def _spread(field: Floats, areas: Floats, bed: Bed) -> Floats:
    """(n, c) sums at the vertices of what the triangles about them have, by area."""
    total = np.zeros((len(bed.points), field.shape[1]))
    for k in range(3):
        np.add.at(total, bed.patch.faces[:, k], areas[:, None] * field)
    return total


class _Cells(Cells):
    """Cells whose shear is that of the flattened triangles: chords over a cone's tip would not say it."""

    def __init__(self, net: Net, node_shear: Floats) -> None:
        super().__init__(net)
        self._of_nodes = node_shear

    @cached_property
    def shear(self) -> Floats:
        """(a - 1, b - 1) shear at the middle of each cell, degrees; 0 where there is none."""
        q = self._of_nodes
        return np.where(self.whole, 0.25 * (q[1:, 1:] + q[:-1, 1:] + q[1:, :-1] + q[:-1, :-1]), 0.0)


def _net(bed: Bed, uv: Floats, h: float) -> tuple[Net, Ints]:
    """A square net in the flat, its nodes carried to the surface, beyond the outline straight on a little; their triangles."""
    import igl

    f = bed.patch.faces
    low, high = (np.floor(uv.min(axis=0) / h) - SKIRT).astype(np.int64), (np.ceil(uv.max(axis=0) / h) + SKIRT).astype(np.int64)
    size = high - low + 1
    at = h * (np.stack(np.meshgrid(*(np.arange(n) for n in size), indexing="ij"), axis=-1).reshape(-1, 2) + low)
    plane = np.column_stack([uv, np.zeros(len(uv))])
    square, which, _ = igl.point_mesh_squared_distance(np.column_stack([at, np.zeros(len(at))]), plane, f)
    which = np.asarray(which, dtype=np.int64).ravel()
    corner = f[which]
    e = np.stack([uv[corner[:, k]] - uv[corner[:, 0]] for k in (1, 2)], axis=2)
    share = np.linalg.solve(e, (at - uv[corner[:, 0]])[..., None])[..., 0]
    weight = np.column_stack([1 - share.sum(axis=1), share])
    points = np.einsum("ki,kij->kj", weight, bed.points[corner])
    normals = unit(np.einsum("ki,kij->kj", np.clip(weight, 0, 1), bed.normals[corner]))
    far = np.sqrt(np.asarray(square).ravel())
    state = np.where(far < 1e-6 * h, ON, np.where(far < SKIRT * h, BEYOND, NONE)).astype(np.int8)
    shape = (int(size[0]), int(size[1]))
    points = points.reshape(*shape, 3)
    state = state.reshape(shape)
    state[_across_gaps(points, np.asarray(state == ON), h)] = NONE
    origin = (-int(low[0]), -int(low[1]))
    which = which.reshape(shape)
    return Net(points, normals.reshape(*shape, 3), bed.face[which], state, state == BEYOND, origin, h), which


def _across_gaps(points: Floats, on: Bools, h: float) -> Bools:
    """(a, b) nodes with a bar that leads over a gap of the flat piece to its other side."""
    out = np.zeros(on.shape, dtype=bool)
    for axis in (0, 1):
        bar = np.linalg.norm(np.diff(points, axis=axis), axis=2)
        one, two = [slice(None)] * 2, [slice(None)] * 2
        one[axis], two[axis] = slice(None, -1), slice(1, None)
        torn = on[tuple(one)] & on[tuple(two)] & (np.abs(bar / h - 1.0) > BAR)
        out[tuple(one)] |= torn
        out[tuple(two)] |= torn
    return out
