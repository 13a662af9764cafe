"""A sheet of film that is wider than its roll: strips taped together, their joins kept off the laminate."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from shapely import LineString, Point, Polygon, box, transform
from shapely.affinity import translate

from ..cloth.template import Notch, Template, check_template
from ..errors import FitError, QuantityError

#: Width of the slit from an opening to the edge, mm.
SLIT_MM = 1.0
#: A mark lies on the edge within this, mm.
_ON_EDGE_MM = 1e-6


@dataclass(frozen=True)
class FilmJoin:
    """Where two sheets of film are taped together.

    Attributes
    ----------
    at_mm : float
        Middle of the overlap, from the sheet's edge across the strips.
    length_mm : float
    over_mm : float
        How much of it lies over the laminate, where tape may print; 0 where none does.
    """

    at_mm: float
    length_mm: float
    over_mm: float


@dataclass(frozen=True)
class FilmWidth:
    """How a sheet of film is made up from the roll.

    Attributes
    ----------
    length_mm, width_mm : float
        Of the whole sheet.
    roll_mm : float
        Usable width of the roll.
    along : bool
        Whether strips run along the sheet's length, or across it.
    edges_mm : tuple of (float, float)
        First and last edge of each strip, across the strips.
    joins : tuple of FilmJoin
    overlap_mm : float
    """

    length_mm: float
    width_mm: float
    roll_mm: float
    along: bool
    edges_mm: tuple[tuple[float, float], ...]
    joins: tuple[FilmJoin, ...]
    overlap_mm: float

    @property
    def strip_mm(self) -> float:
        """Length of each strip."""
        return self.length_mm if self.along else self.width_mm

    @property
    def tape_mm(self) -> float:
        """Tape for all joins."""
        return sum(join.length_mm for join in self.joins)

    @property
    def over_mm(self) -> float:
        """Length of joins that lie over the laminate."""
        return sum(join.over_mm for join in self.joins)

    @property
    def film_mm2(self) -> float:
        """Film cut, overlaps included."""
        return self.strip_mm * sum(b - a for a, b in self.edges_mm)

    @property
    def beside_mm2(self) -> float:
        """Film beside the strips, if every strip takes a whole width of the roll."""
        return len(self.edges_mm) * self.strip_mm * self.roll_mm - self.film_mm2

    @property
    def waste_mm2(self) -> float:
        """Film lost in the overlaps and beside the strips."""
        return self.beside_mm2 + self.film_mm2 - self.length_mm * self.width_mm


def film_width(
    length_mm: float, width_mm: float, *, roll_width_mm: float, roll_length_mm: float, band_mm: float, overlap_mm: float
) -> FilmWidth:
    """Make a sheet up from a roll with the least length of join over the laminate, then with the least tape and film.

    Strips run along the sheet or across it. With one join or two, these are moved out to where they miss the laminate
    if the roll is wide enough; else strips are even, and the joins cross it.

    Parameters
    ----------
    length_mm, width_mm : float
        Of the whole sheet.
    roll_width_mm, roll_length_mm : float
    band_mm : float
        From the sheet's edge to the laminate, on every side.
    overlap_mm : float
        Of two sheets where they join.

    Raises
    ------
    QuantityError
        A length that cannot be.
    FitError
        If strips fit the roll neither along nor across.
    """
    for name, value in (("length", length_mm), ("width", width_mm), ("roll's width", roll_width_mm), ("roll's length", roll_length_mm)):
        if not (math.isfinite(value) and value > 0):
            raise QuantityError(f"the film's {name} is {value:g} mm", do="Give a length above zero.")
    if not (math.isfinite(overlap_mm) and overlap_mm >= 0 and math.isfinite(band_mm) and band_mm >= 0):
        raise QuantityError(f"an overlap of {overlap_mm:g} mm with {band_mm:g} mm round the laminate", do="Give lengths of 0 or more.")
    ways = [
        way
        for along in (True, False)
        for way in _ways(length_mm, width_mm, along, roll_width_mm, roll_length_mm, band_mm, overlap_mm)
    ]
    if not ways:
        raise FitError(
            f"no strips of a roll {roll_width_mm:.0f} mm wide and {roll_length_mm / 1000:.1f} m long make up a sheet of film of "
            f"{length_mm:.0f} by {width_mm:.0f} mm",
            do="Use a longer roll." if roll_width_mm > overlap_mm else f"Use a roll wider than the overlap of its joins, {overlap_mm:g} mm, or a smaller overlap.",
        )
    # A sheet in one piece may be turned on the roll as its lay likes.
    return min(ways, key=lambda way: (round(way.over_mm), round(way.tape_mm), way.waste_mm2 if way.joins else 0.0, not way.along))


def _ways(
    length: float, width: float, along: bool, roll: float, roll_length: float, band: float, lap: float
) -> Iterator[FilmWidth]:
    """Ways to lay strips in one direction."""
    strip, size = (length, width) if along else (width, length)
    if strip > roll_length:
        return
    for middles in _middles(size, roll, band, lap):
        edges = [0.0, *middles, size]
        strips = tuple(
            (a - (lap / 2 if k else 0.0), b + (lap / 2 if k < len(middles) else 0.0))
            for k, (a, b) in enumerate(zip(edges, edges[1:]))
        )
        joins = tuple(FilmJoin(m, strip, _over(m, size, strip, band, lap)) for m in middles)
        yield FilmWidth(length, width, roll, along, strips, joins, lap)


def _middles(size: float, roll: float, band: float, lap: float) -> Iterator[list[float]]:
    """Places for the joins: none; one beside the laminate; two beside it; even strips."""
    if size <= roll:
        yield []
        return
    if roll <= lap:
        return
    first = size + lap / 2 - roll
    last = min(band, roll, size / 2) - lap / 2
    if lap / 2 <= first <= last:
        # As near to the laminate as may be: the join is reached most easily, and no strip is a ribbon.
        yield [last]
    if size - 2 * band + 2 * lap <= roll and band + lap / 2 <= roll and 2 * (band - lap / 2) < size:
        yield [band - lap / 2, size - band + lap / 2]
    count = max(math.ceil((size - lap) / (roll - lap) - 1e-9), 2)
    yield [size * k / count for k in range(1, count)] if count * (roll - lap) + lap >= size and size / count + lap <= roll else _full(
        size, roll, lap, count
    )


def _full(size: float, roll: float, lap: float, count: int) -> list[float]:
    """Joins of strips as wide as the roll, the last narrower."""
    return [k * (roll - lap) + lap / 2 for k in range(1, count)]


def _over(middle: float, size: float, strip: float, band: float, lap: float) -> float:
    """How much of a join lies over the laminate, which keeps a band off every edge of the sheet."""
    inside = middle + lap / 2 > band + 1e-9 and middle - lap / 2 < size - band - 1e-9
    return max(strip - 2 * band, 0.0) if inside else 0.0


def rows_length_mm(sizes_mm: Sequence[tuple[float, float]], roll_width_mm: float, *, turned: bool = True) -> float:
    """Return what rectangles take off a roll, laid in rows across it, the longest rows first: no search, a fair upper figure.

    Parameters
    ----------
    sizes_mm : sequence of (float, float)
        Along the roll and across it, as each is drawn.
    roll_width_mm : float
    turned : bool
        Whether they may be turned by a quarter.

    Raises
    ------
    FitError
        If one is wider than the roll.

    Examples
    --------
    >>> rows_length_mm([(770.0, 265.0), (770.0, 265.0)], 1500.0)
    530.0
    """
    ways = [sizes_mm]
    if turned:
        ways.append([(min(q), max(q)) if max(q) <= roll_width_mm else (max(q), min(q)) for q in sizes_mm])
        ways.append([(max(q), min(q)) for q in sizes_mm])
    found = [_rows_mm(way, roll_width_mm) for way in ways if max((wide for _, wide in way), default=0.0) <= roll_width_mm + 1e-6]
    if not found:
        raise FitError(
            f"a piece of film {max(wide for _, wide in sizes_mm):.0f} mm wide is wider than its roll of {roll_width_mm:.0f} mm",
            do="Use a wider roll, or let pieces be turned on it.",
        )
    return min(found)


def _rows_mm(sizes: Sequence[tuple[float, float]], roll: float) -> float:
    rows: list[list[float]] = []
    for long, wide in sorted(sizes, reverse=True):
        row = next((q for q in rows if q[1] + wide <= roll + 1e-6), None)
        if row is None:
            rows.append([long, wide])
        else:
            row[1] += wide
    return sum(long for long, _ in rows)


def strip_templates(
    made: FilmWidth, *, region: str, layer: str, material: str, piece: str = "A", openings: Sequence[Polygon] = (), inset_mm: float = 0.0,
    slits: Sequence[LineString] = (),
) -> tuple[Template, ...]:  # fmt: skip
    """Return the strips of a sheet as templates, each along the roll, with its overlaps and match marks.

    Parameters
    ----------
    made : FilmWidth
    region, layer, material : str
        For the label.
    piece : str
        Letter of the sheet.
    openings : sequence of Polygon
        Of the sheet, its length along x. Where an opening leaves no more of a strip than one part it is cut out less the
        inset; else its line is drawn alone.
    inset_mm : float
        Film that is left within each opening's line.
    slits : sequence of LineString
        From each opening to the sheet's edge, cut `SLIT_MM` wide with it. Where that would part a strip in two the slit's
        line is drawn alone, to be cut once the strips are joined.

    Raises
    ------
    CheckError
        If a strip fails `check_template`.
    """
    out = []
    long, lap, last = made.strip_mm, made.overlap_mm, len(made.edges_mm) - 1
    for k, (a, b) in enumerate(made.edges_mm):
        wide = b - a
        # The overlap belongs to the strip before it: no film is counted twice as surface covered.
        top = wide - lap if k < last else wide
        net = box(0.0, 0.0, long, top)
        laps: tuple[Polygon, ...] = (box(0.0, top, long, wide),) if k < last and lap > 0 else ()
        joins = [LineString([(0.0, y), (long, y)]) for y in ([top] if k < last else []) + ([lap] if k else [])]
        notches = [
            Notch((x, y), (0.0, way), f"J{j}.{n}")
            for j, y, way in ([(k, 0.0, 1.0)] if k else []) + ([(k + 1, wide, -1.0)] if k < last else [])
            for n, x in enumerate((0.25 * long, 0.75 * long), 1)
        ]
        letter = piece if last == 0 else f"{piece}{k + 1}"
        plain = Template(
            region, layer, letter, material, "either face up", False, net, box(0.0, 0.0, long, wide), laps=laps, joins=tuple(joins),
            notches=tuple(notches), warp=LineString([(0.05 * long, top / 2), (0.95 * long, top / 2)]), centre=Point(long / 2, top / 2),
        )  # fmt: skip
        holes, ways = ([translate(q if made.along else transform(q, lambda p: p[:, ::-1]), 0.0, -a) for q in given] for given in (openings, slits))
        template = _opened(plain, holes, inset_mm, ways)
        check_template(template)
        out.append(template)
    return tuple(out)


def _opened(plain: Template, openings: Sequence[Polygon], inset: float, slits: Sequence[LineString]) -> Template:
    """A strip with the openings that lie on it, and the slits to them."""
    lines: list[LineString] = []
    net, cut, laps = plain.net, plain.cut, list(plain.laps)
    for opening, slit in zip_longest(openings, slits):
        hole = opening.buffer(-inset) if inset else opening
        whole = hole if slit is None else hole.union(slit.buffer(SLIT_MM / 2, cap_style="flat"))
        gone = next((q for q in (whole, hole) if not q.is_empty and q.intersects(cut) and _one_part(net, q) and _one_part(cut, q)), None)
        if slit is not None and gone is not whole:
            lines += _parts(slit.intersection(plain.cut.difference(hole)), LineString)
        if gone is not None:
            net, cut = net.difference(gone), cut.difference(gone)
            laps = [part for lap in laps for part in _parts(lap.difference(gone), Polygon)]
            if not inset:
                continue
        lines += _parts(opening.exterior.intersection(plain.cut), LineString)
    if not lines and cut is plain.cut:
        return plain
    # An opening over a join takes that part of the join's line, and marks on the edge, with it.
    joins = [part for q in plain.joins for part in _parts(q.intersection(cut), LineString)]
    longest = max(_parts(plain.warp.intersection(net), LineString), key=lambda q: q.length)
    centre, notches = plain.centre, tuple(q for q in plain.notches if cut.exterior.distance(Point(q.at_mm)) < _ON_EDGE_MM)
    return replace(
        plain, net=net, cut=cut, laps=tuple(laps), joins=(*joins, *lines), warp=longest, notches=notches,
        centre=centre if net.contains(centre) else net.representative_point(),
    )  # fmt: skip


def _one_part(shape: Polygon, hole: Polygon) -> bool:
    left = shape.difference(hole)
    return isinstance(left, Polygon) and not left.is_empty


def _parts(shape: Any, kind: Any) -> list[Any]:
    """The parts of a shape that are of a kind and larger than a millimetre, or a square one."""
    found = [q for q in getattr(shape, "geoms", [shape]) if isinstance(q, kind)]
    return [q for q in found if (q.area if kind is Polygon else q.length) > 1.0]
