"""Looks that all pictures share: sizes that can be read on a phone and on paper, and marks that a grey print keeps."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: A picture is this wide; at 150 dots to the inch it fills a phone and an A4 page alike.
WIDTH_IN = 7.2
DPI = 150
TEXT_PT, SMALL_PT = 15.0, 13.0
#: Height of a capital over the size of the type, in the face that pictures use.
CAPITAL = 0.73
INK, PAPER, FAINT = "#1c2733", "#ffffff", "#8a94a0"
HULL, TINT = "#d5dade", "#a9bfd6"
MAP = "cividis"
_COLOURS = 256


@dataclass(frozen=True)
class Picture:
    """A finished picture and what it says.

    Attributes
    ----------
    name : str
        File name without its ending.
    title : str
        Caption.
    alt : str
        The same in words, for who cannot see it.
    png : bytes
    about : tuple of str
        What it shows: a kind ("hull", "strain", "strain on hull", "before and after", "templates", "lay", "bag section", "bag on hull",
        "bag templates"), then region and ply or layer, or material and roll number.
    """

    name: str
    title: str
    alt: str
    png: bytes
    about: tuple[str, ...]


def new_figure(height_in: float) -> Figure:
    """Return an empty figure of the common width, drawn without any window.

    Parameters
    ----------
    height_in : float
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def as_png(figure: Figure) -> bytes:
    """Return a figure as PNG with a palette, which makes it a quarter of the size.

    Parameters
    ----------
    figure : matplotlib figure
    """
    from PIL import Image

    canvas: Any = figure.canvas
    canvas.draw()
    image = Image.frombuffer("RGBA", canvas.get_width_height(), canvas.buffer_rgba()).convert("RGB")
    # By octree: the other way lets the rare colours at the end of a scale go.
    small = image.quantize(_COLOURS, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    out = io.BytesIO()
    small.save(out, "PNG", optimize=False, compress_level=9)
    return out.getvalue()


def steps(count: int) -> list[str]:
    """Return colours from dark to light that differ in a grey print too, none too pale for white paper.

    Parameters
    ----------
    count : int
    """
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    shades = colormaps[MAP]
    return [to_hex(shades(0.05 + 0.7 * k / max(count - 1, 1))) for k in range(count)]


def halo() -> list[Any]:
    """Return the white edge that keeps words legible over a picture."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=3.5, foreground=PAPER)]
