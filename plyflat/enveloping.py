"""From a bag's film to the ways it may be cut: a sheet, pieces that meet along the corners, or a pouch round the part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely import LineString, Polygon

from .bag.envelope import (
    FilmWay,
    Pouch,
    Seam,
    girth_of,
    opening_in,
    pouch_templates,
    pouches,
    sides_of,
    standing_of,
)
from .bag.layers import TightLine
from .bag.stack import Sheet, film_sheet
from .bag.widths import FilmWidth, film_width, strip_templates
from .cloth.template import Template
from .errors import FitError, PlyflatError
from .job.model import Bag, FilmLayer, Job, RegionSpec
from .surface.mesh import Floats, Surface, closed_length
from .surface.region import Region

#: The edge of what stands up within a corner line keeps this near to the line, in edges of the mesh.
FOOT = 4.0
#: A hull that leans from the sheet by more than this (cosine) at an inner edge of the film stands through it.
STEEP = 0.7
WAYS = ("sheet", "two pieces", "envelope")


@dataclass(frozen=True, eq=False)
class Ask:
    """What a bag's film is cut for.

    Attributes
    ----------
    job : Job
    spec : RegionSpec
    bag : Bag
    region : Region
        Out to the film's edge.
    along : (3,) float array
        The way that a sheet's length runs.
    tight : tuple of TightLine
    """

    job: Job
    spec: RegionSpec
    bag: Bag
    region: Region
    along: Floats
    tight: tuple[TightLine, ...]

    @property
    def layer(self) -> FilmLayer:
        """The film in the job."""
        return self.bag.film

    @property
    def roll(self) -> dict[str, float]:
        """Width and length of the film's roll."""
        roll = self.job.consumables[self.layer.material]
        return {"roll_width_mm": float(roll.roll_width_mm or 0.0), "roll_length_mm": roll.roll_length_mm}

    @property
    def label(self) -> dict[str, str]:
        """What every template of it is called by."""
        return {"region": self.spec.name, "layer": "bag film", "material": self.layer.material}


def film_ways(ask: Ask) -> tuple[tuple[FilmWay, ...], Sheet, FilmWidth | None]:
    """Work out the ways that a bag's film may be cut, the one that the job asks for first.

    Parameters
    ----------
    ask : Ask

    Returns
    -------
    tuple of FilmWay
        One that cannot be made says why.
    Sheet
        The film as one sheet.
    FilmWidth or None
        The strips it is made up from; None where no strips fit the roll.

    Raises
    ------
    FitError, ShapeError
        Where the way that the job asks for cannot be made.
    """
    sheet = film_sheet(ask.region.surface, ask.along, extra_mm=ask.layer.slack_mm)
    made: FilmWidth | None = None
    found: dict[str, FilmWay] = {}
    for name in WAYS:
        try:
            if name == "sheet":
                made = _strips(ask, sheet, ask.bag.tape.margin_mm + ask.layer.margin_mm)
                found[name] = _as_sheet(ask, made)
            else:
                found[name] = _in_pieces(ask) if name == "two pieces" else _pouch_round(ask)
        except PlyflatError as fault:
            if ask.layer.cut == name:
                raise
            found[name] = FilmWay(name, f"not to be had: {fault.what}", can=False)
    asked = ask.layer.cut if ask.layer.cut in WAYS else "sheet"
    return tuple(sorted(found.values(), key=lambda q: q.name != asked)), sheet, made


def _strips(ask: Ask, sheet: Sheet, band: float, extra: float = 0.0) -> FilmWidth:
    try:
        return film_width(
            sheet.length_mm + extra, sheet.width_mm + extra, band_mm=band, overlap_mm=ask.layer.join_mm, **ask.roll
        )
    except FitError as fault:
        raise FitError(fault.what, where=f"region {ask.spec.name!r}, {ask.layer.material!r}", do=fault.do) from fault


def _as_sheet(ask: Ask, made: FilmWidth) -> FilmWay:
    strips = len(made.edges_mm)
    what = f"a sheet of {made.length_mm:.0f} by {made.width_mm:.0f} mm"
    what += f" from {strips} strips, overlapped by {made.overlap_mm:.0f} mm" if strips > 1 else " in one piece"
    seams = [Seam(f"join {k}", join.length_mm) for k, join in enumerate(made.joins, 1)]
    holes, slits, steps = [], [], []
    for k, rim in enumerate(_stood_through(ask.region), 1):
        # A seam takes twice its width of the way round what stands there.
        hole = opening_in((made.length_mm, made.width_mm), ask.region.surface, rim, ask.along).buffer(ask.layer.seam_mm / np.pi)
        slit = _slit(hole, made.length_mm, made.width_mm)
        holes.append(hole)
        slits.append(LineString([hole.centroid, slit.coords[-1]]))
        seams.append(Seam(f"slit {k}", slit.length))
        x, y, z = rim.mean(axis=0)
        steps.append(
            f"The film has an opening for what stands through it near ({x:.0f}, {y:.0f}, {z:.0f}) mm, and a slit to it: lay it round, then join the "
            f"slit flat from the opening outwards, {slit.length / 1000:.2f} m, tape {ask.layer.seam_mm:.0f} mm from the edge, and tape the opening's edge "
            "down all round; what film is too much at the foot goes into the pleats."
            + (" Where the slit is only drawn on a strip, cut it once the strips are joined." if strips > 1 else "")
        )
    what += f", with {len(holes)} opening{'s' * (len(holes) > 1)} and a slit to {'each' if len(holes) > 1 else 'it'}" if holes else ""
    templates = strip_templates(made, openings=holes, slits=slits, inset_mm=0.0, piece="A", **ask.label)
    return FilmWay("sheet", what, templates, made.film_mm2, made.waste_mm2, made.beside_mm2, tuple(seams), tuple(steps))


def _stood_through(region: Region) -> list[Floats]:
    """The inner edges of the film that run round something which stands up through it, as a post."""
    surface = region.surface
    n = surface._cross.sum(axis=0)
    n = n / np.linalg.norm(n)
    loops = sorted(region.loops, key=lambda q: -closed_length(surface.vertices_mm[q]))
    return [surface.vertices_mm[q] for q in loops[1:] if np.median(np.abs(surface.vertex_normals[q] @ n)) < STEEP]


def _slit(hole: Polygon, length: float, width: float) -> LineString:
    """From an opening straight to the nearest edge of its sheet."""
    x0, y0, x1, y1 = hole.bounds
    middle = hole.centroid
    ends = [
        ((x0, middle.y), (0.0, middle.y)), ((x1, middle.y), (length, middle.y)),
        ((middle.x, y0), (middle.x, 0.0)), ((middle.x, y1), (middle.x, width)),
    ]  # fmt: skip
    return min((LineString(q) for q in ends), key=lambda q: q.length)


# -- pieces that meet along the corners -----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Piece:
    """One piece of the bag: its letter, the corners it is joined along, and what it is made of."""

    letter: str
    lines: tuple[str, ...]
    made: FilmWidth | Pouch
    openings: tuple[Polygon, ...] = ()


def _in_pieces(ask: Ask) -> FilmWay:
    """Pieces on both sides of the tight corners, joined flat along them."""
    surface = ask.region.surface
    side, count = sides_of(surface, [_run_out(ask, line) for line in ask.tight])
    if count < 2:
        lines = ", ".join(f"{line.name} near ({x:.0f}, {y:.0f}, {z:.0f}) mm" for line in ask.tight for x, y, z in [line.middle_mm])
        raise FitError(
            f"no tight inside corner parts the area under the film of region {ask.spec.name!r}" + (f": {lines} end{'s' * (len(ask.tight) == 1)} within it" if lines else ""),
            do='Use cut = "sheet" with pleats.',
        )
    outer = surface.vertices_mm[max(surface.boundary_loops, key=lambda q: closed_length(surface.vertices_mm[q]))]
    pieces = []
    for k in range(count):
        part, letter = surface.sub(side == k)[0], "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[k % 26]
        feet = [line for line in ask.tight if _edge_at(part, line.points_mm)]
        inside = next((q for q in feet if q.closed and not _has(part, outer)), None)
        pieces.append(_stands(ask, letter, part, inside) if inside is not None else _lies(ask, letter, part, feet))
    return _joined(ask, pieces)


def _run_out(ask: Ask, line: TightLine) -> Floats:
    """A corner line, which was sought within the tape, run on straight to the film's edge."""
    if line.closed:
        return line.points_mm
    p = line.points_mm
    step = ask.layer.margin_mm + 3 * ask.region.surface.mean_edge_mm
    s = np.linalg.norm(p - p[0], axis=1), np.linalg.norm(p - p[-1], axis=1)
    # Its way is taken over as much as it is run on by.
    near = (int(np.argmin(np.abs(s[0] - step))), int(np.argmin(np.abs(s[1] - step))))
    ends = [p[k] + step * (p[k] - p[n]) / max(float(np.linalg.norm(p[k] - p[n])), 1e-9) for k, n in ((0, near[0]), (-1, near[1]))]
    return np.concatenate([ends[:1], p, ends[1:]])


def _edge_at(part: Surface, line: Floats) -> bool:
    """Whether a corner line runs along an edge of a part."""
    from scipy.spatial import cKDTree

    rim = cKDTree(np.concatenate([part.vertices_mm[q] for q in part.boundary_loops]))
    return bool(np.median(rim.query(line)[0]) < FOOT * part.mean_edge_mm)


def _has(part: Surface, rim: Floats) -> bool:
    """Whether a part has some of the film's outer edge."""
    from scipy.spatial import cKDTree

    return bool(cKDTree(part.vertices_mm).query(rim)[0].min() < 1e-6)


def _stands(ask: Ask, letter: str, part: Surface, line: TightLine) -> _Piece:
    """A pouch over what stands up within a corner line, or a sleeve round it."""
    size, slack = standing_of(part, line.points_mm), ask.layer.slack_mm
    best = pouches(
        (size.girth_mm + slack) / 2, size.height_mm + slack, sealed=int(size.closed), seam_mm=ask.layer.seam_mm, **ask.roll
    )[0]
    return _Piece(letter, (line.name,), best)


def _lies(ask: Ask, letter: str, part: Surface, feet: Sequence[TightLine]) -> _Piece:
    """A sheet over a part, its edge at each open corner longer by the seam, with an opening for what stands up in it."""
    run = next((q for q in feet if not q.closed), None)
    along = ask.along if run is None else run.points_mm[-1] - run.points_mm[0]
    sheet = film_sheet(part, along, extra_mm=ask.layer.slack_mm)
    made = _strips(ask, sheet, ask.bag.tape.margin_mm + ask.layer.margin_mm, ask.layer.seam_mm if run is not None else 0.0)
    holes = tuple(opening_in((made.length_mm, made.width_mm), part, q.points_mm, along) for q in feet if q.closed)
    return _Piece(letter, tuple(q.name for q in feet), made, holes)


def _joined(ask: Ask, pieces: Sequence[_Piece]) -> FilmWay:
    """Put the pieces together along the corners that they share."""
    seam = ask.layer.seam_mm
    templates: list[Template] = []
    seams: list[Seam] = []
    steps: list[str] = []
    film = waste = beside = 0.0
    for piece in pieces:
        made = piece.made
        if isinstance(made, Pouch):
            templates += pouch_templates(made, piece=piece.letter, **ask.label)
            seams += [Seam(f"piece {piece.letter}, {q.what}", q.length_mm) for q in made.seams]
            steps.append(
                f"Piece {piece.letter}, round what stands up within {piece.lines[0]}: {pouch_words(made)}. "
                f"{_closing(made)} Its open end stands {seam:.0f} mm beyond the corner's seam."
            )
        else:
            templates += strip_templates(made, openings=piece.openings, inset_mm=seam, piece=piece.letter, **ask.label)
            seams += [Seam(f"piece {piece.letter}, join {k}", join.length_mm) for k, join in enumerate(made.joins, 1)]
            steps.append(_sheet_step(piece, made, seam))
        film, waste, beside = film + made.film_mm2, waste + made.waste_mm2, beside + made.beside_mm2
    for line in ask.tight:
        shared = [piece.letter for piece in pieces if line.name in piece.lines]
        if len(shared) > 1:
            long = line.length_mm + (0.0 if line.closed else 2 * ask.layer.margin_mm)
            seams.append(Seam(f"{line.name}, {' to '.join(shared)}", long))
            steps.append(
                f"Join {' and '.join(shared)} along {line.name}, {long / 1000:.2f} m: lay both edges face to face, tape "
                f"{seam:.0f} mm from the edge between them, {'at its four quarters first, then between them' if line.closed else 'from its middle to its ends'}. "
                "The seam stands up from the corner; no tape touches the laminate."
            )
    words = f"{len(pieces)} pieces that meet along the corner" + "s" * (len(ask.tight) > 1)
    return FilmWay("two pieces", words, tuple(templates), film, waste, beside, tuple(seams), tuple(steps))


def pouch_words(made: Pouch) -> str:
    """Return how a pouch is cut and folded, in words.

    Parameters
    ----------
    made : Pouch
    """
    size = f"{made.along_mm:.0f} by {made.across_mm:.0f} mm"
    if made.how == "panels":
        return f"a pouch of {made.panels} panels of {size}"
    return f"a pouch from one sheet of {size}, {made.how}"


def _closing(made: Pouch) -> str:
    told = "; ".join(f"{q.what} {q.length_mm / 1000:.2f} m" for q in made.seams)
    return f"Close it with tape {made.seam_mm:.0f} mm from the edge: {told}."


def _sheet_step(piece: _Piece, made: FilmWidth, seam: float) -> str:
    words = f"Piece {piece.letter}: a sheet of {made.length_mm:.0f} by {made.width_mm:.0f} mm"
    if made.joins:
        words += f", taped together from {len(made.edges_mm)} strips, {made.overlap_mm:.0f} mm over each other, {made.tape_mm / 1000:.2f} m of join"
    if piece.openings:
        words += f". Cut its opening {seam:.0f} mm inside the line drawn on it, snip the edge towards the line and stand it up"
    return words + "."


# -- a pouch round the part -----------------------------------------------------------------------------------------------


def _pouch_round(ask: Ask) -> FilmWay:
    """A pouch that the whole part goes into, closed upon itself."""
    layer = ask.layer
    if layer.girth_mm is None:
        girth = girth_of(ask.region.parent, ask.along)
        way, long = girth.round_mm, girth.along_mm
    else:
        way, long = layer.girth_mm, float(np.ptp(ask.region.parent.vertices_mm @ (ask.along / np.linalg.norm(ask.along))))
    best = pouches((way + layer.slack_mm) / 2, long + layer.slack_mm, sealed=2, seam_mm=layer.seam_mm, **ask.roll)[0]
    what = f"{pouch_words(best)[2:]}, round the whole part: {way:.0f} mm round and {long:.0f} mm long"
    *before, last = best.seams
    steps = (
        f"Cut {pouch_words(best)}, {best.flat_mm:.0f} mm wide laid flat within its seams.",
        "Close " + "; then ".join(f"{q.what} {q.length_mm / 1000:.2f} m" for q in before)
        + f", tape {best.seam_mm:.0f} mm from the edge between both films.",
        f"Put the part in, fold first, and close the last seam, {last.what}, {last.length_mm / 1000:.2f} m.",
    )  # fmt: skip
    templates = pouch_templates(best, piece="A", **ask.label)
    x, y, z = (float(c) for c in ask.along / np.linalg.norm(ask.along))
    return FilmWay(
        "envelope", what, templates, best.film_mm2, best.waste_mm2, best.beside_mm2, best.seams, steps, length_mm=best.length_mm,
        along=(x, y, z),
    )  # fmt: skip


__all__ = ["Ask", "film_ways", "pouch_words"]
