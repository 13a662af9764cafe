"""How near flat shapes come to the best there can be, and what they ask of the cloth's yarns."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from .cloth._bounds import held_curvature
from .cloth._strain import YarnStrain, cloth_tensor, principal_of, yarn_strain, yarns_of
from .cloth.flatten import Flat, directional_stretch, flatten, overlap_places_mm, strain_bound, strain_of
from .cloth.opening import Opened
from .cloth.pieces import Frame, piece_name
from .planned import PatchPlan, Piece3D
from .surface.mesh import Surface

#: Below this share between the most stretched and the most squeezed place no cut is worth its lap, and no bound its time.
NEARLY_FLAT = 0.01

FrameOf = Callable[[Surface, Flat], Frame]


def laid_piece(piece: Surface, flat: Flat, frame: Frame, *, length_mm: float) -> Piece3D:
    """Return a piece with what its yarns do and where it lies over itself.

    Parameters
    ----------
    piece : Surface
    flat : Flat
        Its flat shape.
    frame : Frame
        How that lies on the table, the warp along +x.
    length_mm : float
        The length over which strain is averaged.

    Returns
    -------
    Piece3D
    """
    tensor = cloth_tensor(piece, flat, length_mm=length_mm)
    return Piece3D(
        piece,
        flat,
        np.abs(principal_of(tensor) - 1.0).max(axis=1),
        yarns_of(tensor, warp_angle(frame)),
        frame.apply(flat.uv_mm),
        overlap_places_mm(piece, flat) if flat.overlaps else (),
        frame.apply(flat.overlap_at_uv_mm),
    )


def warp_angle(frame: Frame) -> float:
    """Return the direction of the cloth's warp in a flat shape that a frame lays on the table, degrees."""
    return float(-np.degrees(frame.turn_rad))


def yarns_over(pieces: Sequence[Piece3D], frames: Sequence[Frame], *, length_mm: float) -> YarnStrain:
    """Sum up what the yarns do over the pieces of a ply.

    Parameters
    ----------
    pieces : sequence of Piece3D
        As from `laid_piece`.
    frames : sequence of Frame
        Theirs.
    length_mm : float
        As was given there.

    Returns
    -------
    YarnStrain
    """
    raw = [directional_stretch(p.surface, p.flat, warp_angle(f)) for p, f in zip(pieces, frames)]
    areas = [p.surface.face_areas_mm2 for p in pieces]
    return yarn_strain([p.yarns for p in pieces if p.yarns is not None], raw, areas, scale_mm=length_mm)


def patches_of(
    uncut: Opened,
    opened: Opened,
    pieces: Sequence[Piece3D],
    *,
    frame_of: FrameOf,
    limit: float,
    length_mm: float,
    among: Sequence[int] | None = None,
) -> tuple[PatchPlan, ...]:
    """Tell of each part of a ply, as it was before any cut within it, how near its flat shape comes to the best.

    Parameters
    ----------
    uncut, opened : Opened
        The ply opened along its seams, and with the cuts made too; the same where none was made.
    pieces : sequence of Piece3D
        Those of ``opened``.
    frame_of : callable
        Returns how a flat shape of a surface lies on the table.
    limit : float
        Strain limit as a fraction.
    length_mm : float
        The length over which strain is averaged.
    among : sequence of int, optional
        The pieces of ``uncut`` that are asked about; all of them by default.

    Returns
    -------
    tuple of PatchPlan
        One for each of those.
    """
    asked = range(len(uncut.pieces)) if among is None else sorted(among)
    homes = _homes(uncut, opened) if asked else []
    found = []
    for k in asked:
        patch = uncut.pieces[k]
        mine = [j for j, home in enumerate(homes) if home == k]
        letters = tuple(piece_name(j) for j in mine)
        if uncut is opened:
            found.append(_told(pieces[k], letters, limit, length_mm, cut=False))
        else:
            flat = flatten(patch)
            whole = laid_piece(patch, flat, frame_of(patch, flat), length_mm=length_mm)
            found.append(_told(whole, letters, limit, length_mm, cut=True))
    return tuple(found)


def _homes(uncut: Opened, opened: Opened) -> list[int]:
    """Return for each piece the patch it was cut from."""
    if uncut is opened:
        return list(range(len(opened.pieces)))
    homes = []
    for piece in opened.pieces:
        middles = piece.vertices_mm[piece.faces].mean(axis=1)
        some = middles[:: max(len(middles) // 50, 1)]
        homes.append(int(np.argmin([float(p.locate(some).distance_mm.mean()) for p in uncut.pieces])))
    return homes


def _told(piece: Piece3D, letters: tuple[str, ...], limit: float, length_mm: float, *, cut: bool) -> PatchPlan:
    surface, flat = piece.surface, piece.flat
    stretch = principal_of(cloth_tensor(surface, flat, length_mm=length_mm))
    ratio = float(stretch[:, 0].max() / stretch[:, 1].min() - 1)
    raw = float(flat.stretch[:, 0].max() / flat.stretch[:, 1].min() - 1)
    bound = strain_bound(surface, uv=flat.uv_mm) if ratio > NEARLY_FLAT else None
    held = held_curvature(surface)
    strain = strain_of(stretch, surface.face_areas_mm2, limit, raw=flat.stretch, scale_mm=length_mm)
    return PatchPlan(letters, ratio, raw, bound, held, piece if cut else None, strain, surface.area_mm2)
