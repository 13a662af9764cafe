"""What a bag's film leaves open along its corners: drawn taut, with its pleats, and with whatever else would help.

Every state is laid section by section (`section_film`) and summed up along the corner lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..surface.crease import Crease
from ..surface.mesh import Floats
from .corners import CornerSection
from .feeding import Fed
from .film import Film
from .section_film import SectionFilm, filled, lay_over_section, length_mm, level, measured, stuck
from .wedge import feed_length_mm

#: A softer film that advice tries where the job has none, from memory: low-density polyethylene.
SOFT = Film("a soft polyethylene film", 200.0, 0.05, yield_mpa=10.0, break_stretch=5.0, hardening_mpa=3.0)
#: More pleats in advice are so many times the film that the limit asks for.
MORE = 1.5
#: Fillets are told in steps of this, mm.
FILLET_STEP_MM = 1.0
#: A fillet is sought on so many sections, those that stand off most.
WORST = 4


@dataclass(frozen=True, eq=False)
class FilmState:
    """A film as it lies along all corners.

    Where two figures are told, the first is for film that slides freely or is worked in by hand, the second for film
    that slides no farther than friction lets it, and draws where that does not do.

    Attributes
    ----------
    name : str
    pressure_kpa : float
    depth_mm, depth_most_mm : float
        The farthest it stands off a corner.
    place_mm : (float, float, float)
        Where that is.
    over_mm : float
        Length of corner that it leaves by more than the limit, by the second figure.
    area_mm2, area_most_mm2 : float
        Of hull that it does not touch.
    volume_mm3, volume_most_mm3 : float
    resin_g, resin_most_g : float
        What would fill that.
    stretch : float
        Largest, length over length as cut.
    draws : bool
        Whether it draws anywhere.
    bursts : bool
        Whether it is stretched to its break anywhere.
    laid : tuple of SectionFilm
        Section by section, as it slides freely.
    held : tuple of SectionFilm
        The same, as far as friction lets it.
    """

    name: str
    pressure_kpa: float
    depth_mm: float
    depth_most_mm: float
    place_mm: tuple[float, float, float]
    over_mm: float
    area_mm2: float
    area_most_mm2: float
    volume_mm3: float
    volume_most_mm3: float
    resin_g: float
    resin_most_g: float
    stretch: float
    draws: bool
    bursts: bool
    laid: tuple[SectionFilm, ...]
    held: tuple[SectionFilm, ...]


@dataclass(frozen=True, eq=False)
class Cure:
    """One way to leave less open.

    Attributes
    ----------
    kind : str
        "as it is", "its pleats", "more pleats", "fillet", "other film" or "two pieces"; of a film over its layers
        "layers in one piece" or "cut at the corner".
    what : str
        In words, with its figures.
    state : FilmState
        At full vacuum.
    meets : bool
        Whether the limit is kept, by the second figure.
    fillet_mm : float
        Radius of the fillet, where it is one.
    """

    kind: str
    what: str
    state: FilmState
    meets: bool
    fillet_mm: float = 0.0


@dataclass(frozen=True)
class LayerReach:
    """What one layer of the stack leaves open in the corners, laid taut through them in one piece or cut along them.

    Where two figures are told, the first of a layer in one piece is for edges that friction alone holds, and the second
    for edges held fast; of one that is cut, the first is for sheets that slide freely, and the second for what friction
    holds of the lap.

    Attributes
    ----------
    kind, material : str
    radius_mm : float
        In which it hangs free where it bridges widest.
    depth_mm : float
        The farthest it stands off.
    place_mm : (float, float, float)
    volume_mm3 : float
    marks : str
        Where its stiffness comes from.
    way : {"through", "cut"}
    depth_most_mm, volume_most_mm3 : float
        By the second figure.
    lap_mm : float
        By how much the sides of the cut go over each other; 0 for none.
    lap_least_mm : float
        By how much both halves together draw back from the line, at most: a shorter lap leaves it bare.
    lap_most_mm : float
        The longest lap that friction does not hold farther off than the limit; infinite where any may be.
    state : FilmState or None
        Section by section.
    """

    kind: str
    material: str
    radius_mm: float
    depth_mm: float
    place_mm: tuple[float, float, float]
    volume_mm3: float
    marks: str
    way: str = "through"
    depth_most_mm: float = 0.0
    volume_most_mm3: float = 0.0
    lap_mm: float = 0.0
    lap_least_mm: float = 0.0
    lap_most_mm: float = float("inf")
    state: FilmState | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, eq=False)
class Bench:
    """What is the same for all states.

    Attributes
    ----------
    sections : tuple of CornerSection
    lines : tuple of Crease
    limit_mm : float
    friction : float
    tuck_kpa : float
        Pressure at which film is still moved.
    resin_g_per_cm3 : float
    """

    sections: tuple[CornerSection, ...]
    lines: tuple[Crease, ...]
    limit_mm: float
    friction: float
    tuck_kpa: float
    resin_g_per_cm3: float

    @property
    def steps_mm(self) -> Floats:
        """(s,) float array: length of corner that each section stands for."""
        size = [float(np.linalg.norm(np.diff(q.points_mm, axis=0), axis=1).sum()) for q in self.lines]
        count = np.bincount([s.line for s in self.sections], minlength=len(self.lines))
        return np.array([size[s.line] / count[s.line] for s in self.sections])

    def state(
        self, name: str, film: Film, pressure_kpa: float, *, fed: Fed | None = None, share: float = 1.0,
        fillet_mm: float = 0.0, taped_at_corner: bool = False, whole_way: bool = False,
        short_mm: Floats | None = None,
    ) -> FilmState:  # fmt: skip
        """Lay a film over all sections.

        Parameters
        ----------
        name : str
        film : Film
        pressure_kpa : float
        fed : Fed, optional
            Film put in; none where not given.
        share : float
            How many times that film.
        fillet_mm : float
            Radius to which corners are filled first.
        taped_at_corner : bool
            Whether the film is joined or taped down along the corners.
        whole_way : bool
            Whether it is cut as long as the way over the hull, as a pouch is; slack that lies far off is held by friction.
        short_mm : (s,) float array, optional
            What each section lacks of that, as where a pouch's ends are taut.
        """
        laid, held = [], []
        for k, s in enumerate(self.sections):
            short = 0.0 if short_mm is None else float(short_mm[k])
            slack = max(s.path_mm - s.taut_path_mm - short, 0.0) if whole_way else 0.0
            slack = share * float(fed.given_mm[k]) if fed is not None else slack
            free = lay_over_section(
                s, film, pressure_kpa=pressure_kpa, slack_mm=slack, fillet_mm=fillet_mm, taped_at_corner=taped_at_corner
            )
            laid.append(free)
            held.append(free if taped_at_corner else self._held(s, film, free, pressure_kpa, fed, k, fillet_mm))
        return self.summed(name, film, pressure_kpa, laid, held)

    def feed_mm(self, film: Film) -> float:
        """From how far a film that draws can be drawn while it is still moved, mm; infinite without friction."""
        if self.friction <= 0:
            return float("inf")
        return feed_length_mm(
            tension_n_per_m=1e3 * film.yield_n_per_mm, pressure_kpa=self.tuck_kpa, friction=self.friction
        )

    def _held(
        self, s: CornerSection, film: Film, free: SectionFilm, pressure: float, fed: Fed | None, k: int, fillet: float
    ) -> SectionFilm:
        """The film as far as friction lets it: where its slack lies too far off it draws instead."""
        near = fed is not None and fed.far_mm[k] <= self.feed_mm(film)
        if near or not np.isfinite(film.yield_n_per_mm):
            return free
        if fillet > 0:
            hull, turn = level(s)
            hull = filled(hull, fillet)
            radius = 1e3 * film.yield_n_per_mm / pressure
            way = filled(hull, radius)
            tight = measured(
                s, hull, way, turn, (radius, pressure * radius, length_mm(way) / max(s.taut_path_mm, 1e-9))
            )
        else:
            tight = stuck(s, film, pressure_kpa=pressure)
        return tight if tight.depth_mm > free.depth_mm else free

    def summed(
        self, name: str, film: Film, pressure_kpa: float, laid: Sequence[SectionFilm], held: Sequence[SectionFilm]
    ) -> FilmState:
        """Sum sheets at rest over all sections up along the corner lines.

        Parameters
        ----------
        name : str
        film : Film
        pressure_kpa : float
        laid, held : sequence of SectionFilm
            Section by section, as they slide freely and as far as friction lets them.
        """
        step = self.steps_mm
        deep, most = np.array([q.depth_mm for q in laid]), np.array([q.depth_mm for q in held])
        worst = int(np.argmax(most))
        x, y, z = self.sections[worst].place_mm.tolist()
        wide, wide_most = (float(step @ [q.width_mm for q in of]) for of in (laid, held))
        room, room_most = (float(step @ [q.area_mm2 for q in of]) for of in (laid, held))
        grams = 1e-3 * self.resin_g_per_cm3
        stretch = max(q.stretch for q in (*laid, *held))
        draws = any(q.tension_n_per_m >= 999.0 * film.yield_n_per_mm for q in (*laid, *held))
        bursts = film.break_stretch is not None and stretch >= film.break_stretch
        return FilmState(
            name, pressure_kpa, float(deep.max()), float(most.max()), (x, y, z), float(step[most > self.limit_mm].sum()),
            wide, wide_most, room, room_most, grams * room, grams * room_most, stretch, draws, bursts, tuple(laid), tuple(held),
        )  # fmt: skip


def film_cures(
    bench: Bench, film: Film, fed: Fed, now: FilmState, pleated: FilmState, others: Sequence[Film],
    *, progress: Callable[[str, float], None],
) -> tuple[Cure, ...]:  # fmt: skip
    """Lay the film with each cure at full vacuum, those that keep the limit first, then by what they leave.

    Parameters
    ----------
    bench : Bench
    film : Film
    fed : Fed
    now, pleated : FilmState
        At full vacuum, drawn taut and with its own pleats.
    others : sequence of Film
        Films to try in its place.
    progress : callable
    """
    pressure = now.pressure_kpa
    out = [("as it is", f"{film.name} drawn taut, no pleats", now)]
    if fed.pleats:
        out.append(("its pleats", f"{len(fed.pleats)} pleats as listed", pleated))
        what = f"{MORE:g} times as much film in the pleats, each so much higher or so many more of them"
        out.append(("more pleats", what, bench.state("more pleats", film, pressure, fed=fed, share=MORE)))
    progress("film cures", 0.4)
    radius = fillet_wanted_mm(bench, film, pressure)
    out.append(
        ("fillet", f"a fillet of {radius:g} mm, no pleats", bench.state("fillet", film, pressure, fillet_mm=radius))
    )
    for other in others:
        out.append(("other film", f"{other.name} drawn taut, no pleats", bench.state(other.name, other, pressure)))
    progress("film cures", 0.8)
    halves = bench.state("two pieces", film, pressure, taped_at_corner=True)
    out.append(("two pieces", "film cut as two pieces, joined flat along the corner line", halves))
    cures = [
        Cure(kind, what, state, state.depth_most_mm <= bench.limit_mm, radius if kind == "fillet" else 0.0)
        for kind, what, state in out
    ]
    return in_order(cures)


def in_order(cures: Sequence[Cure]) -> tuple[Cure, ...]:
    """Return cures, those that keep the limit first, then by what they leave.

    Parameters
    ----------
    cures : sequence of Cure
    """
    return tuple(sorted(cures, key=lambda q: (not q.meets, q.state.volume_most_mm3)))


def fillet_wanted_mm(bench: Bench, film: Film, pressure_kpa: float) -> float:
    """Return the least fillet, in whole mm, over which a taut film stands off by no more than the limit.

    Parameters
    ----------
    bench : Bench
    film : Film
    pressure_kpa : float
    """
    most = 1e3 * film.yield_n_per_mm / pressure_kpa
    low, high = 0.0, float(np.ceil(most))
    deep = [stuck(s, film, pressure_kpa=pressure_kpa).depth_mm for s in bench.sections]
    worst = [bench.sections[k] for k in np.argsort(deep)[::-1][:WORST]]
    few = replace(bench, sections=tuple(worst))

    def keeps(radius: float) -> bool:
        """Whether the film of the worst sections keeps the limit over a fillet of that radius."""
        return few.state("fillet", film, pressure_kpa, fillet_mm=radius).depth_most_mm <= bench.limit_mm

    while high - low > FILLET_STEP_MM:
        middle = float(np.floor(0.5 * (low + high)))
        if middle <= low:
            break
        low, high = (low, middle) if keeps(middle) else (middle, high)
    return high
