"""What a job states about the files it is handed out in: paper at full size, and the languages of machines."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from .forms import length
from .table import OURS, PRACTICE, Table


class Files(Table):
    """Which files are written beside the plain DXF, the lists and the report."""

    sheets: Annotated[Literal["A4", "A3", "Letter", "none"], OURS] = Field(
        default="A4", description="Sheets on which the templates of plies are printed at full size, to be stuck together."
    )
    overlap_mm: Annotated[float, length(0, 50, "10 mm"), PRACTICE] = Field(
        default=10.0, alias="overlap", description="How far neighbouring sheets or strips show the same."
    )
    paper_roll_mm: Annotated[float | None, length(150, 5000, "914 mm", "36 in")] = Field(
        default=None, alias="paper_roll", description="Width of a roll plotter's paper; left out: nothing for one."
    )
    svg: bool = Field(default=True, description="Templates and lays as SVG in mm.")
    sewn: bool = Field(
        default=False, description="Templates as DXF with the numbered layers of the sewn-products trade, a block for each piece."
    )
    plotter: Annotated[Literal["none", "plain", "hpgl2"], OURS] = Field(
        default="none", description="Lays in the language of pen and knife plotters, plain or inside HP-GL/2."
    )
    frame_mm: Annotated[float, length(50, 10000, "800 mm"), OURS] = Field(
        default=800.0, alias="frame", description="Length the plotter works on before it feeds the material on."
    )
    pen_text: bool = Field(default=False, description="Words in SVG as single lines, for machines that know no letters.")
    turnable: Annotated[bool, OURS] = Field(
        default=True, description="Regions in the report can be turned in the browser; without, it is smaller and holds no script."
    )
