"""What a job states about the files it is handed out in: paper at full size, and the languages of machines."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from .forms import PIECES, length
from .table import OURS, PRACTICE, Table


class Files(Table):
    """Which files are written beside the plain DXF, the lists and the report."""

    sheets: Annotated[Literal["A4", "A3", "Letter", "none"], OURS] = Field(
        default="A4", description="Sheets on which the templates of plies are printed at full size, to be stuck together."
    )
    overlap_mm: Annotated[float, length(0, 50, "10 mm"), PRACTICE] = Field(
        default=10.0, alias="overlap", description="How far neighbouring sheets or strips show the same."
    )
    sheets_of: Annotated[tuple[str, ...], PIECES, OURS] = Field(
        default=("plies",), description="What is printed on sheets: plies, layers of the bag, lays on the rolls."
    )
    paper_roll_mm: Annotated[float | None, length(150, 5000, "914 mm", "36 in")] = Field(
        default=None, alias="paper_roll", description="Width of a roll plotter's paper; left out: nothing for one."
    )
    paper_roll_of: Annotated[tuple[str, ...], PIECES, OURS] = Field(
        default=("plies", "lays"), description="What is drawn on a roll plotter's paper."
    )
    grid_mm: Annotated[float | None, length(10, 1000, "100 mm")] = Field(
        default=None, alias="grid", description="Squares to measure by, drawn on templates and lays; left out: none."
    )
    svg: bool = Field(default=True, description="Templates and lays as SVG in mm.")
    sewn: bool = Field(
        default=False, description="Templates as DXF with the numbered layers of the sewn-products trade, a block for each piece."
    )
    plotter: Annotated[Literal["none", "plain", "hpgl2"], OURS] = Field(
        default="none", description="Files in the language of pen and knife plotters, plain or inside HP-GL/2."
    )
    plotter_of: Annotated[tuple[str, ...], PIECES, OURS] = Field(
        default=("lays",), description="What is written for plotters; plies and layers piece by piece."
    )
    plotter_zero: Annotated[Literal["edge", "middle"], OURS] = Field(
        default="edge", description="Where the plotter's zero lies across the material: large ones have it in the middle."
    )
    frame_mm: Annotated[float, length(50, 10000, "800 mm"), OURS] = Field(
        default=800.0, alias="frame", description="Length the plotter works on before it feeds the material on."
    )
    pen_text: bool = Field(
        default=False, description="Words in DXF and SVG as single lines, for machines that know no letters."
    )
    turnable: Annotated[bool, OURS] = Field(
        default=True, description="Regions in the report can be turned in the browser; without, it is smaller and holds no script."
    )
