"""What the page works out at once, a first look at a region within about a second, and in the end, the whole plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import shapely
from shapely import Polygon

from ..cloth.flatten import cloth_stretch, flatten, strain_of
from ..cloth.opening import holes_to_open, open_patch
from ..cloth.pieces import warp_frame
from ..errors import PlyflatError
from ..export import drawing as sheet
from ..export.drawing import draw_templates, lay_drawings, template_sets
from ..export.label import Words
from ..export.svg import svg_text
from ..job.area import RegionSpec
from ..job.model import Job
from ..job.reader import job_from_text
from ..job.table import filled
from ..placing import Placed, base_region, place
from ..planned import Plan, PlyPlan
from ..progress import Tell
from ..report.layout import side_by_side
from ..shaping import warp_way
from ..surface.coarsen import coarsen
from ..surface.mesh import Bools, Floats, Ints, Surface
from ..surface.region import Region

#: The length over which strain is averaged, as in the plan.
CLOTH_MM = 10.0
#: Triangles of a first look: enough to see a shape, few enough for a second.
LOOK_FACES = 6000
#: A first look at an outline on a mesh of more triangles is had on the part near it: within so many times the distance of
#: its farthest point from their middle, if the region then keeps clear of that part's edge by this share of it.
NEAR_FACES, NEAR, CLEAR = 200_000, 1.7, 0.05
#: That distance is rounded up to a power of the one, the middle to so much of it.
STEP, ROUND = 1.15, 0.05
#: Triangles of such a part, and how far it may stray from the mesh for having no more.
PART_FACES, PART_STRAY_MM = 20_000, 0.5
#: Layer of what a first look shows as strained beyond the limit.
OVER = "OVER"


@dataclass(frozen=True, eq=False)
class Look:
    """A region as it is found, before anything is cut.

    Attributes
    ----------
    name : str
    vertices_mm : (n, 3) float array
    faces : (m, 3) int array
    loops_mm : tuple of (k, 3) float array
        Its edges.
    area_mm2 : float
    size_mm : tuple of float
        Of the flat shape along and across the warp, pieces side by side; (0, 0) while it is not known.
    strain : float
        Share by which flat cloth would have to stretch at most, averaged over triangles' area at 99 %.
    pieces : int
        That a ring was opened into; 1 for what is none.
    note : str
        What hinders a flat shape.
    drawing : str
        SVG of the flat shape, the warp line to the right, with what strains beyond the limit; empty where there is none.
    """

    name: str
    vertices_mm: Floats
    faces: Ints
    loops_mm: tuple[Floats, ...]
    area_mm2: float
    size_mm: tuple[float, float] = (0.0, 0.0)
    strain: float = 0.0
    pieces: int = 1
    note: str = ""
    drawing: str = ""


def looks(surfaces: dict[str, Surface], text: str, folder: str, name: str) -> Iterator[Look]:
    """Find a region where the job says it is, then lay it flat roughly; each is told as soon as it is there.

    Parameters
    ----------
    surfaces : dict of str to Surface
        Meshes as they are shown, already mended.
    text : str
        Of the job file.
    folder : str
        That its files are seen from.
    name : str
        Of the region.

    Yields
    ------
    Look
        First where it lies, then with its flat shape.

    Raises
    ------
    PlyflatError
        The child that says what can be done about it.
    """
    job = job_from_text(text, folder=folder)
    specs = {spec.name: spec for spec in job.regions}
    region = _region(job, specs, specs[name], surfaces)
    loops = tuple(region.surface.vertices_mm[loop] for loop in region.loops)
    found = Look(name, region.surface.vertices_mm, region.surface.faces, loops, region.area_mm2)
    yield found
    # The first ply's limit, and no laps: where a ring is opened in the end is told by its templates.
    limit = job.cloths[specs[name].plies[0].cloth].strain_limit
    try:
        pieces = _opened(job, specs[name], coarsen(region.surface, faces=LOOK_FACES, stray_mm=np.inf).surface, limit)
        laid = [_laid(job, specs[name], piece) for piece in pieces]
    except PlyflatError as error:
        yield replace(found, note=str(error))
        return
    size, shifts = side_by_side([piece.table_mm for piece in laid])
    laid = [replace(piece, table_mm=piece.table_mm + shift) for piece, shift in zip(laid, shifts)]
    stretch, areas = (np.concatenate(q) for q in ([piece.stretch for piece in laid], [piece.surface.face_areas_mm2 for piece in laid]))
    drawn = svg_text(rough_drawing(name, laid, limit))
    yield replace(
        found, size_mm=(float(size[0]), float(size[1])), strain=strain_of(stretch, areas, limit).p99, pieces=len(laid), drawing=drawn
    )


@dataclass(frozen=True, eq=False)
class Laid:
    """A piece laid flat roughly.

    Attributes
    ----------
    surface : Surface
    table_mm : (n, 2) float array
        Where its vertices lie on the table, the warp along +x.
    stretch : (m, 2) float array
        Of its triangles.
    """

    surface: Surface
    table_mm: Floats
    stretch: Floats

    def over(self, limit: float) -> Bools:
        """Return which triangles strain beyond a limit, (m,)."""
        return np.asarray(np.abs(self.stretch - 1.0).max(axis=1) > limit)


def _opened(job: Job, spec: RegionSpec, surface: Surface, limit: float) -> tuple[Surface, ...]:
    """A region opened where the job says, or where its strain wants it."""
    if spec.pieces and holes_to_open(surface):
        return open_patch(surface, pieces=spec.pieces, forward=job.boat.forward).pieces
    seams = np.array(spec.seams_mm, dtype=float).reshape(-1, 3)
    return open_patch(surface, seams_mm=seams, most=job.limits.pieces, limit=limit, over_share=job.limits.over_share).pieces


def _laid(job: Job, spec: RegionSpec, piece: Surface) -> Laid:
    flat = flatten(piece)
    frame, _ = warp_frame(piece, flat, warp_way(job, spec))
    return Laid(piece, frame.apply(flat.uv_mm), cloth_stretch(piece, flat, length_mm=CLOTH_MM))


def rough_drawing(name: str, laid: Sequence[Laid], limit: float) -> sheet.Drawing:
    """Draw a region as it lies flat: its edge, its warp, and where cloth would strain beyond the limit.

    Parameters
    ----------
    name : str
    laid : sequence of Laid
        Its pieces, set out side by side.
    limit : float
    """
    strokes = [sheet.Stroke("NET", piece.table_mm[loop], closed=True) for piece in laid for loop in piece.surface.boundary_loops]
    beyond = [piece.table_mm[piece.surface.faces[piece.over(limit)]] for piece in laid]
    strokes += [stroke for triangles in beyond for stroke in _edges(OVER, shapely.union_all(shapely.polygons(triangles)))]
    points = np.concatenate([piece.table_mm for piece in laid])
    (x0, y0), (x1, _) = points.min(axis=0), points.max(axis=0)
    line = np.array([[x0, y0 - 20.0], [x1, y0 - 20.0]])
    strokes += [sheet.Stroke("WARP", line), sheet.Stroke("WARP", sheet.arrow_head(line[1], np.array([1.0, 0.0]), min(20.0, 0.1 * (x1 - x0))))]
    low = y0 - 40.0 - sheet.CHECK_MM
    strokes.append(sheet.Stroke("CHECK", np.array([[x0, low], [x0 + sheet.CHECK_MM, low], [x0 + sheet.CHECK_MM, low + sheet.CHECK_MM], [x0, low + sheet.CHECK_MM]]), closed=True))
    words = [Words("CHECK", "100 mm", (x0 + 20.0, low + 45.0), 10.0), Words("TEXT", "warp", (x0, y0 - 16.0), 10.0)]
    words.append(Words("TEXT", "first look, not to cut from", (x0 + sheet.CHECK_MM + 20.0, low + sheet.CHECK_MM - 20.0), 10.0))
    if any(len(triangles) for triangles in beyond):
        said = f"inside the jagged lines it strains over {100 * limit:g} %"
        words.append(Words("TEXT", said, (x0 + sheet.CHECK_MM + 20.0, low + sheet.CHECK_MM - 40.0), 10.0))
    return sheet.Drawing(f"{name}: first look", tuple(strokes), tuple(words))


def _edges(layer: str, shape: shapely.Geometry) -> list[sheet.Stroke]:
    found = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon)]
    rings = [ring for part in found for ring in (part.exterior, *part.interiors)]
    return [sheet.Stroke(layer, np.asarray(ring.coords)[:-1], closed=True) for ring in rings]


def _region(job: Job, specs: dict[str, RegionSpec], spec: RegionSpec, surfaces: dict[str, Surface]) -> Region:
    """Find a region; one that hangs on another, or on a corner, takes all that a plan takes for it."""
    spec = filled(spec, bag=None)
    if spec.corner is None and spec.mirror_of is None:
        return _near_region(job, spec, surfaces[spec.mesh]) or base_region(job, spec, surfaces[spec.mesh])
    others: dict[str, Placed] = {}
    if spec.mirror_of is not None:
        others[spec.mirror_of] = place(job, filled(specs[spec.mirror_of], bag=None), surfaces, others={})
    return place(job, spec, surfaces, others=others).base


def _near_region(job: Job, spec: RegionSpec, surface: Surface) -> Region | None:
    """Find an outline's region on a thinned copy of the part of a large mesh round it; None where that may not be enough."""
    if spec.outline_mm is None or len(surface.faces) < NEAR_FACES:
        return None
    points = np.asarray(spec.outline_mm)
    middle = points.mean(axis=0)
    # Rounded, so that the part that served before a point was moved serves after it.
    far = float(np.linalg.norm(points - middle, axis=1).max())
    if not far > 0.0:
        return None
    reach = STEP ** np.ceil(np.log(far) / np.log(STEP))
    grid = ROUND * reach
    x, y, z = (float(c) for c in grid * np.round(middle / grid))
    part = _part(surface, (x, y, z), float(NEAR * reach))
    if part is None:
        return None
    try:
        region = base_region(job, spec, part)
    except PlyflatError:
        # The whole mesh tells better what is wrong, if it is.
        return None
    ends = float(np.linalg.norm(region.surface.vertices_mm - (x, y, z), axis=1).max())
    return region if ends < (1.0 - CLEAR) * NEAR * reach else None


@lru_cache(maxsize=4)
def _part(surface: Surface, middle: tuple[float, float, float], reach_mm: float) -> Surface | None:
    """The part of a mesh within a distance of a place, thinned; None where it is most of the mesh, or no disc."""
    keep = (np.linalg.norm(surface.vertices_mm - middle, axis=1) < reach_mm)[surface.faces].all(axis=1)
    if not keep.any() or keep.mean() > 0.5:
        return None
    part = surface.sub(keep)[0]
    if len(part.boundary_loops) != 1:
        # Something stands out of it, or it is torn: which side the outline takes may hang on what lies beyond.
        return None
    return coarsen(part, faces=PART_FACES, stray_mm=PART_STRAY_MM).surface


@dataclass(frozen=True)
class PlyRow:
    """What the page says of one ply.

    Attributes
    ----------
    region, ply, cloth : str
    pieces : int
    area_m2 : float
        On the hull.
    gives : str
        How far the cloth gives: shear where it is laid by its threads, else strain.
    drawing : int
        Number of the drawing with its templates; -1 where there is none.
    """

    region: str
    ply: str
    cloth: str
    pieces: int
    area_m2: float
    gives: str
    drawing: int


@dataclass(frozen=True)
class Worked:
    """What a plan gives the page.

    Attributes
    ----------
    folder : str
        Where everything was written.
    lines : tuple of str
        The summary.
    cautions : tuple of (str, str, str)
        Where, what, what to do.
    drawings : tuple of (str, str)
        Title and SVG of each set of templates and each lay.
    plies : tuple of PlyRow
    seconds : float
    """

    folder: str
    lines: tuple[str, ...]
    cautions: tuple[tuple[str, str, str], ...]
    drawings: tuple[tuple[str, str], ...]
    plies: tuple[PlyRow, ...]
    seconds: float


def work_out(text: str, folder: str, output: str, *, progress: Tell) -> Worked:
    """Work the whole job out and write everything.

    Parameters
    ----------
    text, folder : str
        Of the job file, and what its files are seen from.
    output : str
        Folder for the results.
    progress : callable

    Raises
    ------
    PlyflatError
        The child that says what can be done about it.
    """
    import time

    from ..cli import summary
    from ..export.write import check_folder, write_plan
    from ..plan import make_plan

    start = time.monotonic()
    check_folder(output)
    plan = make_plan(job_from_text(text, folder=folder), progress=progress)
    files = write_plan(plan, output, progress=progress)
    laps = plan.job.laps
    look = sheet.Look(laps.notch_style)
    sets = list(template_sets(plan))
    drawn = [draw_templates(f"{r} / {p}", t, notch_mm=laps.notch_mm, look=look) for r, p, t in sets]
    drawn += [drawing for _, drawing in lay_drawings(plan, look=look)]
    return Worked(
        output,
        tuple(summary(plan, Path(output), len(files))),
        tuple((c.where, c.text, c.do) for c in plan.cautions),
        tuple((d.title, svg_text(d)) for d in drawn),
        _rows(plan, [(r, p) for r, p, _ in sets]),
        time.monotonic() - start,
    )


def _rows(plan: Plan, sets: Sequence[tuple[str, str]]) -> tuple[PlyRow, ...]:
    number = {of: k for k, of in enumerate(sets)}
    return tuple(
        PlyRow(
            region.name, ply.name, ply.cloth, len(ply.templates), ply.area_mm2 / 1e6, gives(ply), number.get((region.name, ply.name), -1)
        )
        for region in plan.regions
        for ply in region.plies
    )


def gives(ply: PlyPlan) -> str:
    """How far the cloth of a ply gives, against what it may."""
    if ply.by_threads:
        nets = [draped.drape for _, draped in ply.draped]
        locks = [min(net.locking.lock_deg, net.locking.lock_back_deg) for net in nets if net.locking is not None]
        at = f"; it locks at {min(locks):.0f} deg" if locks else ""
        return f"shears by up to {max(net.most_deg for net in nets):.1f} deg{at}"
    s = ply.strain
    over = f"; {100 * s.over_share:.1f} % of its area is over {100 * s.limit:g} %" if s.over_share > 0 else f"; it may {100 * s.limit:g} %"
    return f"strains by up to {100 * s.p99:.1f} % on 99 % of its area{over}"
