"""Pleats held to the whole film: laid with them, given more film where it stands off too far, and the best of it kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..progress import Tell, quiet
from ..surface.crease import Crease
from ..surface.mesh import Floats, Surface
from .corners import CornerSection
from .feeding import Fed, fed_by, shares
from .film import Film
from .film_region import Ear
from .pleats import MARGIN_MM, Corner, Pleat
from .whole_film import Spread, WholeBench, WholeState

#: How often pleats are given more film, and how much more each time.
ROUNDS, MORE = 2, 1.25
#: A pleat added holds this share of what the others of its corner hold on the mean.
ADDED = 0.5
#: A try counts as better where the worst place comes nearer by this, mm: less is scatter.
BETTER_MM = 0.2
#: A film drawn taut stands far off everywhere: this share of the points tells it.
TAUT = 0.5
#: Where nothing else keeps the limit, a fillet so many times as large is laid under the pleats.
LARGER = 1.6


@dataclass(frozen=True, eq=False)
class Tried:
    """One try at the pleats, with the whole film.

    Attributes
    ----------
    what : str
        What was changed against the best before.
    fed : Fed
        The pleats, and what they give each section.
    state : WholeState
    better : bool
        Whether it was kept.
    """

    what: str
    fed: Fed
    state: WholeState
    better: bool


@dataclass(frozen=True, eq=False)
class WholeCure:
    """Another way to leave less open, with the whole film.

    Attributes
    ----------
    kind : str
        As of the sections' cures.
    what : str
        In words, with its figures.
    state : WholeState
    meets : bool
        Whether the limit is kept.
    """

    kind: str
    what: str
    state: WholeState
    meets: bool


@dataclass(frozen=True, eq=False)
class WholeFilm:
    """A bag's film laid whole.

    Attributes
    ----------
    hull : Surface
        The hull within the tape, as the film feels it.
    offset_mm : float
        Thickness of the stack under it.
    limit_mm : float
    taut : WholeState
    tries : tuple of Tried
        The pleats as the sections ask for them first; empty where none are wanted.
    cures : tuple of WholeCure
        What was tried because pleats do not keep the limit.
    """

    hull: Surface
    offset_mm: float
    limit_mm: float
    taut: WholeState
    tries: tuple[Tried, ...]
    cures: tuple[WholeCure, ...] = ()

    @property
    def best(self) -> Tried | None:
        """The pleats that leave least open; None where none are wanted."""
        kept = [q for q in self.tries if q.better]
        return kept[-1] if kept else None

    @property
    def last(self) -> WholeState:
        """The film as the plan has it laid: with the best pleats, or taut where none are wanted."""
        return self.taut if self.best is None else self.best.state

    @property
    def met(self) -> bool:
        """Whether it keeps the limit so."""
        return self.last.worst_mm <= self.limit_mm and not self.last.bursts


@dataclass(frozen=True, eq=False)
class Feeds:
    """What pleats are made from.

    Attributes
    ----------
    corners : tuple of Corner
    lines : tuple of Crease
    sections : tuple of CornerSection
    tapes_mm : tuple of (k, 3) float arrays
        The outer one first.
    margin_mm, most_mm : float
        Added to each pleat, and the highest that can be laid flat.
    feed_mm : float
        From how far film is drawn while it is tucked in.
    """

    corners: tuple[Corner, ...]
    lines: tuple[Crease, ...]
    sections: tuple[CornerSection, ...]
    tapes_mm: tuple[Floats, ...]
    margin_mm: float = MARGIN_MM
    most_mm: float = 100.0
    feed_mm: float = np.inf

    def fed(self, pleats: Sequence[Pleat], wanted_mm: Floats) -> Fed:
        """Number pleats and tell what they give."""
        return fed_by(
            pleats, self.corners, self.lines, self.sections, self.tapes_mm, wanted_mm=wanted_mm, feed_mm=self.feed_mm
        )

    def nearest(self, place_mm: Sequence[float]) -> int:
        """Which section lies nearest to a place."""
        return int(np.argmin([np.linalg.norm(s.place_mm - np.asarray(place_mm)) for s in self.sections]))


def whole_film(
    bench: WholeBench, fed: Fed | None, feeds: Feeds, *, rounds: int = ROUNDS, progress: Tell = quiet
) -> tuple[WholeFilm, Spread]:
    """Lay the whole film taut and with its pleats, and give these more film where it stands off more than the limit.

    Parameters
    ----------
    bench : WholeBench
    fed : Fed or None
        The pleats that the sections ask for.
    feeds : Feeds
    rounds : int
        How often more film is tried.
    progress : callable

    Returns
    -------
    WholeFilm
    Spread
        The film drawn taut, as other cures begin.

    Raises
    ------
    ShapeError, MeshError
        The area within the tape is none that a film can be drawn over.
    SolveError
        No rest was found.
    """
    progress("whole film drawn taut", 0.0)
    drawn = bench.drawn()
    taut, _ = bench.laid("drawn taut", drawn, points=int(TAUT * bench.points), progress=progress)
    tries: list[Tried] = []
    if fed is not None and fed.folds:
        state, spread = bench.laid("with its pleats", drawn, [f.ear for f in fed.folds], progress=progress)
        tries.append(Tried("the pleats that the sections ask for", fed, state, True))
        tries = _rounds(bench, feeds, tries, spread, rounds, progress)
    return WholeFilm(bench.hull, bench.offset_mm, bench.limit_mm, taut, tuple(tries)), drawn


def _rounds(
    bench: WholeBench, feeds: Feeds, tries: list[Tried], spread: Spread, rounds: int, progress: Tell
) -> list[Tried]:
    """Try more film, and one more fold where that did not help, from the best so far."""
    best, more = tries[0], True
    for _ in range(rounds):
        if best.state.worst_mm <= bench.limit_mm:
            break
        k = feeds.nearest(best.state.worst_place_mm)
        found = _raised(best.fed, feeds, k) if more else None
        if found is None:
            more, found = False, _one_more(best.fed, feeds, k)
        if found is None:
            break
        fed, what = found
        state, other = bench.laid(what, spread, [f.ear for f in fed.folds], finer=False, again=True, progress=progress)
        better = state.worst_mm < best.state.worst_mm - BETTER_MM and not state.bursts
        tries.append(Tried(what, fed, state, better))
        if better:
            best, spread = tries[-1], other
        elif more:
            more = False
        else:
            break
    return tries


def _raised(fed: Fed, feeds: Feeds, k: int) -> tuple[Fed, str] | None:
    """Pleats with more film in the folds that feed a section; None where they are as high as can be laid flat."""
    gain, _ = shares(feeds.sections[k], fed.folds)
    own = [f for f, g in zip(fed.folds, gain) if g > 0]
    names = {fed.pleats[q].fold for f in own for q in f.pleats}
    high = {p.fold: min(MORE * p.needs_mm, max(feeds.most_mm, p.needs_mm)) for p in fed.pleats if p.fold in names}
    if not any(high[p.fold] > 1.01 * p.needs_mm for p in fed.pleats if p.fold in names):
        return None
    made = [replace(p, needs_mm=high[p.fold], height_mm=high[p.fold] + p.margin_mm) if p.fold in names else p for p in fed.pleats]
    told = ", ".join(str(p.number) for p in made if p.fold in names and p.loop == 1)
    heights = sorted({round(h) for h in high.values()})
    return feeds.fed(made, fed.wanted_mm), f"pleats {told} raised to {' and '.join(str(h) for h in heights)} mm, margins not counted"


def _one_more(fed: Fed, feeds: Feeds, k: int) -> tuple[Fed, str] | None:
    """Pleats with one more fold along the corner through a section; None where the tape runs beside it on one side only."""
    s = feeds.sections[k]
    corner = next(c for c in feeds.corners if s.line in c.lines)
    own = [p for p in fed.pleats if p.feeds == corner.name and p.loop == 1]
    if not own:
        return None
    high = ADDED * float(np.mean([p.needs_mm for p in own]))
    tape, ahead = feeds.tapes_mm[0], np.cross(s.across, s.up)
    run = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(tape, axis=0), axis=1))]
    points = np.concatenate([feeds.lines[q].points_mm for q in corner.lines])
    off = tape - s.place_mm
    lean = (off @ ahead) / np.maximum(np.linalg.norm(off, axis=1), 1e-9)
    fold, new = 1 + max(p.fold for p in fed.pleats), []
    for at in (int(np.argmax(lean)), int(np.argmin(lean))):
        x, y, z = tape[at].tolist()
        far = float(np.linalg.norm(points - tape[at], axis=1).min())
        new.append(
            Pleat(
                0, float(run[at]) / 1000, (x, y, z), high + feeds.margin_mm, high, feeds.margin_mm, corner.name, far,
                far <= feeds.feed_mm, 0, fold=fold,
            )  # fmt: skip
        )
    if np.linalg.norm(np.subtract(new[0].place_mm, new[1].place_mm)) < 2 * high:
        return None
    told = " and ".join(f"{p.at_m:.2f}" for p in sorted(new, key=lambda q: q.at_m))
    fed = feeds.fed([*fed.pleats, *new], fed.wanted_mm)
    return fed, f"one more fold of {high:.0f} mm, margin not counted, from {told} m along the tape"


def whole_cures(
    bench: WholeBench, whole: WholeFilm, drawn: Spread, *, fillet_mm: float | None, others: Sequence[Film] = (), progress: Tell = quiet
) -> WholeFilm:
    """Lay the whole film with other cures: each without pleats, and with the best of them where there are any.

    Where none keeps the limit, a larger fillet under the pleats is laid too.

    Parameters
    ----------
    bench : WholeBench
    whole : WholeFilm
    drawn : Spread
        As `whole_film` returns it.
    fillet_mm : float or None
        Radius to which corners are filled.
    others : sequence of Film
        Films to lay in its place.
    progress : callable

    Raises
    ------
    SolveError
        No rest was found.
    """
    pleats = () if whole.best is None else tuple(f.ear for f in whole.best.fed.folds)
    out: list[WholeCure] = []

    def lay(kind: str, what: str, ears: Sequence[Ear], *, fillet_mm: float = 0.0, film: Film | None = None) -> None:
        """Lay one and put it by."""
        state, _ = bench.laid(what, drawn, ears, fillet_mm=fillet_mm, film=film, progress=progress)
        out.append(WholeCure(kind, what, state, _keeps(state, bench)))

    if fillet_mm is not None:
        lay("fillet", f"a fillet of {fillet_mm:g} mm, no pleats", (), fillet_mm=fillet_mm)
        if pleats:
            lay("fillet", f"a fillet of {fillet_mm:g} mm and the pleats", pleats, fillet_mm=fillet_mm)
    for film in others:
        lay("other film", f"{film.name} drawn taut, no pleats", (), film=film)
        if pleats:
            lay("other film", f"{film.name} and the pleats", pleats, film=film)
    if pleats and fillet_mm is not None and not any(q.meets for q in out):
        larger = round(LARGER * fillet_mm)
        lay("fillet", f"a fillet of {larger} mm and the pleats", pleats, fillet_mm=larger)
    return replace(whole, cures=tuple(sorted(out, key=lambda q: (not q.meets, q.state.worst_mm))))


def _keeps(state: WholeState, bench: WholeBench) -> bool:
    return state.worst_mm <= bench.limit_mm and not state.bursts
