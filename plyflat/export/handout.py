"""What goes to the bench and the machine beside plain DXF: paper at full size, SVG, plotter files, numbered layers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from .drawing import Drawing, file_stem, lay_drawings, template_drawings, template_sets, unique_stems
from .paper import roll, sheet, write_paper
from .plotter import LANGUAGES, write_plotter
from .sewn import write_sewn
from .svg import write_svg

if TYPE_CHECKING:
    from ..planned import Plan


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
        *_papers(plan, folder, templates, lays),
        *_machines(plan, folder, lays),
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


def _papers(plan: Plan, folder: Path, templates: Named, lays: Named) -> Iterator[Path]:
    wish = plan.job.files
    # Bag layers are cut to the hull or by the rule; nobody sticks sheets together for them.
    plies = {f"{region.name} / {ply.name}" for region in plan.regions for ply in region.plies}
    own = [(stem, drawing) for stem, drawing in templates if drawing.title in plies]
    if wish.sheets == "none" and wish.paper_roll_mm is None:
        return
    (folder / "paper").mkdir()
    if wish.sheets != "none":
        for stem, drawing in own:
            path = folder / "paper" / f"{stem}_{wish.sheets}.pdf"
            write_paper([drawing], path, sheet(wish.sheets, overlap_mm=wish.overlap_mm))
            yield path
    if wish.paper_roll_mm is not None:
        paper = roll(wish.paper_roll_mm, overlap_mm=wish.overlap_mm)
        for stem, drawing in [*own, *((f"lay_{stem}", drawing) for stem, drawing in lays)]:
            path = folder / "paper" / f"{stem}_roll.pdf"
            write_paper([drawing], path, paper)
            yield path


def _machines(plan: Plan, folder: Path, lays: Named) -> Iterator[Path]:
    wish = plan.job.files
    if wish.plotter != "none":
        for stem, drawing in lays:
            path = folder / "lay" / f"{stem}{LANGUAGES[wish.plotter]}"
            write_plotter(drawing, path, language=wish.plotter, frame_mm=wish.frame_mm)
            yield path
    if wish.sewn:
        sets = list(template_sets(plan))
        for stem, (region, ply, templates) in zip(unique_stems(file_stem(r, p) for r, p, _ in sets), sets):
            path = folder / "cut" / f"{stem}_sewn_mm.dxf"
            write_sewn(f"{region} / {ply}", templates, path, notch_mm=plan.job.laps.notch_mm)
            yield path
