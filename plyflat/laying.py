"""Plies of woven cloth: how their pieces are laid by their threads, and what the builder must know of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from .cloth._cutting import Opened
from .cloth._net_bed import make_bed, piece_bed
from .cloth._strain import cloth_scale
from .cloth.draped import Draped, seam_bed
from .cloth.draping import Laying, Wishes, lay_piece
from .cloth.locking import Locking, from_diagonals, from_tows, spot_text, typical
from .cloth.pieces import piece_name
from .errors import OutlineError
from .job.area import RegionSpec
from .job.drape import DrapeSpec
from .job.model import Cloth
from .surface.mesh import Floats
from .surface.region import Region
from .units import say_percent

#: Template and sheared cloth may differ in area by this share; on a rough scan they do by some thousandths.
AREA_LIMIT = 0.02
#: What was tried beside is told where it takes away this share of what is locked.
WORTH = 0.3


def locking_of(cloth: Cloth) -> Locking:
    """Return how far a cloth shears, by what its table says of it: measured before typical.

    Parameters
    ----------
    cloth : Cloth
        One that is laid by its threads.
    """
    if cloth.lock_deg is not None:
        ahead, back = cloth.lock_deg, cloth.lock_back_deg or cloth.lock_deg
        return Locking(ahead, back, 0.75 * ahead, 0.75 * back, "stated", measured=True)
    if cloth.bias_test_mm is not None:
        long, short = cloth.bias_test_mm
        back_long, back_short = cloth.bias_test_back_mm or cloth.bias_test_mm
        return from_diagonals(long, short, back_long_mm=back_long, back_short_mm=back_short)
    if cloth.tows_mm is not None:
        return from_tows(*cloth.tows_mm)
    return typical(str(cloth.weave))


def wishes_of(cloth: Cloth, spec: RegionSpec, *, warp: Floats, angle_deg: float, over_share: float) -> Wishes | None:
    """Return how a ply is to be laid by its threads; None where its cloth is flattened.

    Parameters
    ----------
    cloth : Cloth
    spec : RegionSpec
    warp : (3,) float array
        The region's warp line.
    angle_deg : float
        The ply's angle.
    over_share : float
        Share of a piece that may lie past locking.
    """
    if cloth.cut_by != "drape":
        return None
    how = spec.drape or DrapeSpec()
    start = None if how.start_mm is None else np.array(how.start_mm)
    return Wishes(
        warp, angle_deg, locking_of(cloth), within_deg=how.within_deg, start_mm=start, steer=how.steer,
        locked_share=over_share,
    )


def lay_by_threads(region: Region, opened: Opened, wishes: Wishes, *, tolerance_mm: float = 10.0) -> tuple[Laying, ...]:
    """Lay every piece of a ply by its threads, each by itself.

    Nets run on over the hull about the ply. A piece that meets itself at a seam is laid on itself alone, so that each
    side of the seam keeps its own cloth.

    Parameters
    ----------
    region : Region
        The ply on the hull.
    opened : Opened
        The ply in pieces that lie on it.
    wishes : Wishes
        A stated start is that of the piece it lies on.
    tolerance_mm : float
        How far a stated start may lie off the ply.

    Returns
    -------
    tuple of Laying
        One for each piece; once one is refused the ply is not laid so, and the rest are not tried.

    Raises
    ------
    OutlineError
        A stated start off the ply.
    """
    home = _home(opened, wishes, tolerance_mm)
    bed = None
    found = [Laying(None)] * len(opened.pieces)
    # The largest piece is the likeliest to fail.
    for k in sorted(range(len(found)), key=lambda k: -opened.pieces[k].area_mm2):
        piece = opened.pieces[k]
        if any(q.left == q.right == k for q in opened.sides):
            own = seam_bed(piece)
        else:
            bed = make_bed(region) if bed is None else bed
            own = bed if piece is region.surface else piece_bed(bed, piece)
        found[k] = lay_piece(own, wishes if k == home else replace(wishes, start_mm=None))
        if found[k].draped is None:
            break
    return tuple(found)


def _home(opened: Opened, wishes: Wishes, tolerance_mm: float) -> int:
    """Return the piece that a stated start lies on."""
    if wishes.start_mm is None:
        return 0
    off = [float(p.locate(wishes.start_mm[None]).distance_mm[0]) for p in opened.pieces]
    if min(off) > tolerance_mm:
        x, y, z = wishes.start_mm
        raise OutlineError(
            f"the start of the cloth lies {min(off):.1f} mm off the ply (at most {tolerance_mm:g} mm)",
            where=f"({x:.0f}, {y:.0f}, {z:.0f}) mm", do="Give a point on the ply, or leave drape.start out.",
        )
    return int(np.argmin(off))


def thread_stretch(draped: Draped, *, length_mm: float) -> Floats:
    """Return the length in the flat over that on the surface along the threads, at the cloth's scale, (m, 2).

    Parameters
    ----------
    draped : Draped
    length_mm : float
        The length over which it is averaged.
    """
    averaged = cloth_scale(draped.drape.surface, np.log(draped.along_threads), length_mm=length_mm)
    return np.asarray(np.exp(np.sort(averaged, axis=1)[:, ::-1]))


def laying_checks(layings: Sequence[Laying]) -> Iterator[tuple[str, float, float, str]]:
    """Yield (what, measured, limit, unit) of what a net's template is held to."""
    laid = [q.draped for q in layings if q.draped is not None]
    if laid:
        yield "area of the template against that of the sheared cloth", max(d.area.off for d in laid), AREA_LIMIT, ""


def laying_cautions(layings: Sequence[Laying]) -> Iterator[tuple[str, str]]:
    """Yield (text, what to do) of what a builder must know of a ply laid by its threads, or not laid so after all.

    Parameters
    ----------
    layings : sequence of Laying
        One for each piece; none where the ply's cloth is flattened anyway.
    """
    many = len(layings) > 1
    refused = [(k, q) for k, q in enumerate(layings) if q.refused]
    for k, laying in refused:
        piece = f"piece {piece_name(k)}: " if many else ""
        yield (
            f"its threads cannot be laid over it, so it is cut by flatten ({piece}{laying.refused})",
            "Open it in more places; laid as it is, the cloth has to stretch where it cannot shear.",
        )
    for k, laying in enumerate([] if refused else layings):
        if laying.draped is not None:
            yield from _of_piece(laying, laying.draped, f"piece {piece_name(k)}, " if many else "")


def _of_piece(laying: Laying, draped: Draped, piece: str) -> Iterator[tuple[str, str]]:
    drape = draped.drape
    locking = drape.locking
    if laying.plain is not None:
        yield (
            f"{piece}its first two threads are bent, which lessens the shear from {laying.plain.most_deg:.0f} to "
            f"{drape.most_deg:.0f} degrees",
            "Draw both lines on the mould and lay the cloth's straight threads along them.",
        )
    if drape.locked is not None and locking is not None and drape.locked_area_mm2 > 0:
        sure = "" if locking.measured else f" ({locking.source})"
        spots = "; ".join(spot_text(q) for q in drape.locked.spots[:3])
        yield f"{piece}the cloth locks{sure}: {spots}", _what_helps(laying)
    if drape.doubtful:
        yield (
            f"{piece}the shear of the net and the curvature of the surface disagree by up to {drape.check.worst_deg:.1f} "
            "degrees over a rectangle of threads",
            "Smooth the mesh, or look for faults in it there.",
        )


def _what_helps(laying: Laying) -> str:
    """Say what of that which was tried takes away most of what is locked."""
    now, *others = laying.tried
    good = [t for t in others if t.cover > 0.98 and t.locked_share < (1 - WORTH) * now.locked_share]
    good.sort(key=lambda t: (t.locked_share, t.most_deg))
    cut = f"The surface's curvature alone asks for {laying.bound_deg:.0f} degrees: it needs a cut. " if laying.must_cut else ""
    if not good:
        return cut + "Nothing that was tried takes it away: expect puckers there, or cut the ply."
    said = [
        f"{t.what}: {say_percent(t.locked_share)} locked, {t.most_deg:.0f} degrees at most" for t in good[:3]
    ]
    return f"{cut}Now {say_percent(now.locked_share)} are locked. Tried: {'; '.join(said)}."
