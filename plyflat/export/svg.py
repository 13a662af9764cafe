"""Drawings as SVG in mm: one group for each layer, so that a cutter's program can take them apart."""

from __future__ import annotations

from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np

from .drawing import LAYERS, Drawing, Stroke
from .label import Words
from .pen import pen_lines

#: Line widths and dashes in mm; what is cut is the only full black line.
_LOOKS = {
    "CUT": "stroke:#000;stroke-width:0.5", "NET": "stroke:#555;stroke-width:0.3",
    "LAP": "stroke:#777;stroke-width:0.25;stroke-dasharray:1 1.5",
    "FOLD": "stroke:#333;stroke-width:0.35;stroke-dasharray:8 2 1 2",
    "JOIN": "stroke:#444;stroke-width:0.3;stroke-dasharray:4 2", "NOTCH": "stroke:#000;stroke-width:0.5",
    "THREAD": "stroke:#222;stroke-width:0.4;stroke-dasharray:0.6 1.2", "GRID": "stroke:#999;stroke-width:0.15",
}  # fmt: skip
_PLAIN = "stroke:#333;stroke-width:0.3"


def svg_text(drawing: Drawing, *, pen_text: bool = False) -> str:
    """Return a drawing as SVG at full size; x runs to the right and y up, as in the drawing.

    Parameters
    ----------
    drawing : Drawing
    pen_text : bool
        Draw words as single lines, for machines that know no letters.
    """
    x0, y0, x1, y1 = drawing.bounds_mm()
    x0, y0, x1, y1 = x0 - 5.0, y0 - 5.0, x1 + 5.0, y1 + 5.0
    wide, high = _n(x1 - x0), _n(y1 - y0)
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}mm" height="{high}mm" viewBox="0 0 {wide} {high}">',
        f"<title>{escape(drawing.title)}</title>",
    ]
    layers = [*LAYERS, *sorted({s.layer for s in drawing.strokes} - set(LAYERS))]
    for layer in layers:
        strokes = [s for s in drawing.strokes if s.layer == layer]
        words = [w for w in drawing.words if w.layer == layer]
        if not strokes and not words:
            continue
        out.append(f'<g id="{layer}" fill="none" style="{_LOOKS.get(layer, _PLAIN)}">')
        lines = strokes + [Stroke(layer, p) for w in words for p in pen_lines(w)] if pen_text else strokes
        out += [_path(s, x0, y1) for s in lines]
        out += [] if pen_text else [_words(w, x0, y1) for w in words]
        out.append("</g>")
    out.append("</svg>")
    return "\n".join(out) + "\n"


def write_svg(drawing: Drawing, path: Path, *, pen_text: bool = False) -> None:
    """Write a drawing as SVG.

    Parameters
    ----------
    drawing : Drawing
    path : Path
    pen_text : bool
    """
    path.write_bytes(svg_text(drawing, pen_text=pen_text).encode("utf-8"))


def _n(value: float) -> str:
    """A number to a ten-thousandth of a mm, without a tail of noughts."""
    return f"{value:.4f}".rstrip("0").rstrip(".") or "0"


def _path(stroke: Stroke, left: float, top: float) -> str:
    points = np.stack([stroke.points_mm[:, 0] - left, top - stroke.points_mm[:, 1]], axis=1)
    return f'<path d="M{" L".join(f"{_n(x)} {_n(y)}" for x, y in points)}{" Z" if stroke.closed else ""}"/>'


def _words(words: Words, left: float, top: float) -> str:
    x, y = words.at_mm[0] - left, top - words.at_mm[1]
    turn = f' transform="rotate({_n(-words.turn_deg)} {_n(x)} {_n(y)})"' if words.turn_deg else ""
    # The room a word was given holds a plain sans serif: its capitals are 0.73 of its size.
    look = f'font-family="sans-serif" font-size="{_n(words.height_mm / 0.73)}" fill="#000" stroke="none"'
    return f'<text x="{_n(x)}" y="{_n(y)}" {look}{turn}>{escape(words.text)}</text>'
