"""Film joined flat with sealant tape: pouches folded or put together from panels, and a bag in pieces that meet along a corner.

A flat seam lays two edges face to face with tape between them; it stands up from the part, so that neither tape nor
overlap lies on the laminate. A pouch is a tube laid flat: as wide as half the way round what goes into it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import LineString, Point, Polygon, box

from ..cloth.template import Notch, Template, check_template
from ..errors import FitError, QuantityError, ShapeError
from ..surface.cut import mesh_edges
from ..surface.mesh import Bools, Floats, Ints, Surface, closed_length
from .corners import CornerSection, way_round
from .layers import evenly
from .ports import _nearest_on
from .sections import Section, sections_along

#: Panels that a pouch is put together from, at most.
PANELS = 12
#: Faces as near to a corner line as so many edges of the mesh belong to either side.
BESIDE = 1.5
#: A section runs along a pouch where it lies this much (cosine) its way, and what is so near to its last point is its end.
LENGTHWISE, END_MM = 0.7, 1.0
#: A vertex as near to a line as this share of an edge lies on it.
ON_EDGE = 0.01
#: A part that has less than this share of the whole is no piece of the bag.
CRUMB = 0.01


@dataclass(frozen=True)
class Seam:
    """Two edges of film joined flat, tape between them.

    Attributes
    ----------
    what : str
    length_mm : float
    """

    what: str
    length_mm: float


@dataclass(frozen=True)
class Pouch:
    """A tube of film laid flat, and how it is made up from the roll.

    Attributes
    ----------
    how : {"folded along a side", "folded over an end", "panels"}
    panels : int
        Equal rectangles.
    across_mm, along_mm : float
        Of each, as cut: round what goes in, and along it.
    flat_mm, length_mm : float
        Of the pouch itself, laid flat, within its seams.
    seam_mm : float
        From each taped edge to the middle of its tape.
    seams : tuple of Seam
        In the order they are closed; the end that the part goes in by last.
    turned : bool
        Whether a panel lies across the roll.
    roll_mm : float
        Width of the roll.
    """

    how: str
    panels: int
    across_mm: float
    along_mm: float
    flat_mm: float
    length_mm: float
    seam_mm: float
    seams: tuple[Seam, ...]
    turned: bool
    roll_mm: float

    @property
    def tape_mm(self) -> float:
        """Tape in its seams."""
        return sum(seam.length_mm for seam in self.seams)

    @property
    def film_mm2(self) -> float:
        """Film cut."""
        return self.panels * self.across_mm * self.along_mm

    @property
    def beside_mm2(self) -> float:
        """Film beside the panels, if each takes a whole width of the roll."""
        run = self.across_mm if self.turned else self.along_mm
        return self.panels * run * self.roll_mm - self.film_mm2

    @property
    def waste_mm2(self) -> float:
        """Film in the seams and beside the panels."""
        return self.film_mm2 + self.beside_mm2 - 2 * self.flat_mm * self.length_mm


def pouches(
    flat_mm: float, length_mm: float, *, sealed: int, seam_mm: float, roll_width_mm: float, roll_length_mm: float
) -> tuple[Pouch, ...]:
    """Return the ways to make a pouch up from a roll, the one with least tape first, then with least film.

    Parameters
    ----------
    flat_mm : float
        Half the way round what goes in.
    length_mm : float
        Along it, from end to end.
    sealed : {0, 1, 2}
        How many of its ends are closed upon themselves; the others are joined to something else.
    seam_mm : float
        From each taped edge to the middle of its tape.
    roll_width_mm, roll_length_mm : float

    Raises
    ------
    QuantityError
        A length that cannot be.
    FitError
        If no panels fit the roll.
    """
    given = (("half girth", flat_mm), ("length", length_mm), ("roll's width", roll_width_mm), ("roll's length", roll_length_mm))
    for name, value in given:
        if not (math.isfinite(value) and value > 0):
            raise QuantityError(f"the {name} of a pouch of film is {value:g} mm", do="Give a length above zero.")
    if not (math.isfinite(seam_mm) and seam_mm >= 0):
        raise QuantityError(f"a seam {seam_mm:g} mm from the film's edge", do="Give a length of 0 or more.")
    found = [q for q in _ways(flat_mm, length_mm, sealed, seam_mm, roll_width_mm, roll_length_mm)]
    if not found:
        raise FitError(
            f"no panels of a roll {roll_width_mm:.0f} mm wide and {roll_length_mm / 1000:.1f} m long make up a pouch {flat_mm:.0f} mm wide laid "
            f"flat and {length_mm:.0f} mm long",
            do="Use a wider or longer roll, or narrower seams.",
        )
    return tuple(sorted(found, key=lambda q: (round(q.tape_mm), round(q.film_mm2), q.panels)))


def _ways(flat: float, length: float, sealed: int, seam: float, roll: float, roll_length: float) -> Iterator[Pouch]:
    ends = [Seam("end", flat)] * sealed
    shapes: list[tuple[str, int, float, float, list[Seam]]] = [
        ("folded along a side", 1, 2 * flat + 2 * seam, length + 2 * seam, [Seam("side", length), *ends])
    ]
    if sealed:
        sides = [Seam("side", length), Seam("side", length)]
        shapes.append(("folded over an end", 1, flat + 2 * seam, 2 * length + 2 * seam, [*sides, *ends[1:]]))
    shapes += [
        ("panels", n, 2 * flat / n + 2 * seam, length + 2 * seam, [Seam("side", length)] * n + ends) for n in range(2, PANELS + 1)
    ]
    # More panels than the roll asks for are of no use.
    enough = False
    for how, n, across, along, seams in shapes:
        fits = [turned for turned in (False, True) if _fits(across, along, turned, roll, roll_length)]
        if not fits or (how == "panels" and enough):
            continue
        enough = enough or how == "panels"
        turned = min(fits, key=lambda q: across if q else along)
        yield Pouch(how, n, across, along, flat, length, seam, _counted(seams), turned, roll)


def _counted(seams: Sequence[Seam]) -> tuple[Seam, ...]:
    """Seams of one kind numbered where there are several: "side 1", "side 2"."""
    out: list[Seam] = []
    for k, seam in enumerate(seams):
        alike = [q.what == seam.what for q in seams]
        out.append(replace(seam, what=f"{seam.what} {sum(alike[: k + 1])}") if sum(alike) > 1 else seam)
    return tuple(out)


def _fits(across: float, along: float, turned: bool, roll: float, roll_length: float) -> bool:
    return (along if turned else across) <= roll and (across if turned else along) <= roll_length


def pouch_templates(pouch: Pouch, *, region: str, layer: str, piece: str, material: str) -> tuple[Template, ...]:
    """Return the panels of a pouch as templates along the roll, with the fold, the tapes' middles and match marks.

    Parameters
    ----------
    pouch : Pouch
    region, layer, piece, material : str
        For the label; panels of one pouch are numbered.

    Raises
    ------
    CheckError
        If a panel fails `check_template`.
    """
    out = []
    for k in range(pouch.panels):
        letter = piece if pouch.panels == 1 else f"{piece}{k + 1}"
        out.append(_panel(pouch, k, region, layer, letter, material))
    return tuple(out)


def _panel(pouch: Pouch, k: int, region: str, layer: str, piece: str, material: str) -> Template:
    """One rectangle: x along the part, y round it, and turned a quarter where it lies across the roll."""
    wide, high, s = pouch.along_mm, pouch.across_mm, pouch.seam_mm
    lines = [LineString([(0, y), (wide, y)]) for y in (s, high - s)] if pouch.how != "folded over an end" else []
    marks: list[tuple[float, float, float, float, str]] = []
    folds: list[LineString] = []
    if pouch.how == "folded over an end":
        folds = [LineString([(wide / 2, 0), (wide / 2, high)])]
        lines += [LineString([(0, y), (wide, y)]) for y in (s, high - s)] + [LineString([(x, 0), (x, high)]) for x in (s, wide - s)]
        for j, (y, up) in enumerate(((0.0, 1.0), (high, -1.0)), 1):
            marks += [(x, y, 0.0, up, f"S{j}.{n}") for n, x in enumerate((wide / 4, 3 * wide / 4), 1)]
        # Folded, both marks of a side fall together.
        marks = [(x, y, a, b, m.split(".")[0]) for x, y, a, b, m in marks]
    else:
        lines += [LineString([(x, 0), (x, high)]) for x in (s, wide - s)]
        if pouch.how == "folded along a side":
            folds = [LineString([(0, high / 2), (wide, high / 2)])]
        n = pouch.panels
        low, top = f"S{k + 1}", f"S{(k + 1) % n + 1}"
        for x, part in ((wide / 4, 1), (3 * wide / 4, 2)):
            marks += [(x, 0.0, 0.0, 1.0, f"{low}.{part}"), (x, high, 0.0, -1.0, f"{top}.{part}")]
    middle = high / 2 if pouch.how != "folded along a side" else high / 4
    if pouch.turned:
        wide, high = high, wide
        lines, folds = ([LineString([(y, x) for x, y in q.coords]) for q in group] for group in (lines, folds))
        marks = [(y, x, b, a, m) for x, y, a, b, m in marks]
        middle = high / 4
    outline = box(0.0, 0.0, wide, high)
    template = Template(
        region, layer, piece, material, "either face up", False, outline, outline, folds=tuple(folds),
        fold_concave=(False,) * len(folds), joins=tuple(lines), notches=tuple(Notch((x, y), (a, b), m) for x, y, a, b, m in marks),
        warp=LineString([(0.05 * wide, middle), (0.95 * wide, middle)]), centre=Point(wide / 2, high / 2),
    )  # fmt: skip
    check_template(template)
    return template


@dataclass(frozen=True)
class FilmWay:
    """One way to cut a bag's film.

    Attributes
    ----------
    name : {"sheet", "two pieces", "envelope"}
    what : str
        In words, with its figures; why not, where it cannot be.
    templates : tuple of Template
    film_mm2, waste_mm2 : float
        Cut, and lost in overlaps, in seams and beside the pieces.
    beside_mm2 : float
        Film beside the pieces, if each takes a whole width of the roll.
    seams : tuple of Seam
        Between pieces of film, in the order they are closed.
    steps : tuple of str
        How it is put together.
    can : bool
        Whether it can be made at all.
    length_mm : float
        Of a pouch within the seams at its ends; 0 of other ways.
    along : (float, float, float)
        The way that runs.
    """

    name: str
    what: str
    templates: tuple[Template, ...] = ()
    film_mm2: float = 0.0
    waste_mm2: float = 0.0
    beside_mm2: float = 0.0
    seams: tuple[Seam, ...] = ()
    steps: tuple[str, ...] = ()
    can: bool = True
    length_mm: float = 0.0
    along: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def seams_mm(self) -> float:
        """Tape between pieces of film."""
        return sum(seam.length_mm for seam in self.seams)


# -- how large ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Girth:
    """The way round a part and along it.

    Attributes
    ----------
    round_mm : float
        The longest way round, square to the direction.
    along_mm : float
        From end to end over the broad sides, half of the longest way round along the direction.
    """

    round_mm: float
    along_mm: float


def girth_of(surface: Surface, along: ArrayLike, *, spacing_mm: float = 20.0) -> Girth:
    """Measure a closed part.

    Parameters
    ----------
    surface : Surface
        Without an edge.
    along : (3,) float array
        The direction from end to end.
    spacing_mm : float
        Of the sections.

    Raises
    ------
    ShapeError
        If the surface has an edge, and so shows no more than a side of the part.
    """
    if len(surface.boundary_loops):
        rim = max((surface.vertices_mm[q] for q in surface.boundary_loops), key=len)
        x, y, z = rim[0]
        raise ShapeError(
            f"the mesh is open along {len(surface.boundary_loops)} edge{'s' * (len(surface.boundary_loops) != 1)}, so the way round the part is not "
            "all on it",
            where=f"({x:.0f}, {y:.0f}, {z:.0f}) mm",
            do="State girth in the bag's film, as measured round the part, or scan it all round.",
        )
    a = np.asarray(along, dtype=float) / np.linalg.norm(along)
    off = surface.vertices_mm - surface.vertices_mm.mean(axis=0)
    wide = np.linalg.svd(off - np.outer(off @ a, a), full_matrices=False)[2][0]
    thin = np.cross(a, wide)
    rounds = sections_along(surface, wide, spacing_mm=spacing_mm, normal=thin)
    # Laid flat a pouch lies on the broad sides, and closes over the ends the thin way.
    lengths = [q.path_mm for q in sections_along(surface, a, spacing_mm=spacing_mm, normal=thin)]
    return Girth(max(q.path_mm for q in rounds), max(lengths) / 2)


def short_at_ends(part: Surface, section: CornerSection, along: ArrayLike, length_mm: float) -> float:
    """How much film a section lacks under a pouch whose end seams stay half way up the part's ends, mm.

    Both sides of a pouch are as long as half the longest way round. A side with a hollow in it has the longer way, and
    what it lacks lies on the other side until it is drawn over the ends. Round the part the pouch is a tube that slides.

    Parameters
    ----------
    part : Surface
        The whole of it, closed.
    section : CornerSection
    along : (3,) float array
        The way the pouch's length runs.
    length_mm : float
        Of the pouch, within its seams.
    """
    a = np.asarray(along, dtype=float) / np.linalg.norm(along)
    if abs(float(section.across @ a)) < LENGTHWISE:
        return 0.0
    loop = way_round(part, section)
    if loop is None:
        return 0.0
    high = loop @ a
    ends = []
    for far in (high - high.min(), high.max() - high):
        end = loop[far < END_MM]
        middle = 0.5 * (end.min(axis=0) + end.max(axis=0))
        ends.append(_nearest_on(loop, middle)[0])
    first, last = sorted(ends)
    between, whole = last - first, closed_length(loop)
    own = first <= _nearest_on(loop, section.place_mm)[0] <= last
    return max((between if own else whole - between) - length_mm, 0.0)


def sides_of(surface: Surface, lines_mm: Sequence[Floats]) -> tuple[Ints, int]:
    """Tell which side of corner lines each face of a surface lies on.

    Parameters
    ----------
    surface : Surface
    lines_mm : sequence of (k, 3) float arrays

    Returns
    -------
    (m,) int array
        The number of its side, the largest side first.
    int
        How many sides there are; 1 where no line parts the surface.
    """
    if not len(lines_mm):
        return np.zeros(len(surface.faces), dtype=np.int64), 1
    edges = mesh_edges(surface.faces, len(surface.vertices_mm))
    one, two = edges.faces.T
    # A model's corner runs along its edges.
    shut = _on_edges(surface, edges.ends, lines_mm)
    side, count = _numbered(surface, one, two, (two >= 0) & ~shut, np.zeros(len(surface.faces), dtype=bool))
    if count > 1:
        return side, count
    middle = surface.vertices_mm[surface.faces].mean(axis=1)
    step = surface.mean_edge_mm
    points = np.concatenate([evenly(line, 0.25 * step) for line in lines_mm])
    beside = cKDTree(points).query(middle)[0] < BESIDE * step
    side, count = _numbered(surface, one, two, (two >= 0) & ~beside[one] & ~beside[two], beside)
    loose = side < 0
    if count:
        side[loose] = side[~loose][cKDTree(middle[~loose]).query(middle[loose])[1]]
    return (side, count) if count > 1 else (np.zeros(len(middle), dtype=np.int64), 1)


def _on_edges(surface: Surface, ends: Ints, lines_mm: Sequence[Floats]) -> Bools:
    """Which edges lie on a line, from end to end."""
    near = ON_EDGE * surface.mean_edge_mm
    tree = cKDTree(np.concatenate([evenly(line, near) for line in lines_mm]))
    on = tree.query(surface.vertices_mm, distance_upper_bound=near)[0] < near
    out = on[ends].all(axis=1)
    out[out] = tree.query(surface.vertices_mm[ends[out]].mean(axis=1), distance_upper_bound=near)[0] < near
    return out


def _numbered(surface: Surface, one: Ints, two: Ints, joined: Bools, left_out: Bools) -> tuple[Ints, int]:
    """Number the parts that hang together, the largest first; -1 for crumbs and for what is left out."""
    m = len(surface.faces)
    graph = csr_array((np.ones(joined.sum()), (one[joined], two[joined])), shape=(m, m))
    label = connected_components(graph, directed=False)[1]
    size = surface.face_areas_mm2 * ~left_out
    area = np.bincount(label, size)
    kept = [int(k) for k in np.argsort(-area) if area[k] > CRUMB * area.sum()]
    number = np.full(len(area), -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    return np.where(left_out, -1, number[label]), len(kept)


@dataclass(frozen=True)
class Standing:
    """How large what stands up within a closed corner line is.

    Attributes
    ----------
    girth_mm : float
        The longest way round it.
    height_mm : float
        From the corner line to its top over the surface, or to its other edge.
    closed : bool
        Whether it ends in a top, and not in an edge.
    """

    girth_mm: float
    height_mm: float
    closed: bool


def standing_of(part: Surface, foot_mm: Floats, *, spacing_mm: float = 10.0) -> Standing:
    """Measure what stands up within a closed corner line.

    Parameters
    ----------
    part : Surface
        From the line up; it may have a further edge.
    foot_mm : (k, 3) float array
        The corner line.
    spacing_mm : float
        Of the sections.
    """
    even = evenly(foot_mm, 0.25 * part.mean_edge_mm)
    middle = even.mean(axis=0)
    axes = np.linalg.svd(even - middle, full_matrices=False)[2]
    long, thin, up = axes
    if (part.vertices_mm.mean(axis=0) - middle) @ up < 0:
        up = -up
    thin = np.cross(up, long)
    rounds = sections_along(part, long, spacing_mm=spacing_mm, normal=thin)
    overs = sections_along(part, thin, spacing_mm=spacing_mm, normal=up)
    closed = len(part.boundary_loops) == 1
    foot = float(np.linalg.norm(np.diff(foot_mm, axis=0), axis=1).sum())
    # Gaps between the two sides of what is open on top are no film.
    girth = max([foot, *(_on(q) for q in rounds)])
    return Standing(girth, max(_on(q) for q in overs) / 2, closed)


def _on(section: Section) -> float:
    """How much of a section lies on the surface."""
    return float(np.linalg.norm(section.points_mm[:, 1] - section.points_mm[:, 0], axis=1).sum())


def opening_in(sheet_mm: tuple[float, float], part: Surface, foot_mm: Floats, along: ArrayLike) -> Polygon:
    """Return the foot of what stands up within a sheet, where it comes to lie on the sheet.

    It is seen square to the sheet; on a curved hull it comes out shorter than it is by what the hull rises across it.

    Parameters
    ----------
    sheet_mm : (float, float)
        Length and width of the sheet.
    part : Surface
        What the sheet covers, the foot being one of its edges.
    foot_mm : (k, 3) float array
    along : (3,) float array
        The way its length runs.
    """
    n = part._cross.sum(axis=0)
    n = n / np.linalg.norm(n)
    d = np.asarray(along, dtype=float)
    d = d - (d @ n) * n
    d = d / np.linalg.norm(d)
    frame = np.stack([d, np.cross(n, d)], axis=1)
    flat, foot = part.vertices_mm @ frame, foot_mm @ frame
    # What the sheet is longer than it looks is shared out to both sides of the middle.
    shift = np.asarray(sheet_mm) / 2 - (flat.min(axis=0) + flat.max(axis=0)) / 2
    return Polygon(foot + shift).buffer(0.0)


__all__ = [
    "FilmWay", "Girth", "Pouch", "Seam", "Standing", "girth_of", "opening_in", "pouch_templates", "pouches", "sides_of", "standing_of",
]  # fmt: skip
