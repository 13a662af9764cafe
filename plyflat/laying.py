"""Plies of woven cloth: how their pieces are laid by their threads, and what the builder must know of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .cloth._cutting import Opened
from .cloth._drape_search import spread_starts
from .cloth._net_bed import Bed, make_bed, piece_bed
from .cloth._net_check import CornerCheck
from .cloth._net_lay import lay
from .cloth._patch import place_text
from .cloth._strain import cloth_scale
from .cloth.drape import Drape, drape_of
from .cloth.draped import Draped
from .cloth.draping import Laying, Wishes, lay_piece
from .cloth.locking import Locking, from_diagonals, from_tows, spot_text, typical
from .cloth.pieces import piece_name
from .errors import OutlineError, PlyflatError
from .job.area import RegionSpec
from .job.drape import DrapeSpec
from .job.model import Cloth
from .surface.mesh import Floats
from .surface.region import Region
from .units import say_percent

#: Template and sheared cloth may differ in area by this share; on a rough scan they do by some thousandths.
AREA_LIMIT = 0.02
#: A net whose shear and the surface's curvature disagree by more than this is not cut by: on clean meshes they agree within
#: a tenth of a degree, on rough scans within two. A figure of ours.
CORNERS_DEG = 5.0
#: What was tried beside is told where it takes away this share of what is locked.
WORTH = 0.3
_OPEN_IT = "Open it in more places; laid as it is, the cloth has to stretch where it cannot shear."
#: A start stated for a whole piece is kept for a part of it that it lies in by this share of the part's size.
START_INSIDE = 0.1
#: Bars from the start to the farthest place of a net that is only to show where threads run.
ROUGH_BARS = 30


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


@dataclass(frozen=True, eq=False)
class Loom:
    """Lays the pieces of one ply by their threads, each by itself.

    Nets run on over the hull about the ply.

    Attributes
    ----------
    region : Region
        The ply on the hull.
    wishes : Wishes
        A stated start is that of the piece it lies on.
    tolerance_mm : float
        How far a stated start may lie off the ply.
    """

    region: Region
    wishes: Wishes
    tolerance_mm: float = 10.0

    @cached_property
    def bed(self) -> Bed:
        """What nets of the ply are laid on, made ready once."""
        return make_bed(self.region)

    def bed_of(self, opened: Opened, k: int) -> Bed:
        """Return the bed of a piece of the ply."""
        piece = opened.pieces[k]
        return self.bed if piece is self.region.surface else piece_bed(self.bed, piece)

    def home(self, opened: Opened) -> int | None:
        """Return the piece that a stated start lies on; None without one.

        Raises
        ------
        OutlineError
            A stated start off the ply.
        """
        if self.wishes.start_mm is None:
            return None
        off = [float(p.locate(self.wishes.start_mm[None]).distance_mm[0]) for p in opened.pieces]
        if min(off) > self.tolerance_mm:
            x, y, z = self.wishes.start_mm
            raise OutlineError(
                f"the start of the cloth lies {min(off):.1f} mm off the ply (at most {self.tolerance_mm:g} mm)",
                where=f"({x:.0f}, {y:.0f}, {z:.0f}) mm", do="Give a point on the ply, or leave drape.start out.",
            )
        return int(np.argmin(off))

    def lay(self, opened: Opened, k: int, *, part: bool = False) -> Laying:
        """Lay a piece of the ply.

        Parameters
        ----------
        opened : Opened
        k : int
            Number of the piece.
        part : bool
            Whether it is a part of what the start was stated for: one so near to its edge is then not kept.
        """
        piece, start = opened.pieces[k], self.wishes.start_mm
        if start is not None:
            rim = piece.vertices_mm[np.concatenate(piece.boundary_loops)]
            inside = float(np.linalg.norm(rim - start, axis=1).min()) > START_INSIDE * np.sqrt(piece.area_mm2)
            start = start if self.home(opened) == k and (inside or not part) else None
        laying = lay_piece(self.bed_of(opened, k), replace(self.wishes, start_mm=start))
        return laying if laying.draped is None else _held_to_corners(laying, laying.draped.drape.check)

    def rough_net(self, opened: Opened, k: int) -> Drape | None:
        """Return one net over a piece from its middle, however little it covers; None where there is none at all."""
        bed = self.bed_of(opened, k)
        middle = bed.patch.vertices_mm[spread_starts(bed, 1)[0]]
        try:
            start = bed.start(middle, self.wishes.warp, turn_deg=self.wishes.angle_deg, tolerance_mm=np.inf)
            laid = lay(bed, start, spacing_mm=bed.farthest_mm(start) / ROUGH_BARS)
            return drape_of(laid, locking=self.wishes.locking, least_cover=0.0)
        except PlyflatError:
            # Some pieces bear no cell of a net: nothing is to be read off one there.
            return None


def _held_to_corners(laying: Laying, check: CornerCheck) -> Laying:
    """Refuse a net whose shear the curvature of the surface does not bear out."""
    if check.worst_deg <= CORNERS_DEG:
        return laying
    at = place_text(check.places_mm[int(np.abs(check.corners_deg - check.missing_deg).argmax())])
    return replace(
        laying, draped=None,
        refused=f"its net's shear and the curvature of the surface disagree by {check.worst_deg:.0f} degrees, at {at}",
    )


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
        off = max(d.drape.check.worst_deg for d in laid)
        yield "shear at the corners of rectangles of threads against the curvature within", off, CORNERS_DEG, "deg"


def laying_cautions(layings: Sequence[Laying]) -> Iterator[tuple[str, str]]:
    """Yield (text, what to do) of what a builder must know of a ply laid by its threads, or not laid so after all.

    Parameters
    ----------
    layings : sequence of Laying
        One for each piece; none where the ply's cloth is flattened anyway.
    """
    bare = [k for k, q in enumerate(layings) if q.draped is None]
    if len(bare) == len(layings) and bare:
        yield f"its threads cannot be laid over it, so it is cut by flatten ({layings[bare[0]].refused})", _OPEN_IT
        return
    for laying in dict.fromkeys(layings[k] for k in bare):
        names = " and ".join(piece_name(k) for k in bare if layings[k] is laying)
        yield (
            f"the threads of piece {names} cannot be laid, so that alone is cut by flatten: {laying.refused}",
            _OPEN_IT,
        )
    for k, laying in enumerate(layings):
        if laying.draped is not None:
            yield from _of_piece(laying, laying.draped, f"piece {piece_name(k)}, " if len(layings) > 1 else "")


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
