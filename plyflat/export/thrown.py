"""What a projector throws on the hull, as SVG and PNG of its own size: light lines on black."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np

from .drawing import file_stem, unique_stems

if TYPE_CHECKING:
    from shapely import Polygon

    from ..planned import Plan, SightLine, SightPlan

FOLDER = "thrown"
#: Dash and gap of each kind of line, in widths of the line; a grey or a colour would be lost on dark cloth.
_DASHES: dict[str, tuple[float, ...]] = {"edge": (), "join": (3, 2), "warp": (8, 2, 1, 2), "tape": (1, 2)}
#: Line width and height of capitals, as shares of the picture's height.
_WIDE, _HIGH = 1 / 400, 1 / 40
_LEAST_PX = 2.0
#: Width of a letter over the height of a capital, on the wide side.
_LETTER = 0.85
#: Half the size of the crosses on the marks.
_ARM = 1 / 60


def write_thrown(plan: Plan, folder: Path) -> list[Path]:
    """Write the picture of each projector twice: as lines and as pixels.

    Parameters
    ----------
    plan : Plan
    folder : Path
        An existing folder.
    """
    if not plan.sights:
        return []
    (folder / FOLDER).mkdir()
    out = []
    for stem, sight in zip(unique_stems(file_stem(s.region) for s in plan.sights), plan.sights):
        out += [folder / FOLDER / f"{stem}.svg", folder / FOLDER / f"{stem}.png"]
        out[-2].write_bytes(thrown_svg(sight).encode("utf-8"))
        out[-1].write_bytes(thrown_png(sight))
    return out


def thrown_svg(plan: SightPlan) -> str:
    """Return a projector's picture as SVG, one user unit to a pixel.

    Parameters
    ----------
    plan : SightPlan
    """
    wide, high = plan.sight.image_px
    width, arm = _width(high), high * _ARM
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide}" height="{high}" viewBox="0 0 {wide} {high}">',
        f"<title>{escape(plan.region)}</title>",
        f'<rect width="{wide}" height="{high}" fill="#000"/>',
    ]
    for kind, dash in _DASHES.items():
        lines = [q for q in plan.lines if q.kind == kind and q.runs_px]
        if not lines:
            continue
        dashes = f' stroke-dasharray="{" ".join(f"{d * width:.3g}" for d in dash)}"' if dash else ""
        out.append(f'<g id="{kind}" fill="none" stroke="#fff" stroke-width="{width:.3g}"{dashes}>')
        out += [
            f'<path d="M{" L".join(f"{x:.2f} {y:.2f}" for x, y in run)}"/>'
            for q in lines
            for run in q.runs_px
        ]
        out.append("</g>")
    crosses = " ".join(
        f"M{x - arm:.2f} {y:.2f} h{2 * arm:.2f} M{x:.2f} {y - arm:.2f} v{2 * arm:.2f}"
        for x, y in plan.marks_px
    )
    out.append(f'<path id="marks" fill="none" stroke="#fff" stroke-width="{0.5 * width:.3g}" d="{crosses}"/>')
    out.append(f'<g id="words" fill="#fff" font-family="sans-serif" font-size="{high * _HIGH / 0.73:.4g}">')
    out += [f'<text x="{x:.1f}" y="{y:.1f}">{escape(text)}</text>' for text, (x, y) in _names(plan)]
    return "\n".join([*out, "</g>", "</svg>"]) + "\n"


def thrown_png(plan: SightPlan) -> bytes:
    """Return a projector's picture as PNG of as many pixels as it has.

    Parameters
    ----------
    plan : SightPlan
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    wide, high = plan.sight.image_px
    dpi = 100.0
    figure = Figure(figsize=(wide / dpi, high / dpi), dpi=dpi, facecolor="black")
    FigureCanvasAgg(figure)
    axes: Any = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, wide)
    axes.set_ylim(high, 0)
    axes.axis("off")
    point = 72 / dpi
    for line in plan.lines:
        dash = _DASHES[line.kind]
        for run in line.runs_px:
            axes.plot(
                *run.T,
                color="white",
                lw=_width(high) * point,
                dashes=dash or (None, None),
                solid_capstyle="round",
            )
    arm = high * _ARM
    for x, y in plan.marks_px:
        for across, down in ((arm, 0), (0, arm)):
            axes.plot(
                [x - across, x + across], [y - down, y + down], color="white", lw=0.5 * _width(high) * point
            )
    for text, (x, y) in _names(plan):
        axes.text(x, y, text, color="white", size=high * _HIGH / 0.73 * point, va="baseline")
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi, facecolor="black")
    return out.getvalue()


def _width(high: int) -> float:
    """Width of a line, pixels: thick enough to be seen on the hull, and never so thin that it fades."""
    return max(high * _WIDE, _LEAST_PX)


def _names(plan: SightPlan) -> list[tuple[str, tuple[float, float]]]:
    """Numbers of the marks, then names of plies and of the warp line, each beside its line, clear of lines and of other words."""
    import shapely

    high = plan.sight.image_px[1] * _HIGH
    out = [
        (str(k + 1), (float(x + 0.3 * high), float(y - 0.3 * high))) for k, (x, y) in enumerate(plan.marks_px)
    ]
    picture = shapely.box(0.0, 0.0, *plan.sight.image_px)
    lines = [shapely.LineString(run) for line in plan.lines for run in line.runs_px if len(run) > 1]
    taken = shapely.union_all([*lines, *(_room(text, at, high) for text, at in out)])
    for name, run in _named_runs(plan.lines):
        found = [at for at in _beside(name, run, high) if picture.contains(_room(name, at, high))]
        clear = [at for at in found if not taken.intersects(_room(name, at, high))]
        if clear or found:
            out.append((name, (clear or found)[0]))
            taken = shapely.union(taken, _room(name, out[-1][1], high))
    return out


def _beside(name: str, run: Any, high: float) -> Iterator[tuple[float, float]]:
    """Places for a name along a line, from its top down, on all sides of it: left ends of the base line, pixels."""
    wide = _LETTER * high * len(name)
    top = run[np.argsort(run[:, 1], kind="stable")]
    for x, y in top[:: max(len(top) // 40, 1)]:
        for across, down in ((0.4, -0.4), (0.4, 1.4), (-0.4 - wide / high, -0.4), (-0.4 - wide / high, 1.4)):
            yield float(x + across * high), float(y + down * high)


def _room(name: str, at: tuple[float, float], high: float) -> Polygon:
    import shapely

    x, y = at
    return shapely.box(x, y - high, x + _LETTER * high * len(name), y + 0.1 * high)


def _named_runs(lines: Sequence[SightLine]) -> list[tuple[str, Any]]:
    """The longest stretch of each line that has a name, once for each name."""
    found: dict[str, Any] = {}
    for line in lines:
        if line.kind not in ("edge", "warp"):
            continue
        for run in line.runs_px:
            if line.name not in found or len(run) > len(found[line.name]):
                found[line.name] = run
    return list(found.items())
