"""What the page works out: a first look at a region within about a second, and the whole plan."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..cloth.flatten import cloth_stretch, flatten, strain_of
from ..errors import PlyflatError
from ..export.drawing import draw_templates, lay_drawings, template_sets
from ..export.svg import svg_text
from ..job.area import RegionSpec
from ..job.model import Job
from ..job.reader import job_from_text
from ..placing import Placed, base_region, place
from ..planned import Plan, PlyPlan
from ..progress import Tell
from ..surface.coarsen import coarsen
from ..surface.mesh import Floats, Ints, Surface
from ..surface.region import Region

#: The length over which strain is averaged, as in the plan.
CLOTH_MM = 10.0
#: Triangles of a first look: enough to see a shape, few enough for a second.
LOOK_FACES = 6000


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
        Of the flat shape, warp not regarded; (0, 0) where it is no disc.
    strain : float
        Share by which flat cloth would have to stretch at most, averaged over triangles' area at 99 %.
    note : str
        What hinders a flat shape.
    """

    name: str
    vertices_mm: Floats
    faces: Ints
    loops_mm: tuple[Floats, ...]
    area_mm2: float
    size_mm: tuple[float, float] = (0.0, 0.0)
    strain: float = 0.0
    note: str = ""


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
    if not region.is_disc:
        yield replace(found, note="a ring: it is opened when the plan is worked out")
        return
    yield found
    small = coarsen(region.surface, faces=LOOK_FACES, stray_mm=np.inf).surface
    try:
        flat = flatten(small)
    except PlyflatError as error:
        yield replace(found, note=str(error))
        return
    size = np.ptp(flat.uv_mm, axis=0)
    stretch = cloth_stretch(small, flat, length_mm=CLOTH_MM)
    said = strain_of(stretch, small.face_areas_mm2, job.limits.strain)
    yield replace(found, size_mm=(float(size[0]), float(size[1])), strain=said.p99)


def _region(job: Job, specs: dict[str, RegionSpec], spec: RegionSpec, surfaces: dict[str, Surface]) -> Region:
    """Find a region; one that hangs on another, or on a corner, takes all that a plan takes for it."""
    if spec.corner is None and spec.mirror_of is None:
        return base_region(job, spec, surfaces[spec.mesh])
    others: dict[str, Placed] = {}
    if spec.mirror_of is not None:
        others[spec.mirror_of] = place(job, specs[spec.mirror_of], surfaces, others={})
    return place(job, spec, surfaces, others=others).base


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
    notch = plan.job.laps.notch_mm
    sets = list(template_sets(plan))
    drawn = [draw_templates(f"{r} / {p}", t, notch_mm=notch) for r, p, t in sets]
    drawn += [drawing for _, drawing in lay_drawings(plan)]
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
            region.name, ply.name, ply.cloth, len(ply.templates), ply.area_mm2 / 1e6, _gives(ply), number.get((region.name, ply.name), -1)
        )
        for region in plan.regions
        for ply in region.plies
    )


def _gives(ply: PlyPlan) -> str:
    """How far the cloth of a ply gives, against what it may."""
    if ply.by_threads:
        nets = [draped.drape for _, draped in ply.draped]
        locks = [min(net.locking.lock_deg, net.locking.lock_back_deg) for net in nets if net.locking is not None]
        at = f"; it locks at {min(locks):.0f} deg" if locks else ""
        return f"shears by up to {max(net.most_deg for net in nets):.1f} deg{at}"
    s = ply.strain
    over = f"; {100 * s.over_share:.1f} % of its area is over {100 * s.limit:g} %" if s.over_share > 0 else f"; it may {100 * s.limit:g} %"
    return f"strains by up to {100 * s.p99:.1f} % on 99 % of its area{over}"
