"""The day drawn along the clock: what is done when, how long each batch may stand, and how the resin hardens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from ..export.drawing import file_stem
from .layout import head_in, title_on
from .style import FAINT, INK, SMALL_PT, WIDTH_IN, Picture, as_png, halo, new_figure, steps
from .words import clock_time, minutes

if TYPE_CHECKING:
    from ..planned import Plan
    from ..shop.day import CureDay, Day, RegionDay

_ROW_IN, _FOOT_IN, _CURE_IN = 0.31, 0.42, 2.1
#: Left and right end of the time axis, shares of the picture's width: words of a bar may run on beyond it.
_LEFT, _RIGHT = 0.06, 0.94
#: Width of a letter of the words beside bars, inches.
_LETTER_IN = 0.55 * SMALL_PT / 72


def timeline_pictures(plan: Plan) -> Iterator[Picture]:
    """Yield the day of each region along the clock, and before them all regions together with the cure.

    Parameters
    ----------
    plan : Plan
    """
    if plan.day is None:
        return
    yield day_picture(plan.day)
    for region in plan.day.regions:
        if region.steps:
            yield region_picture(region)


def day_picture(day: Day) -> Picture:
    """Return the regions one under the other along the clock, and the temperatures of the cure below.

    Parameters
    ----------
    day : Day
    """
    bars = [(r.name, *_span(r)) for r in day.regions]
    title = "Timeline: regions, then the cure" if day.cure is not None else "Timeline of the regions"
    cure_in = _CURE_IN if day.cure is not None else 0.0
    height = head_in(title) + _ROW_IN * (2 * len(bars)) + _FOOT_IN + cure_in
    figure = new_figure(height)
    title_on(figure, title)
    ax = _clock_axis(figure, (cure_in + _FOOT_IN) / height, _ROW_IN * 2 * len(bars) / height, [b[1:] for b in bars], 2 * len(bars))
    for k, (name, start, end) in enumerate(bars):
        ax.text(start, 2 * k + 0.42, f"{name}: {clock_time(start)} to {clock_time(end)}", size=SMALL_PT, color=INK, va="center", path_effects=halo())
        ax.barh(2 * k + 1.3, end - start, left=start, height=0.72, color=steps(3)[1], ec=INK, lw=1.2)
    if day.cure is not None:
        _cure_axis(figure, day.cure, height)
    told = "; ".join(f"{name} from {clock_time(start)} to {clock_time(end)}" for name, start, end in bars)
    cured = "" if day.cure is None else f" Below, the temperatures of the cure over {minutes(day.cure.profile.s[-1])}."
    return Picture(
        "timeline", title, f"Bars along the clock: {told}, leaks found.{cured}", as_png(figure), ("timeline", "all"),
    )  # fmt: skip


def region_picture(region: RegionDay) -> Picture:
    """Return the steps of one region along the clock, each with its name, and the batches with the time they may stand.

    Parameters
    ----------
    region : RegionDay
    """
    rows = _rows(region)
    down = _latest(region)
    ends = [(start, end) for _, start, end, _ in rows] + ([(down, down)] if down is not None else [])
    title = f"{region.name}: timeline of the work"
    height = head_in(title) + _ROW_IN * (len(rows) + (1.2 if down is not None else 0.0)) + _FOOT_IN
    figure = new_figure(height)
    title_on(figure, title)
    count = len(rows) + (1.2 if down is not None else 0.0)
    wide_in = WIDTH_IN * (_RIGHT - _LEFT)
    ends += [(start, _room(rows, end, len(words) * _LETTER_IN / wide_in)) for words, start, end, _ in rows]
    ax = _clock_axis(figure, _FOOT_IN / height, _ROW_IN * count / height, ends, count)
    low, high = ax.get_xlim()
    for k, (words, start, end, pot) in enumerate(rows):
        look = {"color": "white", "hatch": "////", "ec": FAINT} if pot else {"color": steps(3)[1], "ec": INK}
        ax.barh(k + 0.5, end - start, left=start, height=0.7, lw=1.1, **look)
        # Words stand after the bar, or before it where the picture ends too soon.
        after = (high - end) / (high - low) * wide_in > _LETTER_IN * len(words) or (start - low) / (high - low) * wide_in < _LETTER_IN * len(words)
        gap = 0.08 * (high - low) / wide_in
        ax.text(
            end + gap if after else start - gap, k + 0.5, words, size=SMALL_PT, color=INK, va="center", ha="left" if after else "right",
            path_effects=halo(), zorder=6,
        )  # fmt: skip
    if down is not None:
        _last_moment(ax, down, len(rows), bagged=region.pull is not None)
    told = "; ".join(f"{clock_time(start)} {words}" for words, start, _, _ in rows)
    return Picture(
        file_stem(region.name, "timeline"), title, f"The steps of {region.name} as bars along the clock. {told}.", as_png(figure),
        ("timeline", region.name),
    )  # fmt: skip


def _latest(region: RegionDay) -> float | None:
    """Last minute by which the bag must be down, or the last ply wetted; None where nothing is known, or there is no such moment."""
    if region.fit is None:
        return None
    after_s = region.fit.down_by_s if region.pull is not None else region.fit.open_s
    return region.start_min + after_s / 60 if after_s > 0 else None


def _rows(region: RegionDay) -> list[tuple[str, float, float, bool]]:
    """Words, first and last minute of each bar in order of time, and whether it is resin that stands in the pot."""
    rows = [(s.what, region.start_min + s.start_s / 60, region.start_min + s.end_s / 60, False) for s in region.steps]
    if region.fillet is not None:
        start = region.fillet.start_min
        rows.append(("run the fillet", start, start + region.fillet.run_s / 60, False))
    for b in region.batches:
        start = region.start_min + b.start_s / 60
        rows.append((f"pot life of batch {b.number}", start, start + b.pot_life_s / 60, True))
    return sorted(rows, key=lambda row: (row[1], row[3]))


def _room(rows: Sequence[tuple[str, float, float, bool]], end: float, share: float) -> float:
    """How late a picture must end so that words, a share of its width, stand after a bar; no later where they stand before it."""
    first, last = min(r[1] for r in rows), max(r[2] for r in rows)
    start = next(r[1] for r in rows if r[2] == end)
    if (start - first) >= share * (last - first) or share >= 0.9:
        return last
    return max(last, (end - share * first) / (1.0 - share))


def _span(region: RegionDay) -> tuple[float, float]:
    """First and last minute of a region's work."""
    start = region.start_min if region.fillet is None else min(region.fillet.start_min, region.start_min)
    return start, region.start_min + max((s.end_s for s in region.steps), default=0.0) / 60


def _clock_axis(figure: Any, bottom: float, high: float, spans: Sequence[tuple[float, float]], rows: float) -> Any:
    """Axes along the clock for so many rows, from the top down, with the hours and their parts ruled."""
    start, end = min(a for a, _ in spans), max(b for _, b in spans)
    step = next((s for s in (10, 15, 30, 60, 120, 240) if (end - start) / s <= 7), 480)
    first, last = step * (start // step), step * -(-end // step)
    ax = figure.add_axes((_LEFT, bottom, _RIGHT - _LEFT, high))
    ax.set_xlim(first, max(last, first + step))
    ax.set_ylim(rows, 0.0)
    at = [first + step * k for k in range(round((max(last, first + step) - first) / step) + 1)]
    ax.set_xticks(at, [clock_time(t).split(" ")[0] for t in at])
    ax.grid(axis="x", color=FAINT, lw=0.6)
    ax.set_axisbelow(True)
    ax.set_yticks([])
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    return ax


def _last_moment(ax: Any, at: float, rows: int, *, bagged: bool) -> None:
    """A line at the last moment by which the bag must be down, or the last ply wetted."""
    ax.axvline(at, color=INK, lw=2.4, ls=(0, (4, 2)), zorder=1.5)
    words = f"{'bag down' if bagged else 'last ply wetted'} by {clock_time(at)} at the latest"
    low, high = ax.get_xlim()
    left = at > 0.5 * (low + high)
    ax.annotate(
        words, (at, rows + 0.6), (-7 if left else 7, 0), textcoords="offset points", size=SMALL_PT, weight="bold", color=INK,
        ha="right" if left else "left", va="center", path_effects=halo(),
    )  # fmt: skip


def _cure_axis(figure: Any, cure: CureDay, height: float) -> None:
    """The temperatures planned over the hours of the cure."""
    ax = figure.add_axes((0.11, 0.62 / height, 0.84, (_CURE_IN - 0.85) / height))
    hours, warm = [t / 3600 for t in cure.profile.s], list(cure.profile.c)
    ax.plot(hours, warm, color=INK, lw=2.4)
    ax.set_xlim(0, max(hours[-1], 0.1))
    ax.set_ylim(min(warm) - 5, max(warm) + 24)
    if cure.off_s is not None and cure.off_s / 3600 <= hours[-1]:
        ax.axvline(cure.off_s / 3600, color=FAINT, lw=2, ls=(0, (4, 2)))
        ends = cure.off_s / 3600 > 0.6 * hours[-1]
        ax.annotate(
            f"may come off\nafter {minutes(cure.off_s)}", (cure.off_s / 3600, max(warm) + 23), (-7 if ends else 7, 0), textcoords="offset points",
            size=SMALL_PT, color=INK, ha="right" if ends else "left", va="top", path_effects=halo(),
        )  # fmt: skip
    for side in ("right", "top"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=SMALL_PT, colors=INK)
    ax.set_ylabel("°C", size=SMALL_PT, color=INK)
    ax.set_xlabel("hours of the cure, vacuum held", size=SMALL_PT, color=INK)
