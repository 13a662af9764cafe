"""What goes with the drawing of a lay: the order of cutting, corners to mark by hand, and what is left for the next job."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..lay.order import cutting_order, hand_corners
from ..stocking import RING_HEAD
from .drawing import copy_note, cutting_ranks, file_stem, unique_stems
from .tables import as_csv, laid_pieces

if TYPE_CHECKING:
    from ..lay.nest import Lay
    from ..planned import Plan, RollPlan

CORNER_HEAD = ("number", "piece", "line", "corner", "from roll end (mm)", "from roll edge (mm)")
ORDER_HEAD = (
    "step", "number", "piece", "line", "section", "start from roll end (mm)", "start from roll edge (mm)", "length (mm)",
    "way to it (mm)", "layers", "of it cut before (mm)",
)  # fmt: skip
#: The lists of what is left, to be copied into the next job.
LEFT_LIST = "at_hand.toml"


def write_lays(plan: Plan, folder: Path) -> list[Path]:
    """Write, for every lay, corners to mark by hand and the order of cutting, and outlines of what is left.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder; ``lay`` and ``left`` are made in it.

    Returns
    -------
    list of Path
    """
    rolls = [(roll, n) for roll in plan.rolls for n in range(len(roll.lays))]
    stems = unique_stems(file_stem(roll.material, str(n + 1)) for roll, n in rolls)
    texts: dict[str, str] = {}
    left: list[str] = []
    for stem, (roll, n) in zip(stems, rolls):
        texts[f"lay/{stem}_corners.csv"] = corner_list(roll, n)
        texts[f"lay/{stem}_order.csv"] = order_list(plan, roll, n)
        for k, part in enumerate(roll.lays[n].left, 1):
            name = f"left/{stem}_{k}.csv"
            rings = [np.asarray(ring.coords)[:-1] for ring in (part.exterior, *part.interiors)]
            texts[name] = as_csv(
                RING_HEAD, ((i, f"{x:.2f}", f"{y:.2f}") for i, ring in enumerate(rings) for x, y in ring)
            )
            left.append(_left_table(roll, roll.lays[n], n, k, Path(name).name))
    if left:
        texts[f"left/{LEFT_LIST}"] = _LEFT_TOP + "\n".join(left)
    return [_written(folder / name, text) for name, text in texts.items()]


_LEFT_TOP = """\
# What the lays leave that is worth keeping. Copy what you keep into the next job and put the outlines beside it.
# Selvedge and flaws are taken off already. Mark the warp and the face on each remnant before it is put away.
"""


def _left_table(roll: RollPlan, lay: Lay, number: int, k: int, file: str) -> str:
    table = "cloth" if roll.kind == "cloth" else "consumable"
    was = lay.stock.name if lay.stock is not None else f"roll {number + 1}"
    size = f"{lay.left[k - 1].area / 1e6:.2f} m²"
    name = json.dumps(f"{was}, rest {k}", ensure_ascii=False)
    return (
        f"[[{table}.{json.dumps(roll.material, ensure_ascii=False)}.at_hand]]  # {size}\n"
        f"name = {name}\nfile = {json.dumps(file, ensure_ascii=False)}\n"
    )


def _written(path: Path, text: str) -> Path:
    path.parent.mkdir(exist_ok=True)
    # Bytes, so that the line ends of a CSV file stay what they are on every system.
    path.write_bytes(text.encode("utf-8"))
    return path


def corner_list(roll: RollPlan, number: int) -> str:
    """Return the corners of every piece of a lay, for marking out by hand from the roll's end and its edge.

    Parameters
    ----------
    roll : RollPlan
    number : int
        Index into ``roll.lays``.
    """

    def rows() -> Iterator[tuple]:
        for piece in laid_pieces(roll)[number]:
            name = _name(piece.template.name, copy_note(roll, piece.place))
            for ring, points in enumerate(hand_corners(piece.place.outline)):
                for k, (x, y) in enumerate(points, 1):
                    yield piece.number, name, _line(ring), k, f"{x:z.1f}", f"{y:z.1f}"

    return as_csv(CORNER_HEAD, rows())


def order_list(plan: Plan, roll: RollPlan, number: int) -> str:
    """Return the lines of a lay in the order of cutting.

    Parameters
    ----------
    plan : Plan
    roll : RollPlan
    number : int
        Index into ``roll.lays``.
    """
    lay = roll.lays[number]
    ranks = cutting_ranks(roll, plan.job.lay.first)
    numbers = {(p.place.part, p.place.copy): p.number for p in laid_pieces(roll)[number]}

    def rows() -> Iterator[tuple]:
        for step, stroke in enumerate(cutting_order(lay, ranks=ranks), 1):
            place = lay.places[stroke.place]
            x, y = stroke.points_mm[0]
            name = _name(roll.parts[place.part].name, copy_note(roll, place))
            yield (
                step, numbers[place.part, place.copy], name, _line(stroke.ring), stroke.section + 1, f"{x:z.1f}", f"{y:z.1f}",
                f"{stroke.length_mm:.0f}", f"{stroke.travel_mm:.0f}", stroke.layers,
                f"{stroke.shared_mm:.0f}",
            )  # fmt: skip

    return as_csv(ORDER_HEAD, rows())


def _name(name: str, note: str) -> str:
    return f"{name}, {note}" if note else name


def _line(ring: int) -> str:
    return "outline" if ring == 0 else f"opening {ring}"
