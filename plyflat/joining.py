"""How the pieces of a ply meet: seams, panels and splits for the roll, lapped or butted, clear of those of the ply below."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from shapely import LineString

from .cloth._cutting import Opened
from .cloth.flatten import Flat
from .cloth.joins import Cause, Join, Kind, Load, kind_of, off_load_deg, say_joins
from .cloth.panels import Panel, Panelled, Room, lay_in_panels
from .cloth.pieces import Frame, lines_in_space, lines_on_table, warp_frame
from .cloth.splice import split_for_roll
from .cloth.template import Template
from .surface.mesh import Floats, Surface
from .units import say_percent

#: Splits are measured on the table, where they may be this much nearer than on the hull.
TABLE_MM = 1.0


@dataclass(frozen=True, eq=False)
class Joinery:
    """What the pieces of one ply or layer must keep to where they meet.

    Attributes
    ----------
    asked : {"lap", "butt"}
    load : Load or None
        The direction of the load; butts need one.
    lap_mm, trim_mm, stagger_mm, notch_every_mm : float
    roll_width_mm, roll_length_mm, edge_mm : float
    panels : int
        Panels to lay a piece in at least.
    warp : (3,) float array
        The region's warp line.
    angle_deg : float
        From it to the cloth's warp.
    face_up : str
    below_mm : sequence of (k, 3) float arrays
        Middles of the laps, and lines of the butts, of the ply below.
    """

    asked: Kind
    load: Load | None
    lap_mm: float
    trim_mm: float
    stagger_mm: float
    notch_every_mm: float
    roll_width_mm: float
    roll_length_mm: float
    edge_mm: float
    panels: int
    warp: Floats
    angle_deg: float
    face_up: str
    below_mm: Sequence[Floats] = ()

    @property
    def room(self) -> Room:
        """What panels must keep to."""
        return Room(
            self.roll_width_mm - 2 * self.edge_mm, lap_mm=self.lap_mm, trim_mm=self.trim_mm, stagger_mm=self.stagger_mm,
            fewest=self.panels,
        )

    def lap_at(self, piece: Surface, line_mm: Floats) -> float:
        """Return the width of the lap along a line on a piece, mm: 0 for a butt."""
        return 0.0 if self.kind(self.off_load(piece, line_mm)) == "butt" else self.lap_mm

    def frame(self, piece: Surface, flat: Flat) -> Frame:
        """Return how a flat piece is turned to lie on the table."""
        return warp_frame(piece, flat, self.warp, angle_deg=self.angle_deg, face_up=self.face_up)[0]

    def below(self, piece: Surface, flat: Flat, frame: Frame) -> tuple[LineString, ...]:
        """Return the joins of the ply below on a piece's table."""
        return lines_on_table(self.below_mm, piece, flat, frame)

    def kind(self, off_deg: float | None) -> Kind:
        """Return how a join is made that runs so far off the load."""
        return kind_of(off_deg, self.asked, self.load)

    def off_load(self, piece: Surface, line_mm: Floats) -> float | None:
        """Return how far a line on a piece runs off the load; None where that cannot be said."""
        return None if self.load is None else off_load_deg(piece, line_mm, self.load)


@dataclass(frozen=True, eq=False)
class Splits:
    """Pieces as they fit the roll.

    Attributes
    ----------
    templates : tuple of Template
    joins : tuple of Join
        Where they were split.
    clear_mm : float
        Least distance of a split from the joins of the ply below that run along it; infinite where there are none.
    slivers : tuple of str
        Pieces of which a part is narrower than 5 mm.
    """

    templates: tuple[Template, ...]
    joins: tuple[Join, ...]
    clear_mm: float
    slivers: tuple[str, ...]


def lay_panels(
    opened: Opened,
    flats: Sequence[Flat],
    how: Joinery,
    *,
    limit: float,
    over_share: float,
    scale_mm: float,
    settled: Sequence[int | None] = (),
) -> Panelled:
    """Cut pieces too wide for the roll on the hull itself where their strain is over the limit.

    Parameters
    ----------
    opened : Opened
    flats : sequence of Flat
    how : Joinery
    limit, over_share : float
    scale_mm : float
        The length over which strain is averaged.
    settled : sequence of (int or None), optional
        For each piece that is left as it is the strips it is to be split in; None for one that may be cut.

    Returns
    -------
    Panelled
    """
    return lay_in_panels(
        opened, flats, how.room, framing=how.frame, limit=limit, over_share=over_share, scale_mm=scale_mm, avoid=how.below,
        lap_at=how.lap_at, settled=settled,
    )


def seam_joins(surface: Surface, opened: Opened, how: Joinery, causes: Sequence[Cause]) -> tuple[Join, ...]:
    """Return how the pieces of an opened patch meet, in the order of its seams.

    Parameters
    ----------
    surface : Surface
        What was opened.
    opened : Opened
    how : Joinery
    causes : sequence of str
        What each seam was made for.

    Returns
    -------
    tuple of Join
        On the seams themselves.
    """
    out = []
    for j, (line, cause) in enumerate(zip(opened.seams, causes)):
        off = how.off_load(surface, line)
        out.append(Join(f"J{j + 1}", how.kind(off), cause, line, off))
    return tuple(out)


def split_pieces(
    wholes: Sequence[Template], pieces: Sequence[Surface], flats: Sequence[Flat], fewest: Sequence[int], how: Joinery
) -> Splits:
    """Split what no roll is wide or long enough for, straight along the warp or across it.

    A split that would have to be a butt across the load is a lap.

    Parameters
    ----------
    wholes : sequence of Template
    pieces : sequence of Surface
    flats : sequence of Flat
    fewest : sequence of int
        Strips to split each in at least.
    how : Joinery

    Returns
    -------
    Splits

    Raises
    ------
    FitError
        If a piece fits the roll neither whole nor split.
    """
    templates: list[Template] = []
    joins: list[Join] = []
    clear, slivers = float("inf"), []
    for whole, piece, flat, strips in zip(wholes, pieces, flats, fewest):
        frame = how.frame(piece, flat)

        def off_load(line: LineString, piece: Surface = piece, flat: Flat = flat, frame: Frame = frame) -> float | None:
            """How far a line lies off the load, degrees."""
            return how.off_load(piece, lines_in_space([line], piece, flat, frame)[0])

        def may_butt(line: LineString, off: Callable[[LineString], float | None] = off_load) -> bool:
            """Whether pieces may butt at a line."""
            return how.kind(off(line)) == "butt"

        made = split_for_roll(
            whole, width_mm=how.roll_width_mm, length_mm=how.roll_length_mm, lap_mm=how.lap_mm, edge_mm=how.edge_mm,
            stagger_mm=how.stagger_mm, avoid=how.below(piece, flat, frame), notch_every_mm=how.notch_every_mm,
            fewest=strips, may_butt=may_butt if how.asked == "butt" else None,
        )
        templates += made.parts
        slivers += [whole.piece] if made.sliver else []
        for q in made.lines:
            (line,) = lines_in_space([q.line], piece, flat, frame)
            joins.append(Join(q.name, "lap" if q.lap_mm > 0 or how.lap_mm == 0 else "butt", "roll", line, off_load(q.line)))
            clear = min(clear, q.clear_mm)
    return Splits(tuple(templates), tuple(joins), clear, tuple(slivers))


def join_cautions(joins: Sequence[Join], splits: Splits, panels: Sequence[Panel], how: Joinery) -> Iterator[tuple[str, str]]:
    """Say which joins are butted and why, what panels bought, and where splits come too near those below.

    Parameters
    ----------
    joins : sequence of Join
    splits : Splits
    panels : sequence of Panel
    how : Joinery

    Yields
    ------
    tuple of (text, what to do)
    """
    said = say_joins(joins, how.load, how.asked)
    if said:
        yield f"joins {said}", "Mark on the pieces which joins are butts, and look the direction of the load over."
    for panel in panels:
        if panel.overlap_mm2 > 0:
            x, y, z = panel.line_mm[len(panel.line_mm) // 2]
            yield (
                f"a piece lay over itself when it was flat, by {panel.overlap_mm2:.0f} mm2, and is cut in two on the hull "
                f"through ({x:.0f}, {y:.0f}, {z:.0f}) mm",
                "If you want the line elsewhere, open the region there (seams, or cut).",
            )
    flattened = [p for p in panels if p.shear_deg is None]
    if flattened and flattened[0].over_before > 0:
        first, last = flattened[0], flattened[-1]
        yield (
            f"laid in panels cut on the hull along {len(flattened)} line{'s' * (len(flattened) > 1)}: area over the strain limit "
            f"from {say_percent(first.over_before)} to {say_percent(last.over_after)}",
            "",
        )
    clear = min([splits.clear_mm, *(p.clear_mm for p in panels)])
    if clear < how.stagger_mm - TABLE_MM:
        yield (
            f"a split lies {clear:.0f} mm from a join of the ply below, where {how.stagger_mm:.0f} mm are asked for",
            "Lessen laps.stagger, or take another width of cloth for one of the plies.",
        )
    for piece in splits.slivers:
        yield f"a part of piece {piece} split for the roll is narrower than 5 mm", "Take a wider roll, or turn the warp."
