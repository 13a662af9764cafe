"""Drawings for pen and knife plotters: the plain plotter language, and the same inside an HP-GL/2 frame.

Only pen up, pen down and whole numbers are used, 40 to the mm, so that old machines read it. Marks come first, with pen
2; then what is cut, with tool 1, in the drawing's order: what lies inside before the line round it. A lay longer than the
machine's table is drawn frame by frame, the material fed on between.

References
----------
Commands IN, SP, PU, PD, PS, PG, FR, and 0.025 mm to the unit, are those of the published plotter language as remembered;
no machine has read these files. `ESC % -1 B` opens HP-GL/2 by itself on a plotter that starts in another language, and
PS tells it the length and width of a frame.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
import shapely.ops
from shapely import LineString

from ..errors import CheckError, OutputError
from ..surface.mesh import Floats
from .drawing import Drawing
from .pen import pen_lines

#: Plotter units in a mm.
UNITS_PER_MM = 40
#: Old controllers keep coordinates in 16 bits: up to 819 mm, what a parted cut runs on by counted. A longer frame is for those that count further.
USUAL_FRAME_MM = 800.0
LONGEST_FRAME_MM = 10_000.0
#: A closed cut runs on by this past its start, so that no thread holds the piece (common practice).
OVERCUT_MM = 2.0
#: Not for the table: it has the roll itself, and the tool knows where it starts.
_OFF_LAYERS = ("ROLL", "CHECK", "START", "GRID")
_CUT_LAYERS = ("NOTCH", "CUT")
_SAME_MM = 1e-9
LANGUAGES = {"plain": ".plt", "hpgl2": ".hpgl2"}


@dataclass(frozen=True, eq=False)
class Move:
    """One line of a tool.

    Attributes
    ----------
    tool : int
        1 cuts, 2 draws.
    points_mm : (k, 2) float array
        Within its frame.
    """

    tool: int
    points_mm: Floats


@dataclass(frozen=True, eq=False)
class Frame:
    """What is drawn before the material is fed on.

    Attributes
    ----------
    start_mm : float
        Where the frame begins along the roll.
    length_mm : float
        How far the material is fed after it.
    moves : tuple of Move
        In the order in which they are made.
    width_mm : float
        Of the material, or of what lies on it.
    """

    start_mm: float
    length_mm: float
    moves: tuple[Move, ...]
    width_mm: float = 0.0


def frames_of(
    drawing: Drawing, *, frame_mm: float = USUAL_FRAME_MM, overcut_mm: float = OVERCUT_MM, past_mm: float = OVERCUT_MM,
    zero: str = "edge",
) -> tuple[Frame, ...]:  # fmt: skip
    """Return the moves that draw and cut a drawing, frame by frame along x.

    Parameters
    ----------
    drawing : Drawing
        Moved so that the machine's zero is at (0, 0).
    frame_mm : float
        Length of a frame, taken to the nearest plotter unit; a line over its edge is parted there.
    overcut_mm : float
        How far a closed cut runs on past its start.
    past_mm : float
        How far a parted cut runs on past its frame's far edge.
    zero : {"edge", "middle"}
        As `zero_mm`.

    Raises
    ------
    OutputError
        A frame that is too short or too long, or an unknown zero.
    CheckError
        A line that is not finite.
    """
    if not 50.0 <= frame_mm <= LONGEST_FRAME_MM:
        raise OutputError(f"a frame of {frame_mm:g} mm", do=f"Between 50 and {LONGEST_FRAME_MM:g} mm.")
    at, unit = zero_mm(drawing, zero=zero), 1.0 / UNITS_PER_MM
    # Whole units, or what is rounded off adds up from frame to frame.
    frame_mm = round(frame_mm / unit) * unit
    lines = [Move(tool, p - at) for tool, p in _in_order(drawing, overcut_mm)]
    if not lines:
        return ()
    every = np.concatenate([move.points_mm for move in lines])
    if not np.isfinite(every).all():
        raise CheckError("a line is not finite", where=drawing.title)
    long, wide = float(every[:, 0].max()), max(float(np.ptp(every[:, 1])), _roll_width(drawing))
    count = max(math.ceil(long / frame_mm - _SAME_MM), 1)
    frames = []
    for k in range(count):
        inside = tuple(_within(lines, k * frame_mm, (k + 1) * frame_mm, past_mm))
        frames.append(Frame(k * frame_mm, min(frame_mm, long - k * frame_mm), inside, wide))
    return tuple(frames)


def zero_mm(drawing: Drawing, *, zero: str = "edge") -> Floats:
    """Return the (2,) point that becomes the machine's zero.

    Parameters
    ----------
    drawing : Drawing
    zero : {"edge", "middle"}
        At the near end, on the edge of the roll or of the pieces, or midway across: large plotters count from there,
        which keeps material of 1.6 m within 16 bits.

    Raises
    ------
    OutputError
        An unknown zero.
    """
    if zero not in ("edge", "middle"):
        raise OutputError(f"no zero is known as {zero}", do="Choose edge or middle.")
    rings = [s.points_mm for s in drawing.strokes if s.layer == "ROLL"]
    rings = rings or [np.asarray(outline.exterior.coords)[:, :2] for _, outline in drawing.pieces]
    points = np.concatenate(rings) if rings else np.array(drawing.bounds_mm()).reshape(2, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    return low if zero == "edge" else np.array([low[0], 0.5 * (low[1] + high[1])])


def _roll_width(drawing: Drawing) -> float:
    rings = [s.points_mm[:, 1] for s in drawing.strokes if s.layer == "ROLL"]
    return float(np.ptp(np.concatenate(rings))) if rings else 0.0


def _in_order(drawing: Drawing, overcut_mm: float) -> Iterator[tuple[int, Floats]]:
    """Yield (tool, points): marks, near ones first, then what is cut, in the drawing's order."""
    marks = [_shown(s.points_mm, s.closed) for s in drawing.strokes if s.layer not in (*_CUT_LAYERS, *_OFF_LAYERS)]
    inside = shapely.union_all([outline.envelope for _, outline in drawing.pieces])
    words = [w for w in drawing.words if w.layer not in _OFF_LAYERS and inside.intersects(w.box())]
    marks += [line for w in words for line in pen_lines(w)]
    for line in _near_first(marks):
        yield 2, line
    for stroke in drawing.strokes:
        if stroke.layer in _CUT_LAYERS:
            yield 1, _closed_cut(stroke.points_mm, overcut_mm) if stroke.closed else stroke.points_mm


def _shown(points: Floats, closed: bool) -> Floats:
    return np.concatenate([points, points[:1]]) if closed else points


def _near_first(lines: Sequence[Floats]) -> list[Floats]:
    return sorted(lines, key=lambda line: (float(line[:, 0].min()), float(line[:, 1].min())))


def _closed_cut(ring: Floats, overcut_mm: float) -> Floats:
    """Close a ring, and run on a little past its start."""
    closed = np.concatenate([ring, ring[:1]])
    if overcut_mm <= 0:
        return closed
    past = LineString(closed)
    on = shapely.get_coordinates(shapely.ops.substring(past, 0.0, min(overcut_mm, 0.5 * past.length)))
    return np.concatenate([closed, on[1:]])


def _within(lines: Sequence[Move], start: float, end: float, past_mm: float) -> Iterator[Move]:
    """Yield the parts of lines in a frame, in their own order and sense; a cut that is parted runs on past the far edge."""
    for move in lines:
        p = move.points_mm
        if p[:, 0].min() >= start and p[:, 0].max() < end:
            yield Move(move.tool, p - (start, 0.0))
            continue
        if p[:, 0].max() < start or p[:, 0].min() >= end:
            continue
        window = shapely.box(start, -LONGEST_FRAME_MM, end + (past_mm if move.tool == 1 else 0.0), LONGEST_FRAME_MM)
        for part in _parts(p, window):
            yield Move(move.tool, part - (start, 0.0))


def _parts(points: Floats, window: shapely.Polygon) -> Iterator[Floats]:
    """Yield the runs of a line inside a window; segment by segment, since a cut may run over itself."""
    run: list[Floats] = []
    for a, b in zip(points[:-1], points[1:]):
        inside = shapely.get_coordinates(window.intersection(LineString([a, b])))
        if len(inside) < 2:
            continue
        if (inside[1] - inside[0]) @ (b - a) < 0:
            inside = inside[::-1]
        if run and np.abs(run[-1] - inside[0]).max() < 1e-6:
            run.append(inside[1])
            continue
        if len(run) > 1:
            yield np.array(run)
        run = [inside[0], inside[1]]
    if len(run) > 1:
        yield np.array(run)


def plotter_text(frames: Sequence[Frame], *, language: str = "plain") -> str:
    """Return frames as text for a plotter.

    Parameters
    ----------
    frames : sequence of Frame
    language : {"plain", "hpgl2"}

    Raises
    ------
    OutputError
        An unknown language.
    """
    if language not in LANGUAGES:
        raise OutputError(f"no plotter language is known as {language}", do=f"Choose one of {', '.join(LANGUAGES)}.")
    full = language == "hpgl2"
    out = ["\x1b%-1B" if full else "", "IN;"]
    if full and frames:
        size = (max(frame.length_mm for frame in frames), max(frame.width_mm for frame in frames))
        out.append("PS{},{};".format(*(math.ceil(v * UNITS_PER_MM) for v in size)))
    for k, frame in enumerate(frames):
        tool = 0
        for move in frame.moves:
            if move.tool != tool:
                out.append(f"PU;SP{move.tool};")
                tool = move.tool
            out.append(_line(np.rint(move.points_mm * UNITS_PER_MM).astype(int)))
        if k + 1 < len(frames):
            # The frame's far end becomes the next one's zero.
            out.append(f"PU{round(frame.length_mm * UNITS_PER_MM)},0;FR;")
    out.append("PU0,0;SP0;" + ("PG;\x1b%0A" if full else ""))
    return "\n".join(line for line in out if line) + "\n"


def _line(units: np.ndarray) -> str:
    keep = np.append(True, (np.diff(units, axis=0) != 0).any(axis=1))
    first, *rest = units[keep]
    down = ",".join(f"{x},{y}" for x, y in rest) if rest else f"{first[0]},{first[1]}"
    return f"PU{first[0]},{first[1]};PD{down};PU;"


def read_plotter(text: str) -> list[Frame]:
    """Read plain plotter text back into frames; knows only what `plotter_text` writes.

    Parameters
    ----------
    text : str

    Raises
    ------
    CheckError
        A command that is not known.
    """
    frames, moves, tool, start, at = [], [], 0, 0.0, (0, 0)
    for command in text.replace("\x1b%-1B", "").replace("\x1b%0A", "").replace("\n", "").split(";"):
        name, numbers = command[:2], [int(v) for v in command[2:].split(",") if v]
        pairs = list(zip(numbers[::2], numbers[1::2]))
        if name == "SP":
            tool = numbers[0]
        elif name == "PU":
            at = pairs[-1] if pairs else at
        elif name == "PD":
            moves.append(Move(tool, np.array([at, *pairs]) / UNITS_PER_MM))
            at = pairs[-1]
        elif name == "FR":
            length = at[0] / UNITS_PER_MM
            frames.append(Frame(start, length, tuple(moves)))
            start, moves, at, tool = start + length, [], (0, 0), 0
        elif name not in ("", "IN", "PS", "PG"):
            raise CheckError(f"a plotter command {name} that was not written")
    return [*frames, Frame(start, 0.0, tuple(moves))]


def write_plotter(
    drawing: Drawing, path: Path, *, language: str = "plain", frame_mm: float = USUAL_FRAME_MM, zero: str = "edge"
) -> float:
    """Write a drawing for a plotter, read it back, and hold the length that is cut to that which was meant.

    Parameters
    ----------
    drawing : Drawing
    path : Path
    language : {"plain", "hpgl2"}
    frame_mm : float
    zero : {"edge", "middle"}

    Returns
    -------
    float
        Largest distance of a corner read back from the line that was meant, mm.

    Raises
    ------
    OutputError
        As `frames_of` and `plotter_text`.
    CheckError
        If the file does not read back as it was meant.
    """
    # HP-GL/2 clips at the length that PS states.
    past = 0.0 if language == "hpgl2" else OVERCUT_MM
    frames = frames_of(drawing, frame_mm=frame_mm, past_mm=past, zero=zero)
    text = plotter_text(frames, language=language)
    path.write_bytes(text.encode("ascii"))
    back = read_plotter(path.read_text(encoding="ascii"))
    at = zero_mm(drawing, zero=zero)
    cut = [m.points_mm + (f.start_mm, 0.0) + at for f in back for m in f.moves if m.tool == 1]
    meant = shapely.union_all([outline.boundary for _, outline in drawing.pieces])
    meant = shapely.union_all([meant, *(LineString(s.points_mm) for s in drawing.strokes if s.layer == "NOTCH")])
    read = shapely.union_all([LineString(p) for p in cut]) if cut else LineString()
    off = float(shapely.hausdorff_distance(meant, read)) if cut else math.inf
    if off > 0.05:
        raise CheckError(f"what is cut reads back {off:.3g} mm from what was meant", where=path.name)
    return off
