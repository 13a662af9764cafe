"""Layers of the bag in an inside corner: taut and in one piece, or cut along it and lapped, by sections.

A layer ends on the hull, not in the tape: nothing but friction holds its edge. Pressed down by p over a length c from
where it touches out to its edge, it is held with no more than T = mu p c (Coulomb); where it hangs free its radius is
r = T / p. So it is drawn into the corner until r = mu c, whatever the pressure is. Cut along the corner line, c is the
lap alone; without a lap each half lies down on its own wall, and draws back from the line by what it was laid short.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import QuantityError
from ..surface.mesh import Floats, Surface
from .corners import CornerSection
from .film import Film
from .film_states import Bench, Cure, FilmState, LayerReach
from .layers import ON_MM, evenly
from .section_film import SectionFilm, filled, lay_over_section, length_mm, level, measured, places, touches
from .sections import _upper_chain

#: Radii that a section is filled to, as parts of its width, and their number; between them lengths are interpolated.
WIDEST, RADII = 0.4, 9
#: What is deepest under a taut sheet within this of a corner line lies in that corner, mm.
BESIDE_MM = 12.0
#: A cut is placed on the hull by hand to within this, common practice, and laps are told in such steps, mm.
PLACED_MM, LAP_STEP_MM = 20.0, 5.0


@dataclass(frozen=True, eq=False)
class CornerLayer:
    """One layer as it goes through corners.

    Attributes
    ----------
    kind : str
    film : Film
        Its figures as a sheet that is pulled.
    marks : str
        Where those come from.
    surface : Surface or None
        The hull that it lies on; all of each section where not given.
    lap_mm : float or None
        By how much its sides go over each other where it is cut; as much as it needs where not given.
    """

    kind: str
    film: Film
    marks: str
    surface: Surface | None = None
    lap_mm: float | None = None


@dataclass(frozen=True, eq=False)
class _Across:
    """A section with what a ball of each radius leaves in its own corner.

    Attributes
    ----------
    section : CornerSection
    hull, turn
        As `level` gives them.
    at_mm : float
        The corner, along the hull.
    radii_mm : (n,) float array
        Rising, from 0.
    ends_mm : (n, 2) float array
        How far from the corner the arc touches on either side, along the hull.
    saved_mm : (n,) float array
        By how much the arc is shorter than the hull under it.
    depth_mm : (n,) float array
    """

    section: CornerSection
    hull: Floats
    turn: Floats
    at_mm: float
    radii_mm: Floats
    ends_mm: Floats
    saved_mm: Floats
    depth_mm: Floats

    def settled_mm(self, lies_mm: float, side: int, friction: float) -> float:
        """Radius in which a sheet comes to rest that ends a length beyond the corner, cut along the hull.

        It is drawn in from a straight line, so the widest arc that friction holds is where it stops.
        """
        on = np.maximum(lies_mm - self.ends_mm[:, side] + self.saved_mm, 0.0)
        spare = friction * on - self.radii_mm
        k = int(np.flatnonzero(spare >= 0)[-1])
        if k == len(spare) - 1:
            return float(self.radii_mm[k])
        share = spare[k] / (spare[k] - spare[k + 1])
        return float(self.radii_mm[k] + share * (self.radii_mm[k + 1] - self.radii_mm[k]))

    def lap_most_mm(self, limit_mm: float, friction: float) -> float:
        """The longest lap that friction does not hold farther off the corner than a limit; infinite where none does."""
        if friction <= 0 or self.depth_mm.max() <= limit_mm:
            return float("inf")
        radius = float(np.interp(limit_mm, np.maximum.accumulate(self.depth_mm), self.radii_mm))
        saved = float(np.interp(radius, self.radii_mm, self.saved_mm))
        ends = (float(np.interp(radius, self.radii_mm, self.ends_mm[:, k])) for k in range(2))
        return max(radius / friction - saved + min(ends), 0.0)

    def laid(self, radius_mm: float, film: Film, pressure_kpa: float) -> SectionFilm:
        """The sheet that hangs in an arc of that radius."""
        if radius_mm <= 0:
            return SectionFilm(self.hull @ self.turn, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0)
        way = filled(self.hull, radius_mm)
        stretch = 1.0 + pressure_kpa * radius_mm / (1e3 * film.stiffness_n_per_mm)
        return measured(self.section, self.hull, way, self.turn, (radius_mm, pressure_kpa * radius_mm, stretch))


def layers_in_corners(
    bench: Bench, layers: Sequence[CornerLayer], pressure_kpa: float
) -> tuple[LayerReach, ...]:
    """Return what each layer leaves open in one piece, and cut along the corner lines.

    Parameters
    ----------
    bench : Bench
    layers : sequence of CornerLayer
    pressure_kpa : float

    Returns
    -------
    tuple of LayerReach
        In pairs, the layer that bridges most first: in one piece, then cut.

    Raises
    ------
    QuantityError
        A lap below nought.

    Notes
    -----
    In one piece two figures are told: held by friction at its edges alone, and held there fast, as under the tape. Cut,
    the first is for sheets that slide freely and the second for what friction holds of the lap. Each layer is taken to
    be pressed by the whole pressure alone: what lies over it passes that on.
    """
    for layer in layers:
        if layer.lap_mm is not None and not (np.isfinite(layer.lap_mm) and layer.lap_mm >= 0):
            raise QuantityError(f"a lap of {layer.lap_mm:g} mm in a corner", do="Give a length of 0 or more.")
    across = [_across(q) for q in bench.sections]
    pairs = [_pair(bench, across, layer, pressure_kpa) for layer in layers]
    pairs.sort(key=lambda q: (-q[0].depth_most_mm, -q[0].radius_mm))
    return tuple(reach for pair in pairs for reach in pair)


def _across(section: CornerSection) -> _Across:
    hull, turn = level(section)
    whole = length_mm(hull)
    own = section.own_mm * whole / length_mm(section.surface_mm)
    radii = np.r_[0.0, np.geomspace(1.0, max(WIDEST * float(np.ptp(hull, axis=0).max()), 2.0), RADII)]
    ends, saved, depth = [np.zeros(2)], [0.0], [0.0]
    for radius in radii[1:]:
        way = filled(hull, float(radius))
        first, last, deep, arc = touches(hull, way, own, float(radius))
        ends.append(np.array([own - first, last - own]))
        saved.append(max(last - first - arc, 0.0))
        depth.append(deep)
    return _Across(section, hull, turn, own, radii, np.array(ends), np.array(saved), np.array(depth))


def _pair(bench: Bench, across: Sequence[_Across], layer: CornerLayer, pressure: float) -> tuple[LayerReach, LayerReach]:
    spans = _spans(across, layer.surface)
    held = [
        lay_over_section(q.section, layer.film, pressure_kpa=pressure) if span is not None else q.laid(0.0, layer.film, pressure)
        for q, span in zip(across, spans)
    ]
    mu = bench.friction
    loose = []
    for q, span, fast in zip(across, spans, held):
        radius = 0.0 if span is None else min(q.settled_mm(length, side, mu) for side, length in enumerate(span))
        loose.append(q.laid(min(radius, fast.radius_mm), layer.film, pressure) if radius < fast.radius_mm else fast)
    through = bench.summed(f"{layer.film.name}, in one piece", layer.film, pressure, loose, held)
    least = max((_drawn_back(bench, q, span) for q, span in zip(across, spans) if span is not None), default=0.0)
    most = min((q.lap_most_mm(bench.limit_mm, mu) for q, span in zip(across, spans) if span is not None), default=float("inf"))
    lap = _lap_mm(least, most) if layer.lap_mm is None else layer.lap_mm
    flat, lapped = [], []
    for q, span, fast in zip(across, spans, held):
        radius = 0.0 if span is None else max(q.settled_mm(min(lap, span[side]), side, mu) for side in range(2))
        flat.append(q.laid(0.0, layer.film, pressure))
        lapped.append(q.laid(min(radius, fast.radius_mm), layer.film, pressure))
    cut = bench.summed(f"{layer.film.name}, cut along the corner", layer.film, pressure, flat, lapped)
    return (
        _reach(layer, "through", through, max(q.radius_mm for q in held), 0.0, 0.0, float("inf")),
        _reach(layer, "cut", cut, max(q.radius_mm for q in lapped), lap, least, most),
    )


def _lap_mm(least: float, most: float) -> float:
    """A lap that covers what the halves draw back and what the hand is off, where friction allows so much."""
    wanted, bare = (LAP_STEP_MM * max(np.ceil(q / LAP_STEP_MM - 1e-9), 0.0) for q in (least + PLACED_MM, least))
    return float(wanted if wanted <= most else max(LAP_STEP_MM * np.floor(most / LAP_STEP_MM), bare))


def _reach(
    layer: CornerLayer, way: str, state: FilmState, radius: float, lap: float, least: float, most: float
) -> LayerReach:
    return LayerReach(
        layer.kind, layer.film.name, radius, state.depth_mm, state.place_mm, state.volume_mm3, layer.marks, way, state.depth_most_mm,
        state.volume_most_mm3, lap, least, most, state,
    )  # fmt: skip


def _spans(across: Sequence[_Across], surface: Surface | None) -> list[tuple[float, float] | None]:
    """How far a layer reaches from each corner to both sides along its section; None where it is not there."""
    if surface is None:
        return [(q.at_mm, length_mm(q.hull) - q.at_mm) for q in across]
    fine = [_every(q) for q in across]
    flat = [s.section.place_mm + (p @ s.turn) @ np.stack([s.section.across, s.section.up]) for s, (_, p) in zip(across, fine)]
    on = surface.locate(np.concatenate(flat)).distance_mm < ON_MM
    out: list[tuple[float, float] | None] = []
    for q, (s, _), mine in zip(across, fine, np.split(on, np.cumsum([len(p) for p in flat])[:-1])):
        k = int(np.argmin(np.abs(s - q.at_mm)))
        if not mine[k]:
            out.append(None)
            continue
        off = np.flatnonzero(~mine)
        first, last = off[off < k].max(initial=-1) + 1, off[off > k].min(initial=len(s)) - 1
        out.append((q.at_mm - float(s[first]), float(s[last]) - q.at_mm))
    return out


def _every(q: _Across, step_mm: float = 4.0) -> tuple[Floats, Floats]:
    """Places along a section at even steps, and their points in its plane."""
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(q.hull, axis=0), axis=1))]
    at = np.linspace(0.0, s[-1], max(int(np.ceil(s[-1] / step_mm)), 2))
    return at, np.stack([np.interp(at, s, q.hull[:, k]) for k in range(2)], axis=1)


def _drawn_back(bench: Bench, q: _Across, span: tuple[float, float]) -> float:
    """By how much both halves, laid taut from edge to corner or from corner to corner, end short of the line once pressed down."""
    cuts = [at for at in places(q.hull, q.section) if abs(at - q.at_mm) > 1.0]
    low = max([at for at in cuts if at < q.at_mm] + [q.at_mm - span[0]])
    high = min([at for at in cuts if at > q.at_mm] + [q.at_mm + span[1]])
    return _short(bench, q, low, q.at_mm) + _short(bench, q, q.at_mm, high)


def _short(bench: Bench, q: _Across, low: float, high: float) -> float:
    """How much longer a stretch of a section is than a sheet drawn taut over it, other corners left out: it is cut there too."""
    from scipy.spatial import cKDTree
    from shapely import LineString
    from shapely.ops import substring

    if high - low < 1.0:
        return 0.0
    part = np.asarray(substring(LineString(q.hull), low, high).coords)
    x, y = part[-1] - part[0]
    way = (part - part[0]) @ np.array([[x, -y], [y, x]]) / max(float(np.hypot(x, y)), 1e-300)
    chain = _upper_chain(way)
    lines = cKDTree(np.concatenate([evenly(line.points_mm, BESIDE_MM / 2) for line in bench.lines]))
    total, at = 0.0, cKDTree(way).query(chain)[1]
    for a, b in zip(at[:-1], at[1:]):
        run, leg = way[min(a, b) : max(a, b) + 1], way[b] - way[a]
        size = float(np.hypot(*leg))
        more = length_mm(run) - size
        if more <= 0 or size <= 0:
            continue
        deep = part[min(a, b) + int(np.argmax(np.abs((run - way[a]) @ np.array([-leg[1], leg[0]]))))]
        there = q.section.place_mm + (deep @ q.turn) @ np.stack([q.section.across, q.section.up])
        total += more if lines.query(there)[0] > BESIDE_MM else 0.0
    return total


# -- beside the film's own cures ------------------------------------------------------------------------------------------


def layer_cures(
    bench: Bench, film: Film, lies: FilmState, layers: Sequence[LayerReach], *, what: str
) -> tuple[Cure, ...]:
    """Return what is left under a film over the layers in one piece, and over the layers cut along the corners.

    Parameters
    ----------
    bench : Bench
    film : Film
    lies : FilmState
        That film at full vacuum.
    layers : sequence of LayerReach
        As `layers_in_corners` gives them.
    what : str
        The film in words.

    Returns
    -------
    tuple of Cure
        Empty where no layer bridges by more than the limit.
    """
    ways = {way: [q for q in layers if q.way == way and q.state is not None] for way in ("through", "cut")}
    if not any(q.depth_most_mm > bench.limit_mm for q in ways["through"]):
        return ()
    first = ways["through"][0].kind
    laps = sorted({q.lap_mm for q in ways["cut"]})
    lapped = f"{laps[0]:.0f}" + (f" to {laps[-1]:.0f}" if laps[-1] > laps[0] else "")
    said = {
        "through": ("layers in one piece", f"{what}, over the layers in one piece and taut: the {first} bridges most"),
        "cut": (
            "cut at the corner",
            f"{what}, over the layers cut along the corner, " + (f"lapped by {lapped} mm" if laps[-1] > 0 else "edge to edge"),
        ),
    }
    out = []
    for way, (kind, words) in said.items():
        state = _over(bench, film, lies, [q.state for q in ways[way] if q.state is not None], kind)
        out.append(Cure(kind, words, state, state.depth_most_mm <= bench.limit_mm))
    return tuple(out)


def _over(bench: Bench, film: Film, lies: FilmState, layers: Sequence[FilmState], name: str) -> FilmState:
    """A film over layers: in each section the sheet that stands off farthest holds up the rest."""
    states = [lies, *layers]
    laid, held = (
        [max((getattr(q, part)[k] for q in states), key=lambda s: s.area_mm2) for k in range(len(bench.sections))]
        for part in ("laid", "held")
    )
    made = bench.summed(name, film, lies.pressure_kpa, laid, held)
    return replace(made, stretch=lies.stretch, draws=lies.draws, bursts=lies.bursts)

__all__ = ["CornerLayer", "layer_cures", "layers_in_corners"]
