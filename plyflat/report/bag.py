"""The bag's reach on paper: the bridging map, the pleats on the tape, and sections through the worst corners."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..export.drawing import file_stem
from ..surface._corner_edge import spaced
from ..surface.geodesic import geodesic_path
from ..surface.mesh import Floats, closed_length
from .film import excess_picture
from .hull import Stage, _directions, _page, hatch
from .layout import clear_side, frame_on, head_in, title_on
from .scene import Shot, lifted
from .style import DPI, FAINT, HULL, INK, MAP, SMALL_PT, TINT, Picture, as_png, halo, new_figure

if TYPE_CHECKING:
    from ..bag.corners import CornerSection
    from ..bag.pleats import Corner, Pleat
    from ..bag.section_film import SectionFilm
    from ..planned import BagReach, FilmPlan, RegionPlan

_LEGEND_IN = 1.25
_BAR_IN = 2.15
#: Room of a pleat's words along the laid-out tape, as a share of its length, and between rows of them, in the highest pleat's height.
_WORDS, _WORDS_UP = 0.1, 0.55
_SECTION_IN = 3.0
_DRAWN = 3
#: A pleat's lead is drawn in at least so many steps.
_LEAD_STEPS = 40
_NARROW_PX = 40.0
_ROUND_PX = 3
#: Places numbered in a picture, and how far a number stands beside its place, points.
_NUMBERED, _BESIDE_PT = 9, 26.0
#: Room that a number in its circle takes, pixels, and how often numbers are pushed apart.
_BADGE_PX, _PUSHES = 46.0, 60
#: A section is drawn for itself where pleats leave so much more there than where a taut film is farthest off, mm.
_TOLD_MM = 0.2
#: The detail of a section shows the corner this far to both sides, in radii that the film may leave.
_ASIDE = 4.5
#: What a film with pleats is called.
PLEATED = "with its pleats"
#: A film that stands off by less than this share of the limit is drawn as touching.
TOUCHED = 0.1


def reach_pictures(stage: Stage) -> Iterator[Picture]:
    """Yield the pictures of how far a region's bag reaches.

    Parameters
    ----------
    stage : Stage
    """
    reach = stage.region.reach
    if reach is None:
        return
    yield bridging_picture(stage, reach)
    if reach.pleats:
        yield pleat_picture(stage, reach)
    if reach.corners:
        yield section_picture(stage.region, reach)
    excess = excess_picture(stage, reach)
    if excess is not None:
        yield excess


# -- the map --------------------------------------------------------------------------------------------------------------


def bridging_picture(stage: Stage, reach: BagReach) -> Picture:
    """Return the gap under a taut film drawn on the hull, what is above the limit outlined, hatched and numbered."""
    gap, limit = reach.bridging.gap_mm, reach.limit_mm
    top = max(1.4 * limit, min(float(gap.max()), 6.0 * limit))
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(reach.surface, 0.6 * stage.lift_mm), colour=TINT)
    values = gap[reach.surface.faces].mean(axis=1)
    # What the film touches keeps the hull's own shading, so that its shape is seen.
    off = values > TOUCHED * limit
    if off.any():
        part, _ = lifted(reach.surface, stage.lift_mm).sub(off)
        stage.scene.add(part, values=values[off], span=(0.0, top), shades=MAP)
    for line in _over(stage, reach):
        stage.scene.line(line, colour=INK, width=2.5, closed=True)
    shots = stage.shoot()
    masks = _above(stage, reach, gap, limit)
    title = f"{stage.region.name}: where a film without slack bridges"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_LEGEND_IN)
    for ax, shot, mask in zip(axes, shots, masks):
        if mask.any():
            _marked(ax, mask)
        _numbers(ax, shot, stage, _places(stage, reach), beside=True)
        _directions(ax, shot, stage)
    _legend(figure, reach, top)
    spots = reach.bridging.spots
    told = (
        f"{len(spots)} place{'s' * (len(spots) != 1)} where it stands off by more than {limit:g} mm, at most "
        f"{spots[0].depth_mm:.1f} to {spots[0].depth_most_mm:.1f} mm"
        if spots
        else f"no place where it stands off by more than {limit:g} mm"
    )
    return Picture(
        file_stem(stage.region.name, "bridging"),
        title,
        f"Gap between a taut film and the hull, drawn on the hull in shades from 0 to {top:.0f} mm: {told}.",
        as_png(figure),
        ("bridging", stage.region.name),
    )


def _places(stage: Stage, reach: BagReach) -> list[tuple[str, Floats]]:
    """Numbers of the deepest spots and names of the corners of three walls; what stands at one place is one.

    The places are lifted out of the corners, whose walls would hide them.
    """
    out: list[tuple[str, Floats]] = []
    spots = [(str(k), np.array(s.place_mm)) for k, s in enumerate(reach.bridging.spots, 1)][:_NUMBERED]
    walls = [(f"W{k}", np.array(w.place_mm)) for k, w in enumerate(reach.bridging.wall_corners, 1)][:_NUMBERED]
    for words, p in [*spots, *walls]:
        same = [k for k, (_, q) in enumerate(out) if np.linalg.norm(p - q) < 1.0]
        if same:
            out[same[0]] = (f"{out[same[0]][0]}, {words}", p)
        else:
            out.append((words, p))
    surface = reach.surface
    near = [_nearest(surface.vertices_mm, p) for _, p in out]
    return [(words, p + 4 * stage.lift_mm * surface.vertex_normals[k]) for (words, p), k in zip(out, near)]


def _over(stage: Stage, reach: BagReach, times: float = 1.0) -> list[Floats]:
    """The lines of tape lifted off the hull, the outer one first."""
    normals = [reach.surface.face_normals[reach.surface.locate(line).face] for line in reach.tapes_mm]
    return [line + 2 * times * stage.lift_mm * n for line, n in zip(reach.tapes_mm, normals)]


def _above(stage: Stage, reach: BagReach, gap: Floats, limit: float) -> list[Any]:
    stage.scene.clear()
    stage.scene.add(stage.whole, colour="white", shaded=False)
    stage.scene.add(lifted(reach.surface, stage.lift_mm), colour="white", shaded=False)
    stage.scene.add_above(lifted(reach.surface, 1.3 * stage.lift_mm), gap, limit, colour="black")
    return [shot.image.max(axis=2) < 128 for shot in stage.shoot(depth=False)]


def _marked(ax: Any, mask: Any) -> None:
    """Outline and hatch a mask; a strip too narrow to be hatched gets a fine outline only, which leaves its shades seen."""
    rim = mask & ~(np.roll(mask, 1, 0) & np.roll(mask, -1, 0) & np.roll(mask, 1, 1) & np.roll(mask, -1, 1))
    if 2 * mask.sum() > _NARROW_PX * max(int(rim.sum()), 1):
        hatch(ax, mask)
        return
    from scipy.ndimage import binary_dilation

    # Round the strip: upon its edge the line would hide its shades.
    round_it = binary_dilation(mask, iterations=_ROUND_PX)
    h, w = mask.shape
    x, y = np.arange(w) + 0.5, np.arange(h) + 0.5
    for colour, wide in (("white", 2.0), (INK, 0.9)):
        ax.contour(x, y, round_it.astype(float), levels=[0.5], colors=colour, linewidths=wide)


def _numbers(
    ax: Any, shot: Shot, stage: Stage, named: Sequence[tuple[str, Floats]], *, colour: str = INK, beside: bool = False,
    keep_off: Floats | None = None,
) -> None:  # fmt: skip
    """Numbers in circles where places are seen, or beside them; hidden ones are left to the other view."""
    if not named:
        return
    points = np.array([p for _, p in named])
    good = shot.seen(points, slack_mm=8 * stage.lift_mm)
    # Those that are not seen push no others aside.
    named, points = [q for q, seen in zip(named, good) if seen], points[good]
    if not named:
        return
    at = shot.pixels(points)
    steps = (beside_px(shot, points, keep_off) - at) * 72 / DPI if beside else np.zeros_like(at)
    for (words, _), (x, y), (dx, dy) in zip(named, at, steps):
        if beside:
            ax.plot(x, y, "o", ms=5, mfc="white", mec=INK, mew=1.4, zorder=39)
        ax.annotate(
            words, (x, y), (dx, -dy), textcoords="offset points", size=SMALL_PT, color="white", weight="bold", ha="center",
            va="center", zorder=40, bbox={"boxstyle": "circle,pad=0.25" if len(words) < 3 else "round,pad=0.3", "fc": colour, "ec": "white", "lw": 1.4},
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 1.6} if beside else None,
        )  # fmt: skip


def _legend(figure: Any, reach: BagReach, top: float) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    height = figure.get_figheight()
    bar = figure.add_axes((0.06, (_LEGEND_IN - 0.46) / height, 0.5, 0.22 / height))
    more = "max" if reach.bridging.gap_mm.max() > top else "neither"
    figure.colorbar(ScalarMappable(Normalize(0, top), MAP), cax=bar, orientation="horizontal", extend=more)
    bar.tick_params(labelsize=SMALL_PT, colors=INK)
    bar.set_xlabel("gap under the film, mm", size=SMALL_PT, color=INK)
    bar.axvline(reach.limit_mm, color="white", lw=4)
    bar.axvline(reach.limit_mm, color=INK, lw=2)
    walls = "\nW: three walls meet" if reach.bridging.wall_corners else ""
    figure.text(
        0.6, (_LEGEND_IN - 0.16) / height,
        f"line: limit of {reach.limit_mm:g} mm\nwithin it: above that\nfree radius {reach.bridging.radius_mm:.0f} mm{walls}",
        size=SMALL_PT, color=INK, va="top", linespacing=1.25,
    )  # fmt: skip


# -- pleats ---------------------------------------------------------------------------------------------------------------


def pleat_picture(stage: Stage, reach: BagReach) -> Picture:
    """Return where the pleats stand: on the tape round the hull, and on the tape laid out straight."""
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(reach.surface, stage.lift_mm), colour=TINT)
    over = _over(stage, reach)
    for line in over:
        stage.scene.line(line, colour=INK, width=9.0, closed=True)
    # A light core, so that it is seen on a hull of any shade and leads stand off it.
    for line in _over(stage, reach, 1.5):
        stage.scene.line(line, colour="white", width=4.0, closed=True)
    leads = [lead_of(stage, reach, p) for p in reach.pleats]
    for lead in leads:
        stage.scene.line(lead, colour=INK, width=3.0)
    shots = stage.shoot()
    title = f"{stage.region.name}: pleats of the bag film on the tape"
    figure, axes = _page(title, shots, stage.height_in, foot_in=_BAR_IN * len(reach.tapes_mm))
    places = [(str(p.number), over[p.loop - 1][_nearest(reach.tapes_mm[p.loop - 1], p.place_mm)]) for p in reach.pleats]
    for ax, shot in zip(axes, shots):
        _numbers(ax, shot, stage, places, beside=True)
        busy = np.concatenate([shot.pixels(q) for q in leads] + [beside_px(shot, np.array([q for _, q in places]))])
        for line in over:
            _start(ax, shot, stage, line[0], busy)
        _directions(ax, shot, stage)
    for k, line in enumerate(reach.tapes_mm):
        _bar(figure, reach, k, line)
    told = "; ".join(f"pleat {p.number} at {p.at_m:.2f} m, {p.height_mm:.0f} mm high" for p in reach.pleats)
    return Picture(
        file_stem(stage.region.name, "pleats"),
        title,
        f"The hull with the tape line and the place of each pleat, and the tape laid out straight: {told}.",
        as_png(figure),
        ("pleats", stage.region.name),
    )


def _nearest(points: Floats, p: Sequence[float] | Floats) -> int:
    return int(np.argmin(np.linalg.norm(points - np.asarray(p), axis=1)))


def lead_of(stage: Stage, reach: BagReach, pleat: Pleat) -> Floats:
    """Return a line (k, 3) over the hull from a pleat to the corner that it feeds, lifted off it to be seen.

    Parameters
    ----------
    stage : Stage
    reach : BagReach
    pleat : Pleat
    """
    corner = next(c for c in reach.corners if c.name == pleat.feeds)
    own = np.array([s.place_mm for s in reach.sections if s.line in corner.lines])
    start = np.array(pleat.place_mm)
    end = own[_nearest(own, pleat.place_mm)] if pleat.ends_mm is None else np.array(pleat.ends_mm)
    hull = reach.surface
    a, b = _nearest(hull.vertices_mm, start), _nearest(hull.vertices_mm, end)
    between = geodesic_path(hull, a, b)[1:-1] if a != b else np.zeros((0, 3))
    way, step = np.concatenate([start[None], between, end[None]]), float(np.linalg.norm(end - start)) / _LEAD_STEPS
    way = spaced(way, np.zeros(len(way)), False, max(step, 1e-6))[0]
    found = hull.locate(way)
    # Over a rim the mean of both sides' normals leads out of it.
    up = (found.weights[:, :, None] * hull.vertex_normals[hull.faces[found.face]]).sum(axis=1)
    return np.asarray(found.points_mm + 3 * stage.lift_mm * up / np.maximum(np.linalg.norm(up, axis=1), 1e-9)[:, None])


def _start(ax: Any, shot: Shot, stage: Stage, p: Floats, busy: Floats) -> None:
    if shot.seen(p[None], slack_mm=8 * stage.lift_mm)[0]:
        x, y = shot.pixels(p[None])[0]
        sides = np.array([[0.0, y], [shot.image.shape[1], y]])
        right, down = clear_side(np.array([x, y]), np.concatenate([busy, sides]))
        ax.plot(x, y, "s", ms=9, mfc="white", mec=INK, mew=2.0, zorder=41)
        ax.annotate(
            "0 m", (x, y), (8 * right, -10 * down), textcoords="offset points", size=SMALL_PT, color=INK, path_effects=halo(), zorder=41,
            ha="left" if right > 0 else "right", va="top" if down > 0 else "bottom",
        )  # fmt: skip


def beside_px(shot: Shot, points: Floats, keep_off: Floats | None = None) -> Floats:
    """Return where numbers beside places have their middles, pixels: away from the picture's middle, where the margin has room.

    Parameters
    ----------
    shot : Shot
    points : (k, 3) float array
    keep_off : (n, 2) float array, optional
        Pixels that numbers keep off.
    """
    at = shot.pixels(points)
    size = np.array(shot.image.shape[1::-1], dtype=float)
    off = at - size / 2
    out = at + _BESIDE_PT * DPI / 72 * off / np.maximum(np.linalg.norm(off, axis=1), 1e-9)[:, None]
    # A number keeps to the picture, or it would be cut at its side.
    return spread(out, _BADGE_PX, keep_off).clip(0.55 * _BADGE_PX, size - 0.55 * _BADGE_PX)


def spread(at: Floats, apart: float, fixed: Floats | None = None) -> Floats:
    """Return places pushed apart, a little at a time, until no two are nearer than so much, or it is tried out.

    Parameters
    ----------
    at : (k, 2) float array
    apart : float
    fixed : (n, 2) float array, optional
        Places that push others and stay.
    """
    count = len(at)
    out = np.array(at, dtype=float) if fixed is None else np.concatenate([at, fixed])
    for _ in range(_PUSHES):
        way = out[:, None] - out[None]
        far = np.linalg.norm(way, axis=2)
        np.fill_diagonal(far, np.inf)
        near = far < apart
        if not near[:count].any():
            break
        # Two at one place part level.
        way = np.where((far < 1e-9)[..., None], np.sign(np.subtract.outer(range(len(out)), range(len(out))))[..., None] * np.array([1.0, 0.0]), way)
        push = np.where(near, 0.25 * (apart - np.minimum(far, apart)), 0.0) / np.maximum(np.linalg.norm(way, axis=2), 1e-9)
        out[:count] += (push[..., None] * way).sum(axis=1)[:count]
    return out[:count]


def word_rows(at: Sequence[float], wide: float) -> list[int]:
    """Rows that words stand in, the lowest free one of three each, so that none runs over another; the last takes what is left.

    Parameters
    ----------
    at : sequence of float
        Where their middles are, in any order.
    wide : float
        How much room the widest takes.
    """
    taken = [-np.inf] * 3
    rows = [0] * len(at)
    for k in np.argsort(at, kind="stable"):
        rows[k] = next((row for row, end in enumerate(taken) if at[k] - end >= wide), len(taken) - 1)
        taken[rows[k]] = at[k]
    return rows


def _bar(figure: Any, reach: BagReach, loop: int, line: Floats) -> None:
    """One line of tape laid out straight with metre marks, and each of its pleats to its height."""
    height = figure.get_figheight()
    length = closed_length(line) / 1000
    own = [p for p in reach.pleats if p.loop == loop + 1]
    tall = max(p.height_mm for p in reach.pleats)
    bottom = _BAR_IN * (len(reach.tapes_mm) - 1 - loop)
    ax = figure.add_axes((0.06, (bottom + 0.62) / height, 0.88, (_BAR_IN - 1.0) / height))
    ax.plot([0, length], [0, 0], color=FAINT, lw=8, solid_capstyle="butt", zorder=1)
    half = 0.012 * length
    for p, row in zip(own, word_rows([p.at_m for p in own], _WORDS * length)):
        ax.fill([p.at_m - half, p.at_m, p.at_m + half], [0, p.height_mm, 0], fc="white", ec=INK, lw=1.6, zorder=3)
        words = f"{p.number}: {p.height_mm:.0f}"
        ax.text(p.at_m, (1.06 + _WORDS_UP * row) * tall, words, size=SMALL_PT, color=INK, ha="center", va="bottom")
    ax.set_xlim(-0.02 * length, 1.02 * length)
    ax.set_ylim(-0.12 * tall, (1.3 + 3 * _WORDS_UP) * tall)
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.set_yticks([])
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    name = "the tape" if len(reach.tapes_mm) == 1 else f"tape {loop + 1}"
    ax.set_xlabel(f"along {name} from its 0 mark, m; pleat: height, mm", size=SMALL_PT, color=INK)


# -- sections -------------------------------------------------------------------------------------------------------------


def section_picture(region: RegionPlan, reach: BagReach) -> Picture:
    """Return sections through the corners that want most film, at one scale."""
    worst = _worst(reach)
    title = f"{region.name}: sections through the corners that want most film"
    head = head_in(title)
    height = head + _SECTION_IN * len(worst) + 1.05
    figure = new_figure(height)
    title_on(figure, title)
    told = []
    for k, (corner, left) in enumerate(worst):
        bottom = (height - head - (k + 1) * _SECTION_IN + 0.45) / height
        room = (_SECTION_IN - 0.55) / height
        whole = figure.add_axes((0.02, bottom, 0.62, room))
        close = figure.add_axes((0.67, bottom, 0.31, room))
        section, films, words = _film_of(reach, corner, left=left)
        _section(whole, close, section, films, _ASIDE * reach.allowed_mm)
        figure.text(0.5, bottom - 0.04 / height, words, size=SMALL_PT, color=INK, ha="center", va="top")
        told.append(f"{words}, near ({', '.join(f'{c:.0f}' for c in section.place_mm)}) mm")
    _key(figure, reach)
    return Picture(
        file_stem(region.name, "corner-sections"),
        title,
        f"Plane sections with the hull and the film as it is drawn taut{_beside(reach)}: {'; '.join(told)}.",
        as_png(figure),
        ("corner sections", region.name),
    )


def _beside(reach: BagReach) -> str:
    how = "with slack" if reach.film is None else as_it_lies(reach.film)
    return "" if how is None else f" and {how}"


def _worst(reach: BagReach) -> list[tuple[Corner, bool]]:
    """The corners to draw, each where a taut film is farthest off; the last where the film with its pleats is."""
    out = [(c, False) for c in reach.corners if c.slack_mm > 1.0][:_DRAWN] or [(c, False) for c in reach.corners[:1]]
    film = reach.film
    if film is not None and film.fed is not None:
        fed, taut = film.pleated[-1].laid, film.taut[-1].held
        corner = max(reach.corners, key=lambda c: fed[_farthest(reach, c, fed)].depth_mm)
        own, shown = (_farthest(reach, corner, q) for q in (fed, taut))
        if corner not in [c for c, _ in out] or fed[own].depth_mm > fed[shown].depth_mm + _TOLD_MM:
            out.append((corner, True))
    return out


def _farthest(reach: BagReach, corner: Corner, film: Sequence[SectionFilm]) -> int:
    """Number of the section of a corner over which a film is farthest off."""
    own = [k for k, s in enumerate(reach.sections) if s.line in corner.lines]
    return max(own, key=lambda q: film[q].depth_mm)


def _film_of(
    reach: BagReach, corner: Corner, *, left: bool
) -> tuple[CornerSection, tuple[Floats, Floats], str]:
    """The worst section of a corner, the film over it without and with pleats, and what to say about them."""
    if reach.film is None:
        s = corner.worst
        return s, (s.taut_mm, s.rounded_mm), f"{corner.name}: slack {corner.slack_mm:.0f} mm, way {s.path_mm:.0f} mm, taut {s.taut_path_mm:.0f} mm"
    taut, fed = reach.film.taut[-1].held, reach.film.pleated[-1].laid
    k = _farthest(reach, corner, fed if left else taut)
    before, after = taut[k], fed[k]
    how = as_it_lies(reach.film)
    if how is None:
        words = f"{corner.name}: {before.depth_mm:.1f} mm off, drawn taut"
    elif how == PLEATED and not left:
        words = f"{corner.name}: {before.depth_mm:.1f} mm off without pleats, {after.depth_mm:.1f} mm with them"
    elif how == PLEATED:
        words = f"{corner.name}, worst with pleats: {before.depth_mm:.1f} mm off without, {after.depth_mm:.1f} mm with them"
    else:
        words = f"{corner.name}{', worst so' * left}: {before.depth_mm:.1f} mm off drawn taut, {after.depth_mm:.1f} mm {how}"
    return reach.sections[k], (before.film_mm, after.film_mm), words


def as_it_lies(film: FilmPlan) -> str | None:
    """Return how a film lies that is not drawn taut: with its pleats, joined, as a pouch; None where it is taut.

    Parameters
    ----------
    film : FilmPlan
    """
    return None if film.pleated is film.taut else film.pleated[-1].name


def _section(whole: Any, close: Any, section: CornerSection, films: tuple[Floats, Floats], aside: float) -> None:
    """The section from tape to tape, its ends level, and the corner close by."""
    x, y = section.surface_mm[-1] - section.surface_mm[0]
    level = np.array([[x, -y], [y, x]]) / max(float(np.hypot(x, y)), 1e-300)
    hull, taut, film = (p @ level for p in (section.surface_mm, *films))
    both = np.concatenate([hull, taut])
    low, high = both.min(axis=0), both.max(axis=0)
    pad = 0.05 * float((high - low).max())
    _ways(whole, hull, film, taut, (low[0] - pad, low[1] - 3.2 * pad, high[0] + pad, high[1] + pad))
    ring = _rectangle((-aside, -aside), 2 * aside, 2 * aside, fc="none", ec=INK, lw=1.6, zorder=8)
    whole.add_patch(ring)
    _ways(close, hull, film, taut, (-aside, -aside, aside, aside))
    close.add_patch(_rectangle((-aside, -aside), 2 * aside, 2 * aside, fc="none", ec=INK, lw=2.4, zorder=8, clip_on=False))


def _ways(ax: Any, hull: Floats, film: Floats, taut: Floats, box: tuple[float, float, float, float]) -> None:
    deep = hull[:, 1].min() - 4 * (box[3] - box[1])
    ax.fill(np.r_[hull[0, 0], hull[:, 0], hull[-1, 0]], np.r_[deep, hull[:, 1], deep], fc=HULL, ec=FAINT, hatch="//", lw=0)
    ax.plot(*taut.T, color=_shade(0.75), lw=2.8, zorder=2)
    ax.plot(*hull.T, color=INK, lw=2.6, zorder=3)
    ax.plot(*film.T, color=_shade(0.45), lw=2.6, ls=(0, (4, 2)), zorder=4, path_effects=halo())
    frame_on(ax, box)
    wide = box[2] - box[0]
    bar = 10.0 ** np.floor(np.log10(0.4 * wide))
    bar *= 2 if 2 * bar < 0.4 * wide else 1
    x, y = box[2] - 0.05 * wide, box[1] + 0.03 * wide
    ax.plot([x - bar, x], [y, y], color=INK, lw=4, solid_capstyle="butt", path_effects=halo(), zorder=6)
    ax.annotate(
        f"{bar:g} mm", (x - bar / 2, y), (0, 5), textcoords="offset points", size=SMALL_PT, color=INK, ha="center",
        va="bottom", path_effects=halo(), zorder=6,
    )  # fmt: skip


def _rectangle(at: tuple[float, float], wide: float, high: float, **look: Any) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle(at, wide, high, **look)


def _shade(share: float) -> Any:
    from matplotlib import colormaps

    return colormaps[MAP](share)


def _key(figure: Any, reach: BagReach) -> None:
    from matplotlib.lines import Line2D

    if reach.film is None:
        before, after = "film drawn taut from tape to tape", f"film with slack, corners left {reach.allowed_mm:.0f} mm round"
    else:
        how, full = as_it_lies(reach.film), f"at {reach.pressure_kpa:.0f} kPa"
        before = f"film {'without pleats' if how == PLEATED else 'drawn taut'} {full}"
        after = "" if how is None else f"film {how} {full}"
    lines = [
        Line2D([], [], color=INK, lw=2.6, label="hull"),
        *([Line2D([], [], color=_shade(0.45), lw=2.6, ls=(0, (4, 2)), label=after)] if after else []),
        Line2D([], [], color=_shade(0.75), lw=2.6, label=before),
    ]
    figure.legend(handles=lines, loc="lower left", bbox_to_anchor=(0.01, 0.0), frameon=False, fontsize=SMALL_PT, labelcolor=INK)


def radius_words(reach: BagReach | None) -> list[str]:
    """Sentences about the radius by which gaps are told.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None:
        return []
    return [
        f"A film without slack draws at {reach.tension_n_per_m:.0f} N/m and under {reach.pressure_kpa:.0f} kPa hangs free with a "
        f"radius of {reach.bridging.radius_mm:.0f} mm. The gaps told are for that radius and, where two are told, for twice it: a film "
        "in a round hollow or where three walls meet lies between the two. Close to posts only a worked-out film tells more."
    ]


def reach_words(reach: BagReach | None) -> list[str]:
    """Sentences about a bag's reach for the sheet.

    Parameters
    ----------
    reach : BagReach or None
    """
    if reach is None:
        return []
    found = reach.bridging
    words = []
    if found.noise_mm > 0:
        words.append(f"The scan's noise of {found.noise_mm:.1f} mm was smoothed first; gaps are known no better than that.")
    drawn = reach.film.taut[-1] if reach.film is not None else None
    if not found.spots and (drawn is None or drawn.depth_mm <= reach.limit_mm):
        words.append(f"A film without slack stands off the hull by no more than {reach.limit_mm:g} mm anywhere.")
    elif not found.spots and drawn is not None:
        words.append(
            f"By its free radius a film without slack would stand off by no more than {reach.limit_mm:g} mm, but it hardens as it draws: over sections through the corners "
            f"it stands {drawn.depth_mm:.1f} mm off."
        )
    elif drawn is not None and drawn.depth_mm > reach.limit_mm:
        words.append(
            f"What the table of places calls missing is what such a film lacks once it has drawn so far; it hardens as it draws, and so stands "
            f"{drawn.depth_mm:.1f} mm off over sections through the corners."
        )
    short = [b for b in reach.bends if b.short]
    over = len(reach.bends) - len(short)
    if reach.bends:
        words.append(_bend_words(len(short), over))
    if found.wall_corners:
        n = len(found.wall_corners)
        words.append(
            f"Three walls meet at {n} place{'s' * (n != 1)}, W in the map. Sections across the corner lines do not see them: there the film is no "
            "cylinder, and its gap lies between the two that are told. With pleats the gap is reckoned by the radius in which the film hangs beside it. A fold that ends in "
            "such a corner is tucked right into it."
        )
    if reach.pleats:
        words.append(
            f"Pleats are counted along the tape from its 0 mark in the picture. Make them in the order told and tuck each into "
            f"its corner at no more than {reach.tuck_kpa:.0f} kPa: film is then drawn from up to {reach.feed_mm:.0f} mm, later only "
            f"from {reach.feed_mm * reach.tuck_kpa / reach.pressure_kpa:.0f} mm."
        )
    return words


def _bend_words(short: int, over: int) -> str:
    both = [(short, "short", "there pleats are wanted"), (over, "in excess", "there it folds")]
    told = [f"{what} at {count} place{'s' * (count != 1)} of the hull: {so}" for count, what, so in both if count]
    return f"Along the corner lines a flat film is {', and '.join(told)}."


def wall_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of corners where three walls meet."""
    if reach is None:
        return []
    rows: list[tuple[str, ...]] = []
    for k, w in enumerate(reach.bridging.wall_corners, 1):
        fed = "" if w.pleated_mm is None else f"{w.pleated_mm[0]:.1f} to {w.pleated_mm[1]:.1f}"
        pleats = [str(p.number) for p in reach.pleats if _wall_of(reach, p) == f"W{k}"]
        rows.append(
            (
                f"W{k}", str(w.spot), f"{w.depth_mm:.1f} to {w.depth_most_mm:.1f}", fed, f"{w.volume_mm3 / 1000:.1f} to {w.volume_most_mm3 / 1000:.1f}",
                f"{w.resin_g:.0f} to {w.resin_most_g:.0f}", ", ".join(pleats), ", ".join(f"{c:.0f}" for c in w.place_mm),
            )
        )  # fmt: skip
    return rows


def _wall_of(reach: BagReach, pleat: Pleat) -> str:
    """Name of the corner of three walls that a pleat's fold ends in; empty where it runs on."""
    walls = [w.place_mm for w in reach.bridging.wall_corners]
    return f"W{walls.index(pleat.ends_mm) + 1}" if pleat.ends_mm in walls else ""


def spot_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of places that a taut film bridges."""
    if reach is None:
        return []
    return [
        (
            str(k), f"{s.depth_mm:.1f} to {s.depth_most_mm:.1f}", f"{s.area_mm2 / 100:.0f}",
            f"{s.volume_mm3 / 1000:.0f} to {s.volume_most_mm3 / 1000:.0f}", f"{s.resin_g:.0f} to {s.resin_most_g:.0f}",
            f"{s.missing_mm:.0f} to {s.missing_most_mm:.0f}", ", ".join(f"{c:.0f}" for c in s.place_mm),
        )
        for k, s in enumerate(reach.bridging.spots, 1)
    ]  # fmt: skip


def pleat_rows(reach: BagReach | None) -> list[tuple[str, ...]]:
    """Rows of the table of pleats."""
    if reach is None:
        return []
    pair = {p.number: [q.number for q in reach.pleats if q.fold == p.fold and q.number != p.number and q.loop == 1] for p in reach.pleats}
    return [
        (
            str(p.number), str(p.loop), f"{p.at_m:.2f}", f"{p.height_mm:.0f}", f"{p.margin_mm:.0f}", p.feeds,
            _wall_of(reach, p) or (", ".join(str(q) for q in pair[p.number]) if p.fold else ""), f"{p.far_mm:.0f}", "yes" if p.helps else "no, push it in by hand", str(p.order),
        )
        for p in reach.pleats
    ]  # fmt: skip


PLEAT_HEAD = (
    "pleat", "tape#", "along it, m#", "height, mm#", "of it margin, mm#", "feeds", "fold runs to pleat or ends in", "from the corner, mm#", "film drawn so far",
    "order#",
)  # fmt: skip

WALL_HEAD = (
    "corner", "in place#", "gap, taut, mm#", "with pleats, about, mm#", "volume, cm³#", "resin, g#", "pleats that end there", "deepest at, mm",
)  # fmt: skip

__all__ = ["PLEAT_HEAD", "WALL_HEAD", "pleat_rows", "radius_words", "reach_pictures", "reach_words", "spot_rows", "wall_rows"]
