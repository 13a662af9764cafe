"""Film fed to the corners by pleats: how much each section wants, what the folds give it, and pleats made to suit.

A fold from tape to tape of height e puts 2 e of film in, square to its line. A section that crosses it gets that much
times the cosine of the angle between section and that way; one that ends on an inner tape gets half of it, since the
fold pushes the film out to both sides of what the inner tape goes round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..errors import SolveError
from ..surface.crease import Crease
from ..surface.mesh import Floats, Ints, closed_length
from .corners import CornerSection
from .film import Film
from .film_region import Ear
from .pleats import MARGIN_MM, Corner, Pleat, along_tape
from .section_film import filled, lay_over_section, length_mm, level, measured, tension_n_per_mm

#: Folds higher than this are shared out among more pleats, common practice: they are hard to lay flat.
MOST_MM = 100.0
#: From pleat to pleat where several stand side by side, common practice.
BESIDE_MM = 60.0
#: A section that gets less than this share of a fold is not fed by it.
LEAST_SHARE = 0.2
#: The film that a section wants is found to this, mm.
CLOSE_MM = 0.5
#: The highest fold weighs as much as so many others: folds are kept even, and none is left out that gives its own way.
EVEN = 2.0
#: No fold of a corner is less than this share of the highest: where a corner line turns there is no section to ask for it.
LEAST_HIGH = 0.5
#: A fold along the flank of a post runs this far outside its corner line.
FLANK_MM = 10.0
#: Pleats aim at this share of the limit.
AIM = 0.95
#: More folds than this are not added to one corner.
MOST_FOLDS = 4


@dataclass(frozen=True, eq=False)
class Fold:
    """A fold of film and the pleats at its ends.

    Attributes
    ----------
    ear : Ear
    pleats : tuple of int
        Places in the list of pleats.
    feeds : str
        Name of the corner.
    up : (3,) float array
        Unit vector towards the bag over the whole area: the fold's plane holds it.
    """

    ear: Ear
    pleats: tuple[int, ...]
    feeds: str
    up: Floats


def folds_of(
    pleats: Sequence[Pleat], corners: Sequence[Corner], lines: Sequence[Crease], tape_mm: Floats
) -> tuple[Fold, ...]:
    """Return the folds that pleats make over the corners they feed.

    A fold runs from one of its two pleats on the outer tape to the other; one that has no fellow ends where three walls
    meet, or else runs out along its corner's lines. Of two that end in corners across from each other, as in a pocket,
    both are one fold: what lies between their ends is moved as a whole and gets as much as if they met. Pleats of an inner tape are where folds meet it, and make none of their own.

    Parameters
    ----------
    pleats : sequence of Pleat
    corners : sequence of Corner
    lines : sequence of Crease
    tape_mm : (k, 3) float array
        The outer tape.
    """
    turn = np.cross(tape_mm, np.roll(tape_mm, -1, axis=0)).sum(axis=0)
    up = turn / max(float(np.linalg.norm(turn)), 1e-300)
    out = []
    ends: dict[int, list[int]] = {}
    for k, p in enumerate(pleats):
        if p.loop == 1 and p.fold:
            ends.setdefault(p.fold, []).append(k)
    points = {c.name: np.concatenate([lines[k].points_mm for k in c.lines]) for c in corners}
    for pair in ends.values():
        first, last = pleats[pair[0]], pleats[pair[-1]]
        if len(pair) > 1:
            end = last.place_mm
        elif first.ends_mm is not None:
            end = first.ends_mm
        else:
            own = points[first.feeds]
            x, y, z = own[int(np.argmax(np.linalg.norm(own - np.array(first.place_mm), axis=1)))].tolist()
            end = (x, y, z)
        height = min(pleats[k].needs_mm for k in pair)
        out.append(Fold(Ear(first.place_mm, end, height), tuple(pair), first.feeds, up))
    return tuple(out)


def paired(pleats: Sequence[Pleat]) -> list[Pleat]:
    """Join pleats that feed one corner in pairs, the first round the tape with the one half of them further on.

    Those whose folds end in one and the same corner of three walls are not joined: each has a fold of its own.

    Parameters
    ----------
    pleats : sequence of Pleat
    """
    out, fold = [], 0
    for name in dict.fromkeys(p.feeds for p in pleats):
        own = [p for p in pleats if p.feeds == name and p.loop == 1]
        alone = [p for p in own if p.ends_mm is not None and sum(q.ends_mm == p.ends_mm for q in own) > 1]
        for p in alone:
            fold += 1
            out.append(replace(p, fold=fold))
        own = [p for p in own if p not in alone]
        half = len(own) // 2
        for k, p in enumerate(own):
            out.append(replace(p, fold=fold + 1 + (k % half if k < 2 * half else half)))
        fold += half + len(own) % 2
        out += [p for p in pleats if p.feeds == name and p.loop > 1]
    return out


def shares(section: CornerSection, folds: Sequence[Fold], *, inner: bool = False) -> tuple[Floats, Floats]:
    """Return what a section gets of each fold, as a share of its height, and from how far the film must be drawn.

    Parameters
    ----------
    section : CornerSection
    folds : sequence of Fold
    inner : bool
        Whether the section ends on an inner tape.

    Returns
    -------
    (k,) float array
        0 to 2.
    (k,) float array, mm
        From the fold to the corner along the hull; infinite where nothing is fed.
    """
    gain, far = np.zeros(len(folds)), np.full(len(folds), np.inf)
    ahead = np.cross(section.across, section.up)
    for k, fold in enumerate(folds):
        a, b = np.array(fold.ear.from_mm), np.array(fold.ear.to_mm)
        h = (np.stack([a, b]) - section.place_mm) @ ahead
        way = b - a - ((b - a) @ fold.up) * fold.up
        size = float(np.linalg.norm(way))
        if size < 1e-6:
            continue
        cosine = abs(float(way @ ahead)) / size
        if inner:
            gain[k] = cosine if cosine > LEAST_SHARE else 0.0
        elif h[0] * h[1] <= 0 and cosine > LEAST_SHARE:
            gain[k] = 2 * cosine
        if gain[k]:
            far[k] = _drawn_mm(section, a, np.cross(way, fold.up) / size)
    return gain, far


def _drawn_mm(section: CornerSection, a: Floats, across: Floats) -> float:
    """How far along the hull a section's corner lies from a fold, whose plane goes through a place, square to a way."""
    flat = section.surface_mm
    off = (section.place_mm + flat[:, :1] * section.across + flat[:, 1:] * section.up - a) @ across
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(flat, axis=0), axis=1))]
    k = np.flatnonzero((off[:-1] > 0) != (off[1:] > 0))
    if not len(k):
        # It passes beyond an end: as far as that.
        return float(abs(s[int(np.argmin(np.abs(off)))] - section.own_mm))
    at = s[k] + off[k] / (off[k] - off[k + 1]) * (s[k + 1] - s[k])
    return float(np.abs(at - section.own_mm).min())


def wanted_mm(section: CornerSection, film: Film, *, pressure_kpa: float, limit_mm: float) -> float:
    """Return the film to put into a section beyond a taut one, so that its corner is left by no more than a limit.

    Parameters
    ----------
    section : CornerSection
    film : Film
    pressure_kpa : float
    limit_mm : float
    """
    if lay_over_section(section, film, pressure_kpa=pressure_kpa).depth_mm <= limit_mm:
        return 0.0
    hull, turn = level(section)
    low, high = 1e-3, 4.0 * max(float(np.ptp(hull, axis=0).max()), 1.0)
    way = filled(hull, low)
    while high > 1.01 * low:
        middle = float(np.sqrt(low * high))
        tried = filled(hull, middle)
        if measured(section, hull, tried, turn, (middle, 0.0, 1.0)).depth_mm <= limit_mm:
            low, way = middle, tried
        else:
            high = middle
    pull = low * pressure_kpa * 1e-3
    return max(length_mm(way) / _stretch_at(film, pull) - section.taut_path_mm, 0.0)


def _stretch_at(film: Film, tension: float) -> float:
    """Stretch of a film pulled one way by a tension in N/mm; that at its yield where it is pulled harder."""
    if film.drawn:
        return 1.0
    stretch = 1.0 + min(tension, film.yield_n_per_mm) / film.stiffness_n_per_mm
    return stretch if tension_n_per_mm(film, stretch) > 0 else 1.0


@dataclass(frozen=True, eq=False)
class Fed:
    """Pleats as they suit the sections.

    Attributes
    ----------
    pleats : tuple of Pleat
    folds : tuple of Fold
    given_mm : (s,) float array
        Film that each section gets from them, margins of the pleats not counted.
    wanted_mm : (s,) float array
        Film that it wants.
    far_mm : (s,) float array
        From how far that film must be drawn to the corner; 0 where none is wanted.
    """

    pleats: tuple[Pleat, ...]
    folds: tuple[Fold, ...]
    given_mm: Floats
    wanted_mm: Floats
    far_mm: Floats

    @property
    def unfed(self) -> Ints:
        """(k,) int array: sections that want film and get less than they want."""
        return np.flatnonzero(self.given_mm < self.wanted_mm - CLOSE_MM)


def fit_pleats(
    pleats: Sequence[Pleat], corners: Sequence[Corner], lines: Sequence[Crease], sections: Sequence[CornerSection],
    film: Film, tapes_mm: Sequence[Floats], *, pressure_kpa: float, limit_mm: float, most_mm: float = MOST_MM,
    margin_mm: float = MARGIN_MM, feed_mm: float = np.inf,
) -> Fed:  # fmt: skip
    """Make pleats as high as their sections want them, add folds where none feeds a section, and share out high ones.

    Parameters
    ----------
    pleats : sequence of Pleat
        Where they stand.
    corners : sequence of Corner
    lines : sequence of Crease
    sections : sequence of CornerSection
    film : Film
    tapes_mm : sequence of (k, 3) float arrays
        The closed tape lines, the outer one first.
    pressure_kpa : float
        At which the limit is to hold.
    limit_mm : float
        How far the film may stand off.
    most_mm : float
        Height of a fold that can still be laid flat.
    margin_mm : float
        Added to the height of each pleat.
    feed_mm : float
        From how far film is drawn while it is tucked in.
    """
    aim = AIM * limit_mm
    want = np.array([wanted_mm(s, film, pressure_kpa=pressure_kpa, limit_mm=aim) for s in sections])
    inner = [ends_inside(s, tapes_mm) for s in sections]
    made = paired(pleats)
    for corner in corners:
        own = np.array([k for k, s in enumerate(sections) if s.line in corner.lines], dtype=int)
        if not len(own) or want[own].max() < CLOSE_MM:
            made = [p for p in made if p.feeds != corner.name]
            continue
        made = _added(made, corner, corners, lines, sections, own, want, inner, tapes_mm, margin_mm)
        tried = [made, _flanking(made, corner, lines, tapes_mm[0])]
        tried = [_raised(q, corner, corners, lines, sections, own, want, inner, tapes_mm) for q in tried]
        # Folds that come nearest to the corner are fed with the least drag.
        made = min(tried, key=lambda q: _drag(q, corner, corners, lines, sections, own, want, inner, tapes_mm))
    made = _shared_out(made, tapes_mm, most_mm)
    made += _inner_ends(made, corners, sections, lines, tapes_mm)
    return fed_by(made, corners, lines, sections, tapes_mm, wanted_mm=want, feed_mm=feed_mm)


def fed_by(
    pleats: Sequence[Pleat], corners: Sequence[Corner], lines: Sequence[Crease], sections: Sequence[CornerSection],
    tapes_mm: Sequence[Floats], *, wanted_mm: Floats, feed_mm: float = np.inf,
) -> Fed:  # fmt: skip
    """Number pleats and return what they give each section.

    Parameters
    ----------
    pleats : sequence of Pleat
        The ends of one fold share its number.
    corners, lines, sections, tapes_mm
        As for `fit_pleats`.
    wanted_mm : (s,) float array
        Film that each section wants.
    feed_mm : float
        From how far film is drawn while it is tucked in.
    """
    inner = [ends_inside(s, tapes_mm) for s in sections]
    made = numbered([replace(p, helps=p.far_mm <= feed_mm) for p in pleats])
    folds = folds_of(made, corners, lines, tapes_mm[0])
    got, far = np.zeros(len(sections)), np.zeros(len(sections))
    for k, s in enumerate(sections):
        gain, off = shares(s, folds, inner=inner[k])
        each = gain * np.array([f.ear.height_mm for f in folds])
        got[k] = each.sum()
        if wanted_mm[k] > CLOSE_MM and len(folds) and got[k] > 0:
            far[k] = _drawn_from_mm(s, each, off, wanted_mm[k])
    return Fed(tuple(made), folds, got, wanted_mm, far)


def _added(
    made: list[Pleat], corner: Corner, corners: Sequence[Corner], lines: Sequence[Crease],
    sections: Sequence[CornerSection], own: Ints, want: Floats, inner: Sequence[bool], tapes: Sequence[Floats],
    margin: float,
) -> list[Pleat]:  # fmt: skip
    """Add folds along the corner through sections that want film and get none."""
    for _ in range(MOST_FOLDS):
        folds = [f for f in folds_of(made, corners, lines, tapes[0]) if f.feeds == corner.name]
        dry = [k for k in own if want[k] > CLOSE_MM and not shares(sections[k], folds, inner=inner[k])[0].any()]
        if not dry:
            break
        k = max(dry, key=lambda q: want[q])
        s = sections[k]
        ahead = np.cross(s.across, s.up)
        fold = 1 + max((p.fold for p in made), default=0)
        for sign in (1.0, -1.0):
            off = tapes[0] - s.place_mm
            at = int(np.argmax(sign * (off @ ahead) / np.maximum(np.linalg.norm(off, axis=1), 1e-9)))
            x, y, z = tapes[0][at].tolist()
            reach = float(np.linalg.norm(off[at]))
            run = float(np.linalg.norm(np.diff(tapes[0][: at + 1], axis=0), axis=1).sum()) / 1000
            made.append(Pleat(0, run, (x, y, z), 0.0, 0.0, margin, corner.name, reach, True, 0, fold=fold))
        made.sort(key=lambda p: (p.loop, p.at_m))
    return made


def _raised(
    made: list[Pleat], corner: Corner, corners: Sequence[Corner], lines: Sequence[Crease],
    sections: Sequence[CornerSection], own: Ints, want: Floats, inner: Sequence[bool], tapes: Sequence[Floats],
) -> list[Pleat]:  # fmt: skip
    """Make the folds of a corner as high as its sections want them, with as little film as that takes."""
    from scipy.optimize import linprog

    folds = [f for f in folds_of(made, corners, lines, tapes[0]) if f.feeds == corner.name]
    gain = np.array([shares(sections[k], folds, inner=inner[k])[0] for k in own])
    fed = gain.any(axis=1)
    if not fed.any():
        return made
    # The last unknown is the highest of them: of ways that take as much film, the evenest.
    count = len(folds)
    one = np.eye(count)
    rows = [np.r_[-g, 0.0] for g in gain[fed]] + [np.r_[q, -1.0] for q in one] + [np.r_[-q, LEAST_HIGH] for q in one]
    bounds = np.r_[-want[own][fed], np.zeros(2 * count)]
    found = linprog(np.r_[np.ones(count), EVEN], A_ub=np.array(rows), b_ub=bounds)
    if not found.success:
        raise SolveError(f"no heights suit the pleats of {corner.name}: {found.message}")
    height = {q: float(found.x[k]) for k, f in enumerate(folds) for q in f.pleats}
    out = []
    for k, p in enumerate(made):
        if k in height and height[k] <= CLOSE_MM:
            continue
        out.append(replace(p, needs_mm=height[k], height_mm=height[k] + p.margin_mm) if k in height else p)
    return out


def _flanking(
    made: Sequence[Pleat], corner: Corner, lines: Sequence[Crease], tape: Floats
) -> list[Pleat]:
    """Put two folds along the flanks of what a closed corner goes round, in place of each that runs over it."""
    own = [p for p in made if p.feeds == corner.name and p.loop == 1]
    pairs = {f: [p for p in own if p.fold == f] for f in dict.fromkeys(p.fold for p in own)}
    if not any(lines[k].closed for k in corner.lines) or any(len(q) != 2 for q in pairs.values()):
        return list(made)
    if any(p.ends_mm is not None for p in own):
        return list(made)  # a pocket: there is nothing that stands in the way of its folds
    points = np.concatenate([lines[k].points_mm for k in corner.lines])
    up = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(tape, axis=0), axis=1))]
    fold = max(p.fold for p in made)
    out = [p for p in made if p not in own]
    middle = points.mean(axis=0)
    for a, b in pairs.values():
        way = np.subtract(b.place_mm, a.place_mm)
        way = way / np.linalg.norm(way)
        across = np.cross(up, way)
        off = (points - middle) @ across
        for aside in (off.min() - FLANK_MM, off.max() + FLANK_MM):
            fold += 1
            for p, sign in ((a, -1.0), (b, 1.0)):
                away = tape - middle
                ahead = sign * (away @ way) > 0
                at = int(np.argmin(np.where(ahead, np.abs(away @ across - aside), np.inf)))
                x, y, z = tape[at].tolist()
                far = float(np.linalg.norm(points - tape[at], axis=1).min())
                out.append(replace(p, place_mm=(x, y, z), at_m=float(length[at]) / 1000, far_mm=far, fold=fold))
    return sorted(out, key=lambda p: (p.loop, p.at_m))


def _drag(
    made: Sequence[Pleat], corner: Corner, corners: Sequence[Corner], lines: Sequence[Crease],
    sections: Sequence[CornerSection], own: Ints, want: Floats, inner: Sequence[bool], tapes: Sequence[Floats],
) -> float:  # fmt: skip
    """Farthest that film must be drawn to a section of a corner, mm; what a section lacks counts ten times."""
    folds = [f for f in folds_of(made, corners, lines, tapes[0]) if f.feeds == corner.name]
    worst = 0.0
    for k in own:
        if want[k] > CLOSE_MM:
            gain, far = shares(sections[k], folds, inner=inner[k])
            given = gain * np.array([f.ear.height_mm for f in folds])
            worst = max(worst, _drawn_from_mm(sections[k], given, far, want[k]) + 10.0 * max(want[k] - given.sum(), 0.0))
    return worst


def _drawn_from_mm(section: CornerSection, given: Floats, far: Floats, want: float) -> float:
    """From how far a section's corner draws its own share of the film wanted, the nearest folds first."""
    need = want / max(len(section.crossed), 1)
    order = np.argsort(far)
    total = np.cumsum(given[order])
    enough = np.flatnonzero(total >= need - CLOSE_MM)
    if len(enough):
        return float(far[order][enough[0]])
    fed = np.flatnonzero(given[order] > 0)
    return float(far[order][fed[-1]]) if len(fed) else 0.0


def _shared_out(made: Sequence[Pleat], tapes: Sequence[Floats], most: float) -> list[Pleat]:
    """Put several pleats side by side where one would be too high."""
    out: list[Pleat] = []
    first = {p.fold: k for k, p in reversed(list(enumerate(made)))}
    fold = max((p.fold for p in made), default=0)
    for k, p in enumerate(made):
        tape = tapes[p.loop - 1]
        whole = closed_length(tape)
        count = int(np.ceil(p.needs_mm / most - 1e-9)) or 1
        # Only as many as the tape's length has room for.
        count = min(count, max(int(whole / (4 * BESIDE_MM)), 1))
        for i in range(count):
            # Folds side by side do not cross: what lies ahead along the tape at one end lies behind at the other.
            turn = 1.0 if first[p.fold] == k else -1.0
            at = (1000 * p.at_m + turn * (i - 0.5 * (count - 1)) * BESIDE_MM) % whole
            x, y, z = along_tape(tape, at).tolist()
            place = p.place_mm if count == 1 else (x, y, z)
            high = p.needs_mm / count
            name = p.fold if i == 0 else fold + 1000 * p.fold + i
            out.append(
                replace(p, at_m=at / 1000, place_mm=place, needs_mm=high, height_mm=high + p.margin_mm, fold=name)
            )
    return out


def _inner_ends(
    made: Sequence[Pleat], corners: Sequence[Corner], sections: Sequence[CornerSection], lines: Sequence[Crease],
    tapes: Sequence[Floats],
) -> list[Pleat]:  # fmt: skip
    """Pleats on the inner tapes, where the folds that feed a corner about them end."""
    out = []
    for corner in corners:
        loops = {q for s in sections if s.line in corner.lines for q in _tapes_of(s, tapes) if q > 0}
        points = np.concatenate([lines[k].points_mm for k in corner.lines])
        for loop in sorted(loops):
            tape = tapes[loop]
            length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(tape, axis=0), axis=1))]
            for p in made:
                if p.feeds != corner.name or p.loop != 1:
                    continue
                at = int(np.argmin(np.linalg.norm(tape - np.array(p.place_mm), axis=1)))
                x, y, z = tape[at].tolist()
                far = float(np.linalg.norm(points - tape[at], axis=1).min())
                out.append(replace(p, place_mm=(x, y, z), at_m=float(length[at]) / 1000, far_mm=far, loop=loop + 1))
    return out


def numbered(pleats: Sequence[Pleat]) -> list[Pleat]:
    """Number pleats along their tapes and put them in order of making, the highest first.

    Parameters
    ----------
    pleats : sequence of Pleat
    """
    line = sorted(pleats, key=lambda p: (p.loop, p.at_m))
    rank = np.argsort(np.argsort([-round(p.needs_mm, 3) for p in line], kind="stable"), kind="stable")
    fold = {f: k + 1 for k, f in enumerate(dict.fromkeys(p.fold for p in line))}
    return [replace(p, number=k + 1, order=int(rank[k]) + 1, fold=fold[p.fold]) for k, p in enumerate(line)]


def ends_inside(section: CornerSection, tapes_mm: Sequence[Floats]) -> bool:
    """Whether a section ends on another tape than the outer one.

    Parameters
    ----------
    section : CornerSection
    tapes_mm : sequence of (k, 3) float arrays
    """
    return any(_tapes_of(section, tapes_mm))


def _tapes_of(section: CornerSection, tapes: Sequence[Floats]) -> tuple[int, ...]:
    """Which tapes a section ends on, 0 the outer one."""
    if len(tapes) < 2:
        return (0, 0)
    flat = section.surface_mm[[0, -1]]
    ends = section.place_mm + flat[:, :1] * section.across + flat[:, 1:] * section.up
    return tuple(
        min(range(len(tapes)), key=lambda k: float(np.linalg.norm(tapes[k] - e, axis=1).min())) for e in ends
    )
