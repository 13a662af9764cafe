"""From a grown region to the flat pieces of one ply or bag layer, as a job states them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from .cloth._laps import clearances, lap_lines
from .cloth._stagger import ALIKE_MM, Staggered, stagger_seams, turn_share
from .cloth._strain import YarnStrain
from .cloth.darts import Dart, advise_cuts, dart_pieces
from .cloth.draped import Draped
from .cloth.draping import Laying, Wishes
from .cloth.flatten import Flat, cloth_stretch, flatten, strain_of
from .cloth.joins import Cause, Join, Kind, Load
from .cloth.opening import Fits, Opened, Sides, holes_to_open, open_at, open_patch, round_mm, ways_to_open
from .cloth.panels import Panel
from .cloth.pieces import Frame, make_templates, piece_name, warp_frame
from .cloth.template import Strain, Template
from .errors import ShapeError
from .job.area import CutSpec
from .job.model import Job, RegionSpec
from .joining import Joinery, join_cautions, lay_panels, seam_joins, split_pieces
from .laying import Loom, laying_cautions, laying_checks, thread_stretch
from .nearness import laid_piece, patches_of, yarns_over
from .planned import PatchPlan, Piece3D
from .surface.coarsen import STRAY_MM, Coarse, coarsen
from .surface.mesh import Floats, Surface
from .surface.region import Region
from .units import say_percent
from .woven import Asked, Woven, panel_words, propose_darts, weave

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
        Cloth that is laid by its threads: how each piece is, or why it was flattened after all; else none.
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
    laps, panel_laps = _laps(laid, cut, butts)
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
            *laid.notes,
        ),
        laps,
        laid.starts_mm,
        clear,
        laid.darts,
        _patches(job, spec, cut, laid, pieces) if cut.may_dart else (),
        yarns_over(pieces, frames, length_mm=CLOTH_MM) if cut.may_dart else None,
        joins,
        laid.panels,
        laid.layings,
    )


def _laps(laid: _Laid, cut: Cut, butts: Sequence[int]) -> tuple[tuple[Floats, ...], tuple[Floats, ...]]:
    """Return the centre lines of the laps along seams and cuts, and of those between panels."""
    lines = lap_lines(laid.opened, laid.flats, cut.lap_mm, butts=butts)
    panels = tuple(line for line, cause in zip(lines, laid.causes) if cause == "panel")
    return tuple(line for line, cause in zip(lines, laid.causes) if cause != "panel"), panels


def _pieces(laid: _Laid, frames: Sequence[Frame]) -> tuple[Piece3D, ...]:
    pieces = (laid_piece(*one, length_mm=CLOTH_MM) for one in zip(laid.opened.pieces, laid.flats, frames))
    # Where threads keep their lengths, what the bias gives is no strain of the cloth.
    return tuple(
        p if draped is None else replace(p, strain=np.abs(s - 1.0).max(axis=1))
        for p, s, draped in zip(pieces, laid.stretch, laid.draped)
    )


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
        """How a patch lies on the roll."""
        try:
            return _frame(job, spec, cut, patch, flat)
        except ShapeError:
            # It turned right round before it was cut: then only its size matters, not how it lies.
            return Frame(0.0, cut.face_up == "in")

    return patches_of(
        laid.uncut, laid.opened, pieces, frame_of=frame_of, limit=cut.limit, length_mm=CLOTH_MM, among=laid.flattened
    )


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
        Cloth that is laid by its threads: how each piece of ``opened`` is, or why it is not; else none.
    flattened : tuple of int or None
        The pieces of ``uncut`` that were flattened; None for all of them.
    notes : tuple of (text, what to do)
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
    flattened: tuple[int, ...] | None = None
    notes: tuple[tuple[str, str], ...] = ()

    @property
    def draped(self) -> tuple[Draped | None, ...]:
        """For each piece how it is laid by its threads, if it is."""
        return tuple(q.draped for q in self.layings) or (None,) * len(self.flats)

    @property
    def raw(self) -> tuple[Floats, ...]:
        """(m, 2) stretch of single triangles, piece by piece; along the threads where it is laid by those."""
        return tuple(f.stretch if d is None else d.along_threads for f, d in zip(self.flats, self.draped))


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
    """Open a region and lay it flat, by its threads where the cloth has any that cross."""
    coarse = coarsen(region.surface)
    shift = seam_shift_mm * len(earlier)
    bare, notes = None, tuple[tuple[str, str], ...]()
    if cut.threads is not None:
        loom, asked = Loom(region, cut.threads), _asked(job, spec, cut, earlier)
        ways, staggered = _ways(job, spec, coarse.surface, cut, below, earlier, plies, shift)
        woven = weave(ways, loom, asked)
        notes = woven.notes
        if cut.may_dart and not (earlier or spec.darts or spec.cuts):
            notes = (*notes, *propose_darts(woven, loom, asked))
        if any(woven.laid):
            return _partly_woven(job, spec, coarse, woven, cut, earlier, staggered, notes)
        bare = woven.layings[woven.without_net()[0]]
        if len(woven.layings) > 1:
            bare = replace(bare, refused=f"opened into {len(woven.layings)} pieces too; of the largest, {bare.refused}")
    opened, staggered = _opened(job, spec, coarse.surface, cut, below, earlier, plies, shift)
    made = _flattened(job, spec, coarse, opened, cut, earlier, staggered)
    return made if bare is None else replace(made, layings=(bare,) * len(made.flats), notes=notes)


def _ways(
    job: Job,
    spec: RegionSpec,
    surface: Surface,
    cut: Cut,
    below: Sequence[Floats],
    earlier: Sequence[Shaped],
    plies: int,
    shift_mm: float,
) -> tuple[Iterable[Opened], Staggered | None]:
    """Return the ways to open a ply that are tried for nets: ever more pieces where nothing else says how."""
    if earlier or len(below) or spec.seams_mm or spec.pieces:
        opened, staggered = _opened(job, spec, surface, cut, below, earlier, plies, shift_mm)
        return [opened], staggered
    fits = _fits_roll(job, spec, cut)
    return ways_to_open(surface, most=job.limits.pieces, limit=cut.limit, lap_mm=cut.lap_mm, fits=fits), None


def _opened(
    job: Job,
    spec: RegionSpec,
    surface: Surface,
    cut: Cut,
    below: Sequence[Floats],
    earlier: Sequence[Shaped],
    plies: int,
    shift_mm: float,
) -> tuple[Opened, Staggered | None]:
    """Open where it is stated, beside the laps below, in equal pieces, or where strain wants it."""
    if earlier and not spec.seams_mm and not spec.pieces and len(earlier[0].starts_mm):
        return _beside_laps(job, spec, surface, cut, earlier, plies)
    if below or spec.seams_mm or not spec.pieces:
        opened = _where_stated(job, spec, surface, cut, below, shift_mm)
        return (_turned(opened) if earlier and len(earlier) % 2 and shift_mm == 0 else opened), None
    return _equal(job, spec, surface, cut, len(earlier), plies), None


def _asked(job: Job, spec: RegionSpec, cut: Cut, earlier: Sequence[Shaped]) -> Asked:
    """Return what a ply laid by its threads may be cut into."""
    keep_off, clear = _kept_clear(spec, cut, earlier)
    return Asked(
        most=job.limits.pieces,
        darts=spec.darts if cut.may_dart else 0,
        given_mm=tuple(np.array(q.line_mm) for q in spec.cuts if q.kind == "cut") if cut.may_dart else (),
        gussets_mm=tuple(np.array(q.line_mm) for q in spec.cuts if q.kind == "gusset") if cut.may_dart else (),
        keep_off_mm=keep_off,
        clear_mm=clear,
        limit=cut.limit,
        scale_mm=CLOTH_MM,
        how=_joinery(job, spec, cut, earlier),
    )


def _flattened(
    job: Job,
    spec: RegionSpec,
    coarse: Coarse,
    uncut: Opened,
    cut: Cut,
    earlier: Sequence[Shaped],
    staggered: Staggered | None,
) -> _Laid:
    """Cut an opened ply further as the job asks, and flatten it."""
    opened, darts = _darted(job, spec, uncut, cut, earlier)
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
        coarse.surface,
        opened,
        flats,
        stretch,
        _strain_over(opened, [f.stretch for f in flats], stretch, cut.limit),
        coarse.stray_mm,
        _starts(coarse.surface, uncut),
        staggered,
        uncut.seams,
        uncut,
        darts,
        tuple("panel" if was < 0 else causes[was] for was in made.origin),
        made.panels,
        made.fewest,
    )


def _partly_woven(
    job: Job,
    spec: RegionSpec,
    coarse: Coarse,
    woven: Woven,
    cut: Cut,
    earlier: Sequence[Shaped],
    staggered: Staggered | None,
    notes: tuple[tuple[str, str], ...],
) -> _Laid:
    """Take the flat shapes of nets, and flatten the pieces that none lies on."""
    bare = woven.without_net()
    opened, darts = woven.opened, woven.darts
    if bare and spec.darts:
        left = spec.darts - sum(not d.given for d in darts)
        # The cuts that are given were made before nets were laid.
        opened, more = _darted(job, spec, opened, cut, earlier, among=bare, most=left, given=())
        darts = (*darts, *more)
    causes = list(woven.causes)
    causes += ["cut" for _ in opened.seams[len(causes) :]]
    made = lay_panels(
        opened,
        tuple(flatten(p) if q.draped is None else q.draped.flat for p, q in zip(opened.pieces, woven.layings)),
        _joinery(job, spec, cut, earlier),
        limit=cut.limit,
        over_share=job.limits.over_share,
        scale_mm=CLOTH_MM,
        settled=[n if laid else None for n, laid in zip(woven.fewest, woven.laid)],
    )
    layings = tuple(woven.layings[k] for k in made.homes)
    draped = [q.draped for q in layings]
    stretch = tuple(
        cloth_stretch(p, f, length_mm=CLOTH_MM) if d is None else thread_stretch(d, length_mm=CLOTH_MM)
        for p, f, d in zip(made.opened.pieces, made.flats, draped)
    )
    raw = [f.stretch if d is None else d.along_threads for f, d in zip(made.flats, draped)]
    return _Laid(
        coarse.surface,
        made.opened,
        made.flats,
        stretch,
        _strain_over(made.opened, raw, stretch, cut.limit),
        coarse.stray_mm,
        _starts(coarse.surface, woven.base),
        staggered,
        woven.base.seams,
        woven.opened,
        darts,
        tuple("panel" if was < 0 else causes[was] for was in made.origin),
        (*woven.panels, *made.panels),
        made.fewest,
        layings,
        tuple(bare),
        (*panel_words(woven.panels), *notes),
    )


def _kept_clear(spec: RegionSpec, cut: Cut, earlier: Sequence[Shaped]) -> tuple[Floats, float]:
    """Return the places that darts keep off, (k, 3), those of the plies below among them, and how far."""
    below = [dart.line_mm for ply in earlier for dart in ply.darts]
    places = np.vstack([np.array(spec.keep_off_mm, dtype=float).reshape(-1, 3), *below])
    return places, max(spec.clear_mm if spec.keep_off_mm else 0.0, cut.stagger_mm if below else 0.0)


def _darted(
    job: Job,
    spec: RegionSpec,
    opened: Opened,
    cut: Cut,
    earlier: Sequence[Shaped],
    *,
    among: Sequence[int] | None = None,
    most: int | None = None,
    given: Sequence[CutSpec] | None = None,
) -> tuple[Opened, tuple[Dart, ...]]:
    """Cut the pieces further where the job allows it, off the places it names and off the darts of the plies below."""
    most, given = spec.darts if most is None else most, spec.cuts if given is None else given
    if not (most or given) or not cut.may_dart:
        return opened, ()
    keep_off, clear = _kept_clear(spec, cut, earlier)
    return dart_pieces(
        opened,
        limit=cut.limit,
        over_share=job.limits.over_share,
        most=most,
        kinds=spec.cut_kinds,
        given_mm=[np.array(q.line_mm) for q in given if q.kind == "cut"],
        gussets_mm=[np.array(q.line_mm) for q in given if q.kind == "gusset"],
        keep_off_mm=keep_off,
        clear_mm=clear,
        seam_mm=cut.lap_mm,
        scale_mm=CLOTH_MM,
        among=among,
    )


def _dart_advice(
    job: Job, spec: RegionSpec, laid: _Laid, cut: Cut, earlier: Sequence[Shaped]
) -> Iterator[tuple[str, str]]:
    """Say what cuts would bring where a region's first ply is over the limit and no cuts are asked for."""
    asked = spec.darts or spec.cuts or not cut.may_dart
    # Darts by which threads can be laid go before darts for cloth that is made to stretch.
    by_threads = any('"darts = ' in do for _, do in laid.notes)
    if asked or by_threads or earlier or laid.strain.over_share <= job.limits.over_share:
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
        among=laid.flattened,
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
