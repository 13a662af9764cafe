"""A film's own mesh over a taped area of the hull: drawn taut between the tape lines, with slack put in by pleats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import QuantityError
from ..surface._smooth import work_copy
from ..surface.coarsen import coarsen
from ..surface.cut import refine
from ..surface.mesh import Floats, Ints, Surface
from ._film_balance import Equations, Feet
from ._film_ground import MeshGround
from ._film_law import Spring
from ._film_matrix import Freedom
from ._film_mesh import as_cut, even_triangles
from ._film_solve import settle
from .film import FilmMesh, Hold
from .pleats import Pleat

# A film drawn taut: its tension over the pressure that keeps it from lifting, in widths of the area.
_TAUT = 20.0
_TAUT_TOLERANCE = 3e-3
_TAUT_STEPS, _ROUGH_STEPS = 80, 30
# Where more than this share of a cell of hull stands out through a taut film, thin edges have slipped between the places
# where it feels the hull. It is drawn anew over a hull thickened by these shares of a cell, one after the other.
_PIERCED = 0.5
_THICK = (0.5, 0.25, 0.0)
# Drawn over a deep shape the cells of a flat one come out long: in space none stays longer than so many cells.
_LONG = 1.4
_DRAFT = 1e-2
_DRAFT_CELLS = 600
# A pleat's strip is at least so many cells wide; a triangle this steep to the way across (sine) takes no part.
_STRIP = 4.0
_STEEP = 0.2


@dataclass(frozen=True)
class Ear:
    """Extra film folded in along a line: what a pleat puts in.

    Attributes
    ----------
    from_mm, to_mm : (float, float, float)
        The ends of the fold, near the hull; usually both on the tape.
    height_mm : float
        Of the fold: it holds twice as much film, all along the line.

    Raises
    ------
    QuantityError
        A height below nought or a line of no length.
    """

    from_mm: tuple[float, float, float]
    to_mm: tuple[float, float, float]
    height_mm: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.height_mm) and self.height_mm >= 0):
            raise QuantityError(f"a pleat of {self.height_mm:g} mm", do="State a height from 0 up.")
        if not np.linalg.norm(np.subtract(self.to_mm, self.from_mm)) > 0:
            raise QuantityError("a pleat's line has no length", do="Give it two ends.")


def ears_of(pleats: Sequence[Pleat]) -> tuple[Ear, ...]:
    """Return the folds that a list of pleats on the tape makes: each from its pleat to the one across its corner.

    Those that feed one corner are joined in pairs, the first round the tape with the one half of them further on; a
    fold is as high as the lower of its two. A pleat without a fellow makes no fold here.

    Parameters
    ----------
    pleats : sequence of Pleat
    """
    out = []
    for corner in sorted({one.feeds for one in pleats}):
        own = sorted((one for one in pleats if one.feeds == corner), key=lambda one: one.at_m)
        half = len(own) // 2
        out += [
            Ear(a.place_mm, b.place_mm, min(a.height_mm, b.height_mm))
            for a, b in zip(own[:half], own[half : 2 * half])
        ]
    return tuple(out)


def taut_film(
    patch: Surface, hull: Surface | None = None, *, cell_mm: float | None = None, vertices: int = 3000,
    offset_mm: float = 0.0, edge: str = "fixed",
) -> FilmMesh:  # fmt: skip
    """Return the film that is drawn taut between the tape lines round a patch and lies over all that stands in its way.

    It is cut to that shape: no part of it is stretched yet, and none has slack. Where the taut shape is not
    developable, gathers at the tape are taken to make up for it.

    Parameters
    ----------
    patch : Surface
        In one piece; the tape runs along its boundaries.
    hull : Surface, optional
        What the film may touch; the patch alone where not given.
    cell_mm : float, optional
        Side of the film's triangles.
    vertices : int
        About how many there are, where no cell is given.
    offset_mm : float
        Thickness of the stack under the film; the tape is taken to be as high.
    edge : {"fixed", "sliding"}
        Whether the tape holds the film, or lets it slide along its line.

    Returns
    -------
    FilmMesh

    Raises
    ------
    ShapeError
        The patch laid flat lies over itself, or is no patch.
    MeshError
        The cell is too large for the patch.
    """
    from ..cloth.flatten import flatten

    if edge not in ("fixed", "sliding"):
        raise ValueError(f"edge is {edge!r}; it must be 'fixed' or 'sliding'")
    # A taut film hangs from edge to edge: a coarse hull serves as well.
    patch = coarsen(quiet_surface(patch)).surface
    ground = MeshGround(patch if hull is None else coarsen(quiet_surface(hull)).surface, offset_mm=offset_mm)
    flat = flatten(patch, tolerance=_DRAFT)
    step = float(np.sqrt(patch.area_mm2 / (_DRAFT_CELLS * np.sqrt(3) / 2)))
    # Coarse, it stays on a thickened hull, so that the finer one starts outside.
    draft = _drawn(_lifted(patch, flat.uv_mm, offset_mm), step, ground, patch, _THICK[:1])
    taut = Surface(draft.points, draft.faces)
    again = flatten(taut, tolerance=_DRAFT)
    if cell_mm is None:
        cell_mm = float(np.sqrt(taut.area_mm2 / (vertices * np.sqrt(3) / 2)))
    made = _drawn(
        _Lies(draft.points, taut.faces, again.uv_mm, taut.boundary_loops), cell_mm, ground, patch, _THICK
    )
    hold = Hold.loose(len(made.points))
    for rim in made.rims:
        if edge == "fixed":
            hold = hold.fixed(rim)
        else:
            p = made.points[rim]
            hold = hold.along(rim, np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0))
    return FilmMesh(made.points, made.faces, as_cut(made.points, made.faces), hold)


def quiet_surface(surface: Surface) -> Surface:
    """Return a surface without the scan's noise, which a film would else hang from peak to peak on."""
    smooth = work_copy(surface)
    return surface if smooth is surface.vertices_mm else Surface(smooth, surface.faces)


def with_ears(mesh: FilmMesh, ears: Sequence[Ear]) -> FilmMesh:
    """Return a film with extra length put in across the lines of pleats.

    The extra is spread over a strip along each line as wide as itself, so that no cell grows to more than twice its
    length as cut.

    Parameters
    ----------
    mesh : FilmMesh
        As it lies before the pump is on: its pleats are laid from there.
    ears : sequence of Ear
    """
    if not ears:
        return mesh
    p = mesh.points_mm[mesh.faces]
    e1, e2 = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    normal = np.cross(e1, e2)
    normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    up = normal.mean(axis=0)
    # As cut, in space: a rest other than where the film lies is carried over by its own stretch.
    own = as_cut(mesh.points_mm, mesh.faces)
    if not np.allclose(own[:, 1:], _level(mesh.rest_mm)[:, 1:], atol=1e-6):
        raise QuantityError(
            "the film is stretched before its pleats are put in", do="Put pleats into a taut film."
        )
    for ear in ears:
        share, across = _shares(mesh, ear, up)
        flat = across - (normal @ across)[:, None] * normal
        size = np.linalg.norm(flat, axis=1, keepdims=True)
        flat = np.where(size > _STEEP, flat / np.maximum(size, _STEEP), 0.0)
        e1 = e1 + 2 * ear.height_mm * (share[mesh.faces[:, 1]] - share[mesh.faces[:, 0]])[:, None] * flat
        e2 = e2 + 2 * ear.height_mm * (share[mesh.faces[:, 2]] - share[mesh.faces[:, 0]])[:, None] * flat
    zero = np.zeros_like(e1)
    cut = as_cut(np.stack([zero, e1, e2], axis=1).reshape(-1, 3), np.arange(3 * len(e1)).reshape(-1, 3))
    return replace(mesh, rest_mm=cut)


def _level(rest: Floats) -> Floats:
    """Cut triangles (m, 3, 2), each with its first side along x."""
    return as_cut(
        np.concatenate([rest, np.zeros((*rest.shape[:2], 1))], axis=2).reshape(-1, 3),
        np.arange(3 * len(rest)).reshape(-1, 3),
    )


def _shares(mesh: FilmMesh, ear: Ear, up: Floats) -> tuple[Floats, Floats]:
    """Return how much of an ear's film lies on one side of each vertex, 0 to 1, and the way across it."""
    start = np.asarray(ear.from_mm)
    along = np.asarray(ear.to_mm) - start
    length = float(np.linalg.norm(along))
    across = np.cross(along / length, up)
    size = float(np.linalg.norm(across))
    if size < _STEEP:
        raise QuantityError("a pleat's line stands square to the film", do="Give it two ends along the film.")
    across = across / size
    off = mesh.points_mm - start
    width = max(2 * ear.height_mm, _STRIP * mesh.cell_mm)
    share = np.clip(off @ across / width + 0.5, 0.0, 1.0)
    # Beyond its ends a fold runs out over as much as it is wide.
    at = off @ along / length
    fade = np.clip(np.minimum(at, length - at) / width + 1.0, 0.0, 1.0)
    return share * fade, across


@dataclass(frozen=True, eq=False)
class _Lies:
    """A shape in space with its flat shape."""

    points: Floats
    faces: Ints
    flat: Floats
    loops: tuple[Ints, ...]


@dataclass(frozen=True, eq=False)
class _Drawn:
    points: Floats
    faces: Ints
    rims: tuple[Ints, ...]


def _lifted(patch: Surface, flat: Floats, offset_mm: float) -> _Lies:
    return _Lies(
        patch.vertices_mm + offset_mm * patch.vertex_normals, patch.faces, flat, patch.boundary_loops
    )


def _drawn(lies: _Lies, cell_mm: float, ground: MeshGround, patch: Surface, thick: Sequence[float]) -> _Drawn:
    """Mesh a flat shape evenly, put it where the shape lies in space, and draw it taut over the hull."""
    flat, faces, rims = _meshed(lies, cell_mm)
    points = _placed(lies, flat)
    mesh = FilmMesh(points, faces, flat[faces], Hold.loose(len(points)).fixed(np.concatenate(rims)))
    first = _tightened(mesh, ground, cell_mm, _ROUGH_STEPS)
    if not _pierced(first, faces, patch, cell_mm):
        return _Drawn(_tightened(replace(mesh, points_mm=first), ground, cell_mm, _TAUT_STEPS), faces, rims)
    for share in thick:
        if share < thick[0]:
            mesh = _shorter(points, mesh.faces, cell_mm)
        else:
            mesh = replace(mesh, points_mm=_outside(mesh, ground.thicker(share * cell_mm)))
        steps = _TAUT_STEPS if share == thick[-1] else _ROUGH_STEPS
        points = _tightened(mesh, ground.thicker(share * cell_mm), cell_mm, steps)
    return _Drawn(points, mesh.faces, Surface(points, mesh.faces).boundary_loops)


def _outside(mesh: FilmMesh, ground: MeshGround) -> Floats:
    """Return the vertices (n, 3) of a film, those within a ground moved out of it."""
    far, out = ground.look(mesh.points_mm)
    return mesh.points_mm + (np.maximum(-far, 0.0) * (mesh.hold.free > 0))[:, None] * out


def _pierced(points: Floats, faces: Ints, patch: Surface, cell_mm: float) -> bool:
    """Whether the hull stands out through a film."""
    out = MeshGround(Surface(points, faces)).look(patch.vertices_mm)[0]
    return bool(out.max() > _PIERCED * cell_mm)


def _shorter(points: Floats, faces: Ints, cell_mm: float) -> FilmMesh:
    """A film cut to the shape it has, its long sides split; held all round."""
    fine = refine(Surface(points, faces), _LONG * cell_mm).surface
    v, f = np.array(fine.vertices_mm), np.array(fine.faces)
    hold = Hold.loose(len(v)).fixed(np.concatenate(fine.boundary_loops))
    return FilmMesh(v, f, as_cut(v, f), hold)


def _tightened(mesh: FilmMesh, ground: MeshGround, cell_mm: float, steps: int) -> Floats:
    """Return where the vertices (n, 3) of a film lie that would shrink to a point."""
    points, hold = mesh.points_mm, mesh.hold
    width = float(np.linalg.norm(np.ptp(points, axis=0)))
    pressure = 1.0 / (_TAUT * width)
    freedom = Freedom(points, mesh.faces, hold.ways, hold.free)
    # Hard enough for convex edges, where the tension presses more than the air does.
    cloth = mesh.cloth(Spring(1.0))
    eq = Equations(cloth, freedom, Feet(cloth, len(points)), ground, pressure, 1.0 / cell_mm, None)
    # Told as a share of the tension over a cell, since the pressure is next to nothing.
    share = _TAUT_TOLERANCE * cell_mm / eq.scale
    return settle(eq, points, tolerance=share, most=steps, mends=False).points_mm


def _meshed(lies: _Lies, cell_mm: float) -> tuple[Floats, Ints, tuple[Ints, ...]]:
    return even_triangles([lies.flat[q] for q in lies.loops], cell_mm)


def _placed(lies: _Lies, flat: Floats) -> Floats:
    """Put points of the flat shape where the shape has them in space."""
    level = Surface(np.column_stack([lies.flat, np.zeros(len(lies.flat))]), lies.faces)
    found = level.locate(np.column_stack([flat, np.zeros(len(flat))]))
    return np.einsum("ki,kid->kd", found.weights, lies.points[lies.faces[found.face]])
