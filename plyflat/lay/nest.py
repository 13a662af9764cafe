"""Pieces laid out on a width of cloth."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

from ..errors import FitError, QuantityError
from ..progress import Tell
from .checks import check_cloth, check_fit, check_parts
from .outline import SAME_MM
from .parts import Lay, Part, Place
from .search import Problem, Stop, find_lay

__all__ = ["Lay", "Part", "Place", "nest"]


def nest(
    parts: Sequence[Part],
    *,
    width_mm: float,
    gap_mm: float = 0.0,
    edge_mm: float = 0.0,
    seconds: float = 10.0,
    seed: int = 0,
    tries: int | None = None,
    max_length_mm: float | None = None,
    progress: Tell | None = None,
    stop: Stop | None = None,
) -> Lay:
    """Lay parts out on a width of cloth so that the length used is short.

    Quick answers come first; then a packing library searches in processes of its own until the time is used or a
    proven bound is met. What comes back has been checked in double precision against the given outlines. Parts are
    never mirrored, and nothing is laid into a part's openings.

    Parameters
    ----------
    parts : sequence of Part
        Outlines in mm, x along the roll.
    width_mm : float
        The roll's whole width.
    gap_mm, edge_mm : float
        Least distance between two parts; margin kept clear along both edges of the roll, the two ends having none.
    seconds : float
        Time for the search. A timed search is not repeatable; at 0, with quick answers alone, it is.
    seed : int
    tries : int, optional
        Search by count, however long that takes, with `seconds` at 0: two searches each go on until they have found
        so many lays, each shorter than the one before. The same input, seed and count give the same lay.
    max_length_mm : float, optional
        A longer lay is no answer.
    progress : callable, optional
        Called with "laying out" and the share of the time used.
    stop : threading.Event or callable, optional
        Set, or returning True, to end the search early. Ctrl-C does the same.

    Returns
    -------
    Lay
        The best found; ``stopped`` tells whether the search was broken off.

    Raises
    ------
    FitError
        If a part is wider than the usable width at every allowed turn, the margins leave no width, or no lay within
        `max_length_mm` was found.
    QuantityError, ShapeError
        If there are no parts, a measure, count, time or seed makes no sense, or an outline is no plain shape.
    SolveError, CheckError
        If the packing library fails, or no lay passes the check.
    StoppedError
        If the search was stopped before there was a lay.

    References
    ----------
    .. [1] Gardeyn, J., Vanden Berghe, G., Wauters, T. (2025): An open-source heuristic to reboot 2D nesting research.
       arXiv 2509.13329. The search in the packing library.

    Examples
    --------
    >>> from shapely import box
    >>> lay = nest([Part(box(0, 0, 300, 500), copies=4)], width_mm=1000, seconds=0)
    >>> round(lay.length_mm), lay.bound_name
    (600, 'area')
    """
    start = time.monotonic()
    room_mm = check_cloth(width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm)
    check_parts(parts)
    check_search(seconds=seconds, seed=seed, tries=tries, max_length_mm=max_length_mm)
    problem = Problem.of(
        parts, check_fit(parts, room_mm=room_mm), width_mm=width_mm, gap_mm=gap_mm, edge_mm=edge_mm
    )
    lay = find_lay(problem, seconds=seconds, seed=seed, progress=progress, stop=stop, start=start, tries=tries)
    if max_length_mm is not None and lay.length_mm > max_length_mm + SAME_MM:
        raise _too_long(lay, max_length_mm)
    return lay


def check_search(*, seconds: float, seed: int, tries: int | None = None, max_length_mm: float | None = None) -> None:
    """Check the numbers that steer a search.

    Parameters
    ----------
    seconds : float
    seed : int
    tries : int, optional
    max_length_mm : float, optional

    Raises
    ------
    QuantityError
        If one makes no sense.
    """
    if not math.isfinite(seconds) or seconds < 0:
        raise QuantityError(f"the time for the search is {seconds:g} s", do="Give zero or more")
    if not isinstance(seed, int) or seed < 0:
        raise QuantityError(f"the seed is {seed}", do="Give a whole number, zero or more")
    if tries is not None and (not isinstance(tries, int) or tries < 1):
        raise QuantityError(f"the count of tries is {tries}", do="Give a whole number above zero, or leave it out")
    if tries is not None and seconds:
        raise QuantityError(
            f"{tries} tries and {seconds:g} s are both given", do="Search by count with no seconds, or by time without tries"
        )
    if max_length_mm is not None and not max_length_mm > 0:
        raise QuantityError(f"the greatest length is {max_length_mm:g} mm", do="Give a length above zero")


def _too_long(lay: Lay, max_length_mm: float) -> FitError:
    if lay.bound_mm > max_length_mm:
        proof = f"; no lay of these parts can be shorter than {lay.bound_mm:.1f} mm (by {lay.bound_name})"
        do = "Use a longer or wider roll, or two"
    else:
        proof, do = f"; a length of {lay.bound_mm:.1f} mm is not ruled out", "Give more time, or a longer roll"
    return FitError(
        f"the shortest lay found is {lay.length_mm:.1f} mm long, {lay.length_mm - max_length_mm:.1f} mm more than "
        f"allowed{proof}",
        do=do,
    )
