"""Which cuts to make: evenly spread ones where a patch is a dome, else the best one at a time, in mirrored pairs if it may be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..errors import CheckError, OutlineError
from ..surface.cut import insert_path
from ..surface.mesh import Floats, Surface
from ._dart_draft import Course, Piece, Rules, Slit, Trial, laid, length_mm, opened_with, try_cuts
from ._dart_ways import Fan, Symmetry, Way, dart_ways, fans, lines_across, potential, symmetry_of
from .gusset import gusset_at, try_gussets

#: Depths of darts, as shares of the way to the tip; a fan's darts are tried as deep as the second and then `DEEPER`, and
#: the least depth that is enough is closed in on from `SHORTEST` by so many halvings.
DEPTHS, SHORTEST, DEEPER, HALVINGS = (1.0, 0.75), 0.45, 0.9, 3
#: A fan is enough with this share of what may be over the limit: a draft is not the patch.
SAFE = 0.5
#: A cut so near a mirror plane, as a share of the patch's size, is put on it; two ends nearer than that are one.
ON_PLANE = 0.06
#: More darts are no longer tried when so many counts in a row have gained nothing.
PATIENCE = 2
#: A round patch whose darts leave no more than this share of it over the limit is not tried without its symmetry.
NEARLY = 0.005
#: Symmetric cuts are taken where others need at most so many fewer, and those are no shorter than by this share.
FEWER, LONGER = 0, 1.25


@dataclass(frozen=True, eq=False)
class State:
    """A draft with its cuts so far."""

    pieces: tuple[Piece, ...]
    courses: tuple[Course, ...] = ()

    def over(self, rules: Rules) -> float:
        """Share of the area over the limit."""
        return sum(p.over_mm2 for p in self.pieces) / rules.area_mm2

    def with_trial(self, k: int, trial: Trial) -> State:
        """Take the cuts of piece k on."""
        return State((*self.pieces[:k], *trial.pieces, *self.pieces[k + 1 :]), (*self.courses, *trial.courses))

    @property
    def length_mm(self) -> float:
        """Of all cuts."""
        return sum(length_mm(c.line_mm) for c in self.courses)


def find_cuts(draft: Surface, rules: Rules, *, most: int, given: tuple[Course, ...] = ()) -> tuple[Course, ...]:
    """Find the cuts of a draft.

    Parameters
    ----------
    draft : Surface
    rules : Rules
    most : int
        Beyond those given.
    given : tuple of Course

    Returns
    -------
    tuple of Course

    Raises
    ------
    OutlineError
        If a given one does not run from the edge into the patch.
    """
    state = State((laid(draft, rules),))
    for course in given:
        state = _as_given(state, course, rules)
    if most <= 0 or state.over(rules) <= rules.over_share:
        return state.courses
    symmetry = symmetry_of(draft)
    best = state
    if not given:
        best = _fanned(state, rules, symmetry, most)
        if best.over(rules) <= rules.over_share and (symmetry.round or len(best.courses) <= 2):
            return best.courses
    most += len(given)
    even = _greedy(best, rules, most, symmetry) if len(symmetry.normals) or best is not state else None
    if even is not None and symmetry.round and even.over(rules) < max(rules.over_share, NEARLY):
        return even.courses
    plain = _greedy(state, rules, most, None)
    return (plain if even is None or not _as_good(even, plain, rules) else even).courses


def _as_good(even: State, plain: State, rules: Rules) -> bool:
    """Whether evenly spread cuts do what others do."""
    if even.over(rules) > max(rules.over_share, plain.over(rules)):
        return False
    if plain.over(rules) > rules.over_share:
        return True
    return len(even.courses) <= len(plain.courses) + FEWER or even.length_mm < LONGER * plain.length_mm


def _fanned(state: State, rules: Rules, symmetry: Symmetry, most: int) -> State:
    """Try fans of more and more darts until one brings the patch within the limit."""
    (piece,) = state.pieces
    field = potential(piece.surface)
    if "dart" not in rules.kinds or field.max() < -field.min() or len(piece.surface.boundary_loops) > 1:
        return state
    best: Trial | None = None
    idle = 0
    for count in range(1, most + 1):
        now = [q for fan in _fans(piece, field, symmetry, count, rules) for q in _fan_trials(fan, rules)]
        if not now:
            continue
        top, fan, depth = max(now, key=lambda q: (_enough(q[0], rules), q[0].gain))
        if _enough(top, rules):
            return state.with_trial(0, _shortened(top, fan, depth, rules))
        idle = 0 if best is None or top.gain > best.gain else idle + 1
        best = top if best is None or top.gain > best.gain else best
        if idle == PATIENCE:
            break
    return state if best is None else state.with_trial(0, best)


def _fans(piece: Piece, field: Floats, symmetry: Symmetry, count: int, rules: Rules) -> Iterator[Fan]:
    return fans(piece, field, symmetry, count, beside=rules.keep_off is not None)


def _enough(trial: Trial, rules: Rules) -> bool:
    return trial.over_mm2 <= SAFE * rules.over_share * rules.area_mm2


def _fan_trials(fan: Fan, rules: Rules) -> Iterator[tuple[Trial, Fan, float]]:
    """Try a fan; deeper if that is not enough."""
    for depth in (DEPTHS[-1], DEEPER):
        trial = try_cuts(fan.piece, fan.courses(depth), rules, parts=1)
        if trial is not None:
            yield trial, fan, depth
            if _enough(trial, rules):
                return


def _shortened(trial: Trial, fan: Fan, depth: float, rules: Rules) -> Trial:
    """Close in on the least depth that is enough."""
    short = DEPTHS[-1] if depth == DEEPER else SHORTEST
    for _ in range(HALVINGS):
        middle = 0.5 * (short + depth)
        other = try_cuts(fan.piece, fan.courses(middle), rules, parts=1)
        if other is not None and _enough(other, rules):
            trial, depth = other, middle
        else:
            short = middle
    return trial


def _greedy(state: State, rules: Rules, most: int, symmetry: Symmetry | None) -> State:
    """Add the best cut, or the best set of mirror images, until the patch is within the limit."""
    while len(state.courses) < most and state.over(rules) > rules.over_share:
        found = _next(state, rules, most - len(state.courses), symmetry)
        if found is None:
            break
        state = found
    return state


def _next(state: State, rules: Rules, most: int, symmetry: Symmetry | None) -> State | None:
    """Cut the piece that is worst off, or the next one where it cannot be helped."""
    pieces = state.pieces
    for k in sorted(range(len(pieces)), key=lambda j: -pieces[j].harm):
        if pieces[k].over_mm2 <= rules.over_share * rules.area_mm2 / (2 * len(pieces)):
            return None
        best = _best(pieces[k], rules, most, symmetry if len(pieces) == 1 else None)
        if best is not None:
            return state.with_trial(k, best)
    return None


def _best(piece: Piece, rules: Rules, most: int, symmetry: Symmetry | None) -> Trial | None:
    """Try darts, or splits and gussets, as the sign of the curvature says; the others only if those fail."""
    field = potential(piece.surface)
    inward, across = _best_dart, _best_across
    for one in (inward, across) if field.max() >= -field.min() else (across, inward):
        best = one(piece, field, rules, most, symmetry)
        if best is not None:
            return best
    return None


def _best_dart(
    piece: Piece, field: Floats, rules: Rules, most: int, symmetry: Symmetry | None
) -> Trial | None:
    """Try darts from the edge to the peaks of the potential, the best of them again not quite so far."""
    if "dart" not in rules.kinds:
        return None
    trials = []
    for way in dart_ways(piece, field, rules):
        for depth in DEPTHS:
            trial = _dart(piece, way, depth, rules, most, symmetry)
            if trial is not None:
                trials.append((trial, way, depth))
                break
    if not trials:
        return None

    def rate(trial: Trial) -> float:
        """What a trial gains for each of its cuts."""
        return trial.gain / len(trial.courses)

    best, way, depth = max(trials, key=lambda q: rate(q[0]))
    shorter = _dart(piece, way, DEPTHS[-1], rules, most, symmetry) if depth == DEPTHS[0] else None
    return best if shorter is None else max(best, shorter, key=rate)


def _dart(
    piece: Piece, way: Way, depth: float, rules: Rules, most: int, symmetry: Symmetry | None
) -> Trial | None:
    """Try a dart along the first part of a way, with its mirror images."""
    end, tip = way.to(depth)
    v = piece.surface.vertices_mm
    alone = [Course("dart", v[[end, tip]], piece.way(end, tip))]
    courses = alone if symmetry is None else _images(piece, v[[end, tip]], symmetry, rules)
    if courses is None or len(courses) > most:
        return None
    return try_cuts(piece, courses, rules, parts=1)


def _images(piece: Piece, points_mm: Floats, symmetry: Symmetry, rules: Rules) -> list[Course] | None:
    """Return a dart and its mirror images; one near a plane is put on it."""
    points = points_mm
    for normal in symmetry.normals:
        off = (points - symmetry.centre_mm) @ normal
        if (np.abs(off) < ON_PLANE * rules.size_mm).all():
            points = points - off[:, None] * normal
    v, rim, inside = piece.surface.vertices_mm, piece.surface.boundary_loops[0], np.flatnonzero(~piece.on_rim)
    rim = rim[piece.bare(rules)]
    ends, tips = cKDTree(v[rim]), cKDTree(v[inside])
    out: list[Course] = []
    for image in symmetry.images(points):
        far = [float(np.linalg.norm(c.points_mm[0] - image[0])) for c in out]
        if far and min(far) < 1e-6 * rules.size_mm:
            continue
        if far and min(far) < ON_PLANE * rules.size_mm:
            return None
        end, tip = int(rim[ends.query(image[0])[1]]), int(inside[tips.query(image[1])[1]])
        out.append(Course("dart", image, piece.way(end, tip)))
    return out


def _best_across(
    piece: Piece, field: Floats, rules: Rules, most: int, symmetry: Symmetry | None
) -> Trial | None:
    """Try lines from edge to edge and gussets: whichever takes away more for its length."""
    del most, symmetry
    trials: list[Trial] = []
    if "split" in rules.kinds:
        made = [t for c in lines_across(piece, field) if (t := try_cuts(piece, [c], rules, parts=2)) is not None]
        trials += [max(made, key=lambda t: t.gain)] if made else []
    if "gusset" in rules.kinds:
        wedges = list(try_gussets(piece, field, rules))
        trials += [max(wedges, key=lambda t: t.gain)] if wedges else []
    return max(trials, key=lambda t: _rate(piece, t)) if trials else None


def _rate(piece: Piece, trial: Trial) -> float:
    """Harm taken away for each mm of cut."""
    return (piece.harm - sum(p.harm for p in trial.pieces)) / sum(length_mm(c.line_mm) for c in trial.courses)


# -- cuts that the user placed -----------------------------------------------------------------------------------------
def _as_given(state: State, course: Course, rules: Rules) -> State:
    """Make a cut that the user placed, whatever it gains."""
    off = [float(p.surface.locate(course.points_mm).distance_mm.max()) for p in state.pieces]
    k = int(np.argmin(off))
    piece = state.pieces[k]
    v = piece.surface.vertices_mm
    rim = np.concatenate(piece.surface.boundary_loops)
    line = np.vstack([v[rim[cKDTree(v[rim]).query(course.points_mm[0])[1]]], course.points_mm[1:]])
    if course.kind == "gusset":
        return state.with_trial(k, _given_gusset(piece, line, rules))
    made = _cut(piece, line)
    if made is None:
        raise not_inward(line[0])
    opened, starts = opened_with(made, made.carry(piece.flat.uv_mm))
    parts = tuple(laid(s, rules, start) for s, start in zip(opened.pieces, starts))
    done = replace(
        course, kind="dart" if len(parts) == 1 else "split", points_mm=line,
        line_mm=made.surface.vertices_mm[made.paths[0]],
    )
    return state.with_trial(k, Trial((done,), parts, 0.0))


def not_inward(place_mm: Floats) -> OutlineError:
    """Return the fault of a cut that does not run from the edge into the patch."""
    x, y, z = place_mm
    return OutlineError(
        "a cut does not run from the edge into the patch", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
        do="Begin it on the edge, and end it inside or on the edge again.",
    )


def _given_gusset(piece: Piece, line: Floats, rules: Rules) -> Trial:
    """Let a gusset in where the user wants it."""
    inside = np.flatnonzero(~piece.on_rim)
    tip = int(inside[cKDTree(piece.surface.vertices_mm[inside]).query(line[-1])[1]])
    trial = gusset_at(piece, line[0], tip, rules)
    if trial is None:
        x, y, z = line[0]
        raise OutlineError(
            "no gusset can be let in here: the cloth has no angle to spare round its tip, or its sides would run along the "
            "edge", where=f"({x:.1f}, {y:.1f}, {z:.1f}) mm",
            do="Place it where the surface is saddled, with its tip well inside, or make a dart of it.",
        )
    (course,) = trial.courses
    return replace(trial, courses=(replace(course, points_mm=line[[0, -1]], given=True),))


def _cut(piece: Piece, line: Floats) -> Slit | None:
    """Make a line of a user's an edge path of the draft; None where it does not run from the edge inward."""
    try:
        made = insert_path(piece.surface, line, closed=False, smooth_mm=0.0, tolerance_mm=1e9)
    except (OutlineError, CheckError):
        return None
    return Slit(made.surface, (made.path,), made.weights) if from_rim(made.surface, made.path) else None


def from_rim(surface: Surface, path: np.ndarray) -> bool:
    """Whether a path begins on the edge and leaves it at once, to end inside or on the edge again."""
    rim = np.zeros(len(surface.vertices_mm), dtype=bool)
    for loop in surface.boundary_loops:
        rim[loop] = True
    return len(path) > 2 and bool(rim[path[0]]) and not rim[path[1:-1]].any()
