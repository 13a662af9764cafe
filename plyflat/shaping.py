"""From a grown region to the flat pieces of one ply or bag layer, as a job states them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .cloth._laps import clearances, lap_lines
from .cloth._stagger import ALIKE_MM, Staggered, stagger_seams, turn_share
from .cloth._strain import YarnStrain
from .cloth.darts import Dart, advise_cuts, dart_pieces
from .cloth.draping import Laying, Wishes
from .cloth.flatten import Flat, cloth_stretch, flatten, strain_of
from .cloth.joins import Cause, Join, Kind, Load
from .cloth.opening import Fits, Opened, Sides, holes_to_open, open_at, open_patch, round_mm, ways_to_open
from .cloth.panels import Panel
from .cloth.pieces import Frame, make_templates, piece_name, warp_frame
from .cloth.template import Strain, Template
from .errors import ShapeError
from .job.model import Job, RegionSpec
from .joining import Joinery, join_cautions, lay_panels, seam_joins, split_pieces
from .laying import lay_by_threads, laying_cautions, laying_checks, thread_stretch
from .nearness import laid_piece, patches_of, yarns_over
from .planned import PatchPlan, Piece3D
from .surface.coarsen import STRAY_MM, coarsen
from .surface.mesh import Floats, Surface
from .surface.region import Region
from .units import say_percent

#: The length over which strain is averaged before it is reported, mm: about that at which cloth feels the surface.
CLOTH_MM = 10.0
#: Each more piece that a ring is opened into must bring this share of its area within the strain limit.
WORTH_A_PIECE = 0.02
#: Ways that differ by less than this, in the same terms, count as equally good: no seam more for what noise may turn.
AS_GOOD = 0.01


@dataclass(frozen=True)
class Cut:
    """How one ply or layer is cut.

    Attributes
    ----------
    name, material : str
        For the label.
    angle_deg : float
        Of the warp to the region's warp line.
    face_up : str
        "out" or "in": where the face that is up on the table ends.
    copies : int
    limit : float
        Strain limit as a fraction.
    roll_width_mm, roll_length_mm, edge_mm : float
    lap_mm, trim_mm : float
    stagger_mm : float
        Wanted between laps of this ply and the one below; 0 where laps may lie on each other.
    may_dart : bool
        Whether the region's darts are made in it: in plies, not in layers of the bag.
    join : {"lap", "butt"}
        How its pieces meet; butts only where they run along the load.
    load : Load or None
    panels : int
        Panels each piece is laid in at least.
    threads : Wishes or None
        How its pieces are laid by their threads; None where they are flattened.
    """

    name: str
    material: str
    angle_deg: float
    face_up: str
    copies: int
    limit: float
    roll_width_mm: float
    roll_length_mm: float
    edge_mm: float
    lap_mm: float
    trim_mm: float
    stagger_mm: float = 0.0
    may_dart: bool = False
    join: Kind = "lap"
    load: Load | None = None
    panels: int = 1
    threads: Wishes | None = None


@dataclass(frozen=True, eq=False)
class Shaped:
    """The flat pieces of one ply or layer.

    Attributes
    ----------
    pieces : tuple of Piece3D
    templates : tuple of Template
    strain : Strain
        Over all pieces.
    seams_mm : tuple of (k, 3) float arrays
    splits_mm : tuple of (k, 3) float arrays
        Middles of the laps (lines of the butts) where pieces were split for the roll or in panels.
    lap_area_mm2 : float
    checks : tuple of (what, measured, limit, unit)
    cautions : tuple of (text, what to do)
    laps_mm : tuple of (k, 3) float arrays
        Centre lines of the laps along the seams, on the hull.
    starts_mm : (k, 3) float array
        Where the seams start on the rims of the openings.
    lap_clearance_mm : tuple of float
        For each ply below, the first ply first: the least distance along the surface between centre lines of laps
        of the two. What is farther off than twice the stagger is given as that.
    darts : tuple of Dart
        Cuts made beyond the seams, with what each bought.
    patches : tuple of PatchPlan
        Plies only: the parts between the seams before the cuts, and how near their flat shapes come to the best.
    yarns : YarnStrain or None
        Plies only: what is asked of warp and weft.
    joins : tuple of Join
        How the pieces meet: along seams and cuts, between panels, and where they were split for the roll.
    panels : tuple of Panel
        Lines cut on the hull to lay it in panels, with what each bought.
    layings : tuple of Laying
        Cloth that is laid by its threads: how each piece is, or why it was flattened after all.
    """

    pieces: tuple[Piece3D, ...]
    templates: tuple[Template, ...]
    strain: Strain
    seams_mm: tuple[Floats, ...]
    splits_mm: tuple[Floats, ...]
    lap_area_mm2: float
    checks: tuple[tuple[str, float, float, str], ...]
    cautions: tuple[tuple[str, str], ...]
    laps_mm: tuple[Floats, ...] = ()
    starts_mm: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    lap_clearance_mm: tuple[float, ...] = ()
    darts: tuple[Dart, ...] = ()
    patches: tuple[PatchPlan, ...] = ()
    yarns: YarnStrain | None = None
    joins: tuple[Join, ...] = ()
    panels: tuple[Panel, ...] = ()
    layings: tuple[Laying, ...] = ()


def warp_way(job: Job, spec: RegionSpec) -> Floats:
    """Return the unit vector (3,) of a region's warp line in the mesh's coordinates."""
    if spec.warp == "forward":
        return np.array(job.boat.forward)
    if spec.warp == "up":
        return np.array(job.boat.up)
    way = np.subtract(spec.warp[1], spec.warp[0])
    return way / np.linalg.norm(way)


def shape(
    job: Job,
    spec: RegionSpec,
    region: Region,
    cut: Cut,
    *,
    below: Sequence[Floats] = (),
    earlier: Sequence[Shaped] = (),
    plies: int = 1,
    seam_shift_mm: float = 0.0,
) -> Shaped:
    """Open a region, flatten its pieces, draw their templates and split what no roll is wide enough for.

    A ply that lies on others is opened so that its laps keep off theirs: equal pieces are turned on from ply to ply,
    seams placed by hand are moved on by the shift the job states, and seams chosen by strain are moved as far as the
    cloth bears (see `stagger_seams`). Where laps may lie on each other the seams of the ply below are taken again.

    Parameters
    ----------
    job : Job
    spec : RegionSpec
    region : Region
        The region as grown for this ply or layer.
    cut : Cut
    below : sequence of (k, 3) float arrays
        Seams to take again, of a ply that the caller knows; not needed with `earlier`.
    earlier : sequence of Shaped
        The plies below, the first ply first.
    plies : int
        Plies in all.
    seam_shift_mm : float
        How far seams placed by hand lie from those of the ply below along the rim of the opening, in the sense in
        which the region is on the left.

    Raises
    ------
    ShapeError
        If the region has a handle or is closed, or equal pieces would be narrower than two laps.
    FitError
        If a piece fits the roll neither whole nor split.
    SolveError, CheckError
        If flattening fails, or a template fails its check.
    """
    laid = _laid(job, spec, region, cut, below, earlier, max(plies, len(earlier) + 1), seam_shift_mm)
    opened, how = laid.opened, _joinery(job, spec, cut, earlier)
    seams = seam_joins(laid.surface, opened, how, laid.causes)
    butts = [j for j, join in enumerate(seams) if join.kind == "butt"]
    whole = _templates(job, spec, opened, laid, cut, butts)
    frames = [_frame(job, spec, cut, piece, flat) for piece, flat in zip(opened.pieces, laid.flats)]
    split = split_pieces(whole, opened.pieces, laid.flats, laid.fewest, how)
    lines = lap_lines(opened, laid.flats, cut.lap_mm, butts=butts)
    laps = tuple(line for line, cause in zip(lines, laid.causes) if cause != "panel")
    panel_laps = tuple(line for line, cause in zip(lines, laid.causes) if cause == "panel")
    joins = (*seams, *split.joins)
    clear = _clearance(laid, laps, earlier, cut)
    pieces = _pieces(laid, frames)
    return Shaped(
        pieces,
        split.templates,
        laid.strain,
        laid.seams,
        (*panel_laps, *(q.line_mm for q in split.joins)),
        sum(lap.area for t in split.templates for lap in t.laps),
        (*_checks(region, laid), *laying_checks(laid.layings)),
        (
            *_lap_cautions(laid, clear, cut),
            *_dart_advice(job, spec, laid, cut, earlier),
            *_cautions(pieces, split.templates),
            *join_cautions(joins, split, laid.panels, how),
            *laying_cautions(laid.layings),
        ),
        laps,
        laid.starts_mm,
        clear,
        laid.darts,
        _patches(job, spec, cut, laid, pieces) if cut.may_dart and not laid.by_threads else (),
        yarns_over(pieces, frames, length_mm=CLOTH_MM) if cut.may_dart else None,
        joins,
        laid.panels,
        laid.layings,
    )


def _pieces(laid: _Laid, frames: Sequence[Frame]) -> tuple[Piece3D, ...]:
    pieces = (laid_piece(*one, length_mm=CLOTH_MM) for one in zip(laid.opened.pieces, laid.flats, frames))
    if not laid.by_threads:
        return tuple(pieces)
    # What the bias gives is no strain of the cloth.
    return tuple(replace(p, strain=np.abs(s - 1.0).max(axis=1)) for p, s in zip(pieces, laid.stretch))


def _joinery(job: Job, spec: RegionSpec, cut: Cut, earlier: Sequence[Shaped]) -> Joinery:
    """Return what the pieces of a ply must keep to where they meet."""
    return Joinery(
        asked=cut.join,
        load=cut.load,
        lap_mm=cut.lap_mm,
        trim_mm=cut.trim_mm,
        stagger_mm=cut.stagger_mm,
        notch_every_mm=job.laps.notch_every_mm,
        roll_width_mm=cut.roll_width_mm,
        roll_length_mm=cut.roll_length_mm,
        edge_mm=cut.edge_mm,
        panels=cut.panels,
        warp=warp_way(job, spec),
        angle_deg=cut.angle_deg,
        face_up=cut.face_up,
        below_mm=(*earlier[-1].splits_mm, *earlier[-1].laps_mm) if earlier else (),
    )


def _frame(job: Job, spec: RegionSpec, cut: Cut, piece: Surface, flat: Flat) -> Frame:
    """Return how a flat shape lies on the table, the cloth's warp along +x."""
    return warp_frame(piece, flat, warp_way(job, spec), angle_deg=cut.angle_deg, face_up=cut.face_up)[0]


def _patches(job: Job, spec: RegionSpec, cut: Cut, laid: _Laid, pieces: Sequence[Piece3D]) -> tuple[PatchPlan, ...]:
    def frame_of(patch: Surface, flat: Flat) -> Frame:
        try:
            return _frame(job, spec, cut, patch, flat)
        except ShapeError:
            # It turned right round before it was cut: then only its size matters, not how it lies.
            return Frame(0.0, cut.face_up == "in")

    return patches_of(laid.uncut, laid.opened, pieces, frame_of=frame_of, limit=cut.limit, length_mm=CLOTH_MM)


@dataclass(frozen=True, eq=False)
class _Laid:
    """A region opened and laid flat.

    Attributes
    ----------
    surface : Surface
        What was opened.
    stretch : tuple of (m, 2) float arrays
        At the cloth's scale.
    starts_mm : (k, 3) float array
    staggered : Staggered or None
        How the seams were chosen, if with an eye to the laps below.
    seams : tuple of (k, 3) float arrays
        Without the darts.
    uncut : Opened
        Without the darts too; ``opened`` itself where there are none.
    darts : tuple of Dart
    causes : tuple of str
        What each seam of ``opened`` was made for.
    panels : tuple of Panel
    fewest : tuple of int
        For each piece the strips it is still to be split in.
    layings : tuple of Laying
        Cloth that is laid by its threads: how each piece of ``uncut`` is, or why it is not.
    """

    surface: Surface
    opened: Opened
    flats: tuple[Flat, ...]
    stretch: tuple[Floats, ...]
    strain: Strain
    stray_mm: float
    starts_mm: Floats
    staggered: Staggered | None
    seams: tuple[Floats, ...]
    uncut: Opened
    darts: tuple[Dart, ...] = ()
    causes: tuple[Cause, ...] = ()
    panels: tuple[Panel, ...] = ()
    fewest: tuple[int, ...] = ()
    layings: tuple[Laying, ...] = ()

    @property
    def by_threads(self) -> bool:
        """Whether its flat shapes come from nets of threads."""
        return bool(self.layings) and all(q.draped is not None for q in self.layings)

    @property
    def raw(self) -> tuple[Floats, ...]:
        """(m, 2) stretch of single triangles, piece by piece; along the threads where they were laid by those."""
        if not self.by_threads:
            return tuple(f.stretch for f in self.flats)
        return tuple(q.draped.along_threads for q in self.layings if q.draped is not None)


def _laid(
    job: Job,
    spec: RegionSpec,
    region: Region,
    cut: Cut,
    below: Sequence[Floats],
    earlier: Sequence[Shaped],
    plies: int,
    seam_shift_mm: float,
) -> _Laid:
    """Open a region and lay it flat."""
    coarse = coarsen(region.surface)
    surface, staggered = coarse.surface, None
    if earlier and not spec.seams_mm and not spec.pieces and len(earlier[0].starts_mm):
        opened, staggered = _beside_laps(job, spec, surface, cut, earlier, plies)
    elif below or spec.seams_mm or not spec.pieces:
        opened = _where_stated(job, spec, surface, cut, below, seam_shift_mm * len(earlier))
        if earlier and len(earlier) % 2 and seam_shift_mm == 0:
            opened = _turned(opened)
    else:
        opened = _equal(job, spec, surface, cut, len(earlier), plies)
    uncut = opened
    layings = lay_by_threads(region, uncut, cut.threads) if cut.threads is not None else ()
    if layings and all(q.draped is not None for q in layings):
        return _laid_by_threads(surface, opened, layings, cut, coarse.stray_mm, staggered)
    opened, darts = _darted(job, spec, opened, cut, earlier)
    causes: list[Cause] = ["seam" if j < len(uncut.seams) else "cut" for j in range(len(opened.seams))]
    made = lay_panels(
        opened,
        tuple(flatten(piece) for piece in opened.pieces),
        _joinery(job, spec, cut, earlier),
        limit=cut.limit,
        over_share=job.limits.over_share,
        scale_mm=CLOTH_MM,
    )
    opened, flats = made.opened, made.flats
    stretch = tuple(cloth_stretch(p, f, length_mm=CLOTH_MM) for p, f in zip(opened.pieces, flats))
    return _Laid(
        surface,
        opened,
        flats,
        stretch,
        _strain_over(opened, [f.stretch for f in flats], stretch, cut.limit),
        coarse.stray_mm,
        _starts(surface, uncut),
        staggered,
        uncut.seams,
        uncut,
        darts,
        tuple("panel" if was < 0 else causes[was] for was in made.origin),
        made.panels,
        made.fewest,
        layings,
    )


def _laid_by_threads(
    surface: Surface,
    opened: Opened,
    layings: tuple[Laying, ...],
    cut: Cut,
    stray_mm: float,
    staggered: Staggered | None,
) -> _Laid:
    """Take the flat shapes of nets: no cut within a piece is made for strain, and panels are split straight."""
    draped = [q.draped for q in layings if q.draped is not None]
    stretch = tuple(thread_stretch(d, length_mm=CLOTH_MM) for d in draped)
    causes: list[Cause] = ["seam"] * len(opened.seams)
    return _Laid(
        surface,
        opened,
        tuple(d.flat for d in draped),
        stretch,
        _strain_over(opened, [d.along_threads for d in draped], stretch, cut.limit),
        stray_mm,
        _starts(surface, opened),
        staggered,
        opened.seams,
        opened,
        causes=tuple(causes),
        fewest=(cut.panels,) * len(draped),
        layings=layings,
    )


def _darted(
    job: Job, spec: RegionSpec, opened: Opened, cut: Cut, earlier: Sequence[Shaped]
) -> tuple[Opened, tuple[Dart, ...]]:
    """Cut the pieces further where the job allows it, off the places it names and off the darts of the plies below."""
    if not (spec.darts or spec.cuts) or not cut.may_dart:
        return opened, ()
    below = [dart.line_mm for ply in earlier for dart in ply.darts]
    return dart_pieces(
        opened,
        limit=cut.limit,
        over_share=job.limits.over_share,
        most=spec.darts,
        kinds=spec.cut_kinds,
        given_mm=[np.array(q.line_mm) for q in spec.cuts if q.kind == "cut"],
        gussets_mm=[np.array(q.line_mm) for q in spec.cuts if q.kind == "gusset"],
        keep_off_mm=np.vstack([np.array(spec.keep_off_mm, dtype=float).reshape(-1, 3), *below]),
        clear_mm=max(spec.clear_mm if spec.keep_off_mm else 0.0, cut.stagger_mm if below else 0.0),
        seam_mm=cut.lap_mm,
        scale_mm=CLOTH_MM,
    )


def _dart_advice(
    job: Job, spec: RegionSpec, laid: _Laid, cut: Cut, earlier: Sequence[Shaped]
) -> Iterator[tuple[str, str]]:
    """Say what cuts would bring where a region's first ply is over the limit and no cuts are asked for."""
    asked = spec.darts or spec.cuts or not cut.may_dart
    if asked or earlier or laid.strain.over_share <= job.limits.over_share:
        return
    advice = advise_cuts(
        laid.uncut,
        limit=cut.limit,
        over_share=job.limits.over_share,
        kinds=spec.cut_kinds,
        keep_off_mm=np.array(spec.keep_off_mm, dtype=float).reshape(-1, 3),
        clear_mm=spec.clear_mm if spec.keep_off_mm else 0.0,
        seam_mm=cut.lap_mm,
        scale_mm=CLOTH_MM,
    )
    over = f"the area over {say_percent(cut.limit)}"
    if not advice.cuts:
        yield (
            f"cuts would not lessen {over}: none of those tried takes away enough for its length",
            "Open the region in more pieces, or expect to work the cloth by hand.",
        )
        return
    before, after = say_percent(advice.over_before), say_percent(advice.over_after)
    many = len(advice.cuts)
    yield (
        f"{advice.words()}, {advice.length_mm:.0f} mm in all, would bring {over} from about {before} to {after}",
        f'Write "darts = {many}" in this region to have {"them" if many > 1 else "it"} made.',
    )


def _beside_laps(
    job: Job, spec: RegionSpec, surface: Surface, cut: Cut, earlier: Sequence[Shaped], plies: int
) -> tuple[Opened, Staggered | None]:
    """Open where the laps keep off those of the plies below as far as the cloth bears."""
    holes = holes_to_open(surface)
    if not holes:
        return Opened((surface,)), None
    first = earlier[0].starts_mm
    if cut.stagger_mm <= 0:
        middles = np.array([seam[len(seam) // 2] for seam in earlier[-1].seams_mm])
        opened = _where_stated(job, spec, surface, cut, earlier[-1].seams_mm, 0.0) if len(middles) else None
        if opened is not None:
            return (_turned(opened) if len(earlier) % 2 else opened), None
    found = stagger_seams(
        surface,
        holes,
        first_mm=first,
        laps_mm=[ply.laps_mm for ply in earlier],
        most=job.limits.pieces,
        limit=cut.limit,
        over_share=job.limits.over_share,
        lap_mm=cut.lap_mm,
        stagger_mm=cut.stagger_mm,
        plies=plies,
        fits=_fits_roll(job, spec, cut),
    )
    return open_at(surface, holes, found.starts, lap_mm=cut.lap_mm), found


def _where_stated(
    job: Job, spec: RegionSpec, surface: Surface, cut: Cut, below: Sequence[Floats], shift_mm: float
) -> Opened:
    """Open at the places stated, or at the seams to take again; without either, where strain wants it."""
    wanted = spec.seams_mm or [seam[len(seam) // 2] for seam in below]
    fits = _fits_roll(job, spec, cut)
    if len(wanted):
        return open_patch(
            surface,
            seams_mm=np.array(wanted, dtype=float).reshape(-1, 3),
            most=job.limits.pieces,
            limit=cut.limit,
            over_share=job.limits.over_share,
            lap_mm=cut.lap_mm,
            shift_mm=shift_mm,
            fits=fits,
        )
    ways: list[Opened] = []
    shares: list[float] = []
    # Seams are placed on a draft; how many are worth their laps is seen on the patch itself, at the cloth's scale.
    for way in ways_to_open(surface, most=job.limits.pieces, limit=cut.limit, lap_mm=cut.lap_mm, fits=fits):
        ways.append(way)
        shares.append(_over_share(way, cut.limit))
        if shares[-1] <= job.limits.over_share:
            break
    return ways[fewest_worth([len(way.pieces) for way in ways], shares, enough=job.limits.over_share)]


def fewest_worth(pieces: Sequence[int], shares: Sequence[float], *, enough: float) -> int:
    """Return which of several ways to open a ring to take: fewer pieces unless more are clearly better.

    Parameters
    ----------
    pieces : sequence of int
    shares : sequence of float
        Of the area over the strain limit.
    enough : float
        A share that needs no bettering.

    Examples
    --------
    The fourth piece gains 1 % of the area, too little for its lap; the third 20 %.

    >>> fewest_worth([2, 3, 4], [0.3, 0.1, 0.09], enough=0.05)
    1
    """
    costs = [max(share, enough) + WORTH_A_PIECE * count for count, share in zip(pieces, shares)]
    good = [k for k, cost in enumerate(costs) if cost <= min(costs) + AS_GOOD]
    return min(good, key=lambda k: (pieces[k], costs[k]))


def _over_share(opened: Opened, limit: float) -> float:
    """Share of the area of an opened patch above the strain limit, at the cloth's scale."""
    flats = [flatten(piece) for piece in opened.pieces]
    stretch = [cloth_stretch(p, f, length_mm=CLOTH_MM) for p, f in zip(opened.pieces, flats)]
    return _strain_over(opened, [f.stretch for f in flats], stretch, limit).over_share


def _equal(job: Job, spec: RegionSpec, surface: Surface, cut: Cut, index: int, plies: int) -> Opened:
    """Open into equal pieces, turned on from the ply below."""
    holes = holes_to_open(surface)
    if not holes:
        return Opened((surface,))
    pitch = round_mm(surface, holes) / spec.pieces
    turn = turn_share(plies, pitch_mm=pitch, stagger_mm=cut.stagger_mm)
    return open_patch(
        surface, pieces=spec.pieces, turn=index * turn % 1.0, forward=job.boat.forward, lap_mm=cut.lap_mm
    )


def _fits_roll(job: Job, spec: RegionSpec, cut: Cut) -> Fits:
    """Return whether a piece with its lap and margin lies within the roll's width and length."""

    def fits(piece: Surface, flat: Flat) -> bool:
        try:
            frame, _ = warp_frame(piece, flat, warp_way(job, spec), angle_deg=cut.angle_deg)
        except ShapeError:
            # Square to the warp: it has no place on the roll yet.
            return True
        long, wide = np.ptp(frame.apply(flat.uv_mm), axis=0)
        more = cut.lap_mm + 2 * cut.trim_mm
        return bool(wide + more <= cut.roll_width_mm - 2 * cut.edge_mm and long + more <= cut.roll_length_mm)

    return fits


def _starts(surface: Surface, opened: Opened) -> Floats:
    """Return the ends of the seams that lie on the rims of openings."""
    outer = surface.vertices_mm[surface.boundary_loops[0]]
    ends = [
        seam[[0, -1]]
        for seam, side in zip(opened.seams, opened.sides)
        if not (side.left == side.right and side.left_vertices[-1] == side.right_vertices[-1])
    ]
    off = [[np.linalg.norm(outer - p, axis=1).min() for p in pair] for pair in ends]
    return np.array([pair[int(np.argmax(d))] for pair, d in zip(ends, off)]).reshape(-1, 3)


def _clearance(laid: _Laid, laps: Sequence[Floats], earlier: Sequence[Shaped], cut: Cut) -> tuple[float, ...]:
    """Measure from the laps to those of every ply below."""
    if not laps or not any(ply.laps_mm for ply in earlier):
        return ()
    most = 2 * max(cut.stagger_mm, cut.lap_mm, ALIKE_MM)
    return clearances(laid.surface, laps, [ply.laps_mm for ply in earlier], most_mm=most)


def _turned(opened: Opened) -> Opened:
    """Run every seam the other way, which puts its lap on the other piece."""
    sides = tuple(Sides(q.right, q.left, q.right_vertices[::-1], q.left_vertices[::-1]) for q in opened.sides)
    return replace(opened, seams=tuple(q[::-1] for q in opened.seams), sides=sides)


def _templates(
    job: Job, spec: RegionSpec, opened: Opened, laid: _Laid, cut: Cut, butts: Sequence[int]
) -> list[Template]:
    made = make_templates(
        opened,
        laid.flats,
        region=spec.name,
        ply=cut.name,
        material=cut.material,
        warp=warp_way(job, spec),
        angle_deg=cut.angle_deg,
        face_up=cut.face_up,
        forward=job.boat.forward,
        up=job.boat.up,
        lap_mm=cut.lap_mm,
        trim_mm=cut.trim_mm,
        notch_every_mm=job.laps.notch_every_mm,
        limit=cut.limit,
        copies=cut.copies,
        butts=butts,
    )
    strains = (
        strain_of(s, piece.face_areas_mm2, cut.limit, raw=raw, scale_mm=CLOTH_MM)
        for piece, raw, s in zip(opened.pieces, laid.raw, laid.stretch)
    )
    return [replace(template, strain=strain) for template, strain in zip(made, strains)]


def _strain_over(opened: Opened, raw: Sequence[Floats], stretch: Sequence[Floats], limit: float) -> Strain:
    areas = np.concatenate([s.face_areas_mm2 for s in opened.pieces])
    return strain_of(np.concatenate(stretch), areas, limit, raw=np.concatenate(raw), scale_mm=CLOTH_MM)


def _checks(region: Region, laid: _Laid) -> Iterator[tuple[str, float, float, str]]:
    yield "triangles turned over in the flat", float(sum(f.flipped.sum() for f in laid.flats)), 0.0, ""
    lost = abs(sum(s.area_mm2 for s in laid.opened.pieces) / region.area_mm2 - 1.0)
    yield "area of the pieces against the region", lost, 1e-3, ""
    yield "coarse mesh that was laid flat strays from the mended one by", laid.stray_mm, STRAY_MM, "mm"


def _lap_cautions(laid: _Laid, clear: Sequence[float], cut: Cut) -> Iterator[tuple[str, str]]:
    """Say how far laps are from those below where that is less than the stagger."""
    if len(laid.opened.seams) and cut.copies > 1 and cut.stagger_mm > 0:
        text = f"its {cut.copies} copies have their laps on one another"
        yield text, "State it as so many plies: then each gets seams of its own."
    if not clear or min(clear) >= cut.stagger_mm - ALIKE_MM:
        return
    near = [f"{d:.0f} mm from those of P{i + 1}" for i, d in enumerate(clear) if d < cut.stagger_mm - ALIKE_MM]
    text = f"its laps lie {' and '.join(near)}, where {cut.stagger_mm:.0f} mm are asked for"
    found = laid.staggered
    if found is not None and found.refused_share is not None:
        text += (
            f"; of {found.tried} ways to place the seams those that reach it would have "
            f"{say_percent(found.refused_share)} of the area give more than {say_percent(cut.limit)}"
        )
    elif found is not None:
        text += f"; {found.tried} ways to place the seams were tried"
    yield text, "Lessen laps.stagger, allow more pieces, or place the seams yourself."


def _cautions(pieces: Sequence[Piece3D], templates: Sequence[Template]) -> Iterator[tuple[str, str]]:
    for k, piece in enumerate(pieces):
        if piece.flat.overlaps:
            yield (
                f"piece {piece_name(k)} lies over itself when it is flat, by {piece.flat.overlap_mm2:.0f} mm2{_met(piece)}",
                "Open the region in more places (limits.pieces, or seams); the strain map marks the place with a cross.",
            )
    turning = max(t.warp_spread_deg for t in templates)
    if turning > 10.0:
        text = f"the warp turns by up to {turning:.0f} deg from the stated line over a piece"
        yield text, "State more seams, or accept the turn: fibres follow the cloth."


def _met(piece: Piece3D) -> str:
    """Name the places on the hull that come to lie on one another, where that is worst."""
    worst = piece.overlaps_mm[0] if piece.overlaps_mm else ()
    places = [f"({x:.0f}, {y:.0f}, {z:.0f})" for x, y, z in worst]
    return f"; the hull at {' and at '.join(places)} mm comes to lie there" if places else ""
