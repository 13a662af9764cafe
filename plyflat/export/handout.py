"""What goes to the bench and the machine beside plain DXF: paper at full size, SVG, plotter files, numbered layers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..cloth.template import Template
from ..lay.order import hand_corners
from .drawing import (
    Drawing,
    Look,
    draw_templates,
    file_stem,
    lay_drawings,
    look_of,
    template_drawings,
    template_sets,
    unique_stems,
)
from .paper import roll, sheet, write_paper
from .plotter import LANGUAGES, write_plotter
from .sewn import write_sewn
from .svg import write_svg
from .tables import as_csv

if TYPE_CHECKING:
    from ..planned import Plan

CORNER_HEAD = ("piece", "line", "corner", "along the warp from the grid's zero (mm)", "across it (mm)")


def write_handouts(plan: Plan, folder: Path) -> list[Path]:
    """Write the files that the job asks for in its table ``files``.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder that holds ``cut`` and ``lay``.

    Returns
    -------
    list of Path

    Raises
    ------
    CheckError
        If a file does not read back as it was meant, or a line is on no page.
    OutputError
        If the job asks for a page or a frame that cannot be.
    """
    templates, lays = template_drawings(plan), lay_drawings(plan)
    return [
        *_svg(plan, folder, templates, lays),
        *_papers(plan, folder),
        *_machines(plan, folder, lays),
        *_numbered(plan, folder),
        *_measured(plan, folder),
    ]


Named = list[tuple[str, Drawing]]


def _svg(plan: Plan, folder: Path, templates: Named, lays: Named) -> Iterator[Path]:
    if not plan.job.files.svg:
        return
    for name, drawings in (("cut", templates), ("lay", lays)):
        for stem, drawing in drawings:
            path = folder / name / f"{stem}.svg"
            write_svg(drawing, path, pen_text=plan.job.files.pen_text)
            yield path


def _papers(plan: Plan, folder: Path) -> Iterator[Path]:
    wish = plan.job.files
    if wish.sheets == "none" and wish.paper_roll_mm is None:
        return
    (folder / "paper").mkdir()
    lays = [(f"lay_{stem}", drawing) for stem, drawing in lay_drawings(plan, look=_by_hand(plan))]
    if wish.sheets != "none":
        # Piece by piece, so that a small one comes whole on one sheet.
        sets = [(stem, _pieces(plan, templates)) for stem, templates in _sets(plan, wish.sheets_of)]
        sets += [(stem, [drawing]) for stem, drawing in lays if "lays" in wish.sheets_of]
        for stem, drawings in sets:
            path = folder / "paper" / f"{stem}_{wish.sheets}.pdf"
            write_paper(drawings, path, sheet(wish.sheets, overlap_mm=wish.overlap_mm))
            yield path
    if wish.paper_roll_mm is not None:
        paper = roll(wish.paper_roll_mm, overlap_mm=wish.overlap_mm)
        look, notch = _by_hand(plan), plan.job.laps.notch_mm
        drawn = [
            (stem, draw_templates(_title(templates), templates, notch_mm=notch, look=look))
            for stem, templates in _sets(plan, wish.paper_roll_of)
        ]
        for stem, drawing in [*drawn, *(lays if "lays" in wish.paper_roll_of else ())]:
            path = folder / "paper" / f"{stem}_roll.pdf"
            write_paper([drawing], path, paper)
            yield path


def _sets(plan: Plan, wanted: Sequence[str]) -> Iterator[tuple[str, tuple[Template, ...]]]:
    """Yield a file stem and the templates of every ply and layer that is wanted."""
    sets = list(template_sets(plan))
    stems = unique_stems(file_stem(region, ply) for region, ply, _ in sets)
    plies = {(region.name, ply.name) for region in plan.regions for ply in region.plies}
    for stem, (region, ply, templates) in zip(stems, sets):
        if ("plies" if (region, ply) in plies else "layers") in wanted:
            yield stem, templates


def _pieces(plan: Plan, templates: Sequence[Template]) -> list[Drawing]:
    """Each template by itself."""
    look, notch = _by_hand(plan), plan.job.laps.notch_mm
    return [draw_templates(t.name, [t], notch_mm=notch, look=look) for t in templates]


def _title(templates: Sequence[Template]) -> str:
    return f"{templates[0].region} / {templates[0].ply}"


def _by_hand(plan: Plan) -> Look:
    """Where a tool starts is of no use to the hand, and every page has a title and lengths to measure at its edge."""
    return replace(look_of(plan), starts=False, check=False)


def _machines(plan: Plan, folder: Path, lays: Named) -> Iterator[Path]:
    wish = plan.job.files
    if wish.plotter == "none":
        return
    drawn = [(f"lay/{stem}", drawing) for stem, drawing in lays if "lays" in wish.plotter_of]
    for stem, templates in _sets(plan, wish.plotter_of):
        names = unique_stems(file_stem(t.piece) for t in templates)
        drawn += [(f"cut/{stem}_{name}", one) for name, one in zip(names, _pieces(plan, templates))]
    for stem, drawing in drawn:
        path = folder / f"{stem}{LANGUAGES[wish.plotter]}"
        write_plotter(drawing, path, language=wish.plotter, frame_mm=wish.frame_mm, zero=wish.plotter_zero)
        yield path


def _numbered(plan: Plan, folder: Path) -> Iterator[Path]:
    if plan.job.files.sewn:
        laps = plan.job.laps
        for stem, templates in _sets(plan, ("plies", "layers")):
            path = folder / "cut" / f"{stem}_sewn_mm.dxf"
            write_sewn(
                _title(templates), templates, path, notch_mm=laps.notch_mm, notch_style=laps.notch_style,
                pen_text=plan.job.files.pen_text,
            )  # fmt: skip
            yield path


def _measured(plan: Plan, folder: Path) -> Iterator[Path]:
    """Corners of each template as they lie on its grid, to draw it on the cloth without paper."""
    if plan.job.files.grid_mm is None:
        return
    for stem, templates in _sets(plan, ("plies", "layers")):
        path = folder / "cut" / f"{stem}_corners.csv"
        # Bytes, so that the line ends of a CSV file stay what they are on every system.
        path.write_bytes(as_csv(CORNER_HEAD, _corners(templates)).encode("utf-8"))
        yield path


def _corners(templates: Sequence[Template]) -> Iterator[tuple]:
    for template in templates:
        zero = np.asarray(template.cut.bounds[:2])
        for ring, points in enumerate(hand_corners(template.cut)):
            line = f"opening {ring}" if ring else "outline"
            yield from (
                (template.piece, line, k, f"{x:z.1f}", f"{y:z.1f}") for k, (x, y) in enumerate(points - zero, 1)
            )
