"""How lines on the hull look to a projector that stands somewhere: its camera matrix from marks that were picked on both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..errors import QuantityError
from .mesh import Bools, Floats, Surface

#: Marks that a projector needs where it is known where it stands, and where it is not.
LEAST_STOOD, LEAST_FREE = 4, 6
# The second least singular value of well-placed marks, over the largest: below this the matrix hangs on rounding.
_DEGENERATE = 1e-5
# A point this much farther off than the first thing in its line of sight is hidden by it, mm; hull that is looked at
# along itself is met a little before the point.
_BEHIND_MM = 2.0
_STEP_MM = 5.0


@dataclass(frozen=True, eq=False)
class Sight:
    """What a projector sees, or throws light on: the same matrix either way.

    Attributes
    ----------
    matrix : (3, 4) float array
        From places in space, mm, to the picture, pixels; homogeneous, and positive in front of the lens.
    stands_mm : (3,) float array
        Where the lens is.
    image_px : (int, int)
        Width and height of the picture.
    off_px : (k,) float array
        How far each mark comes to lie from where it was picked; nought for as few marks as are needed.
    """

    matrix: Floats
    stands_mm: Floats
    image_px: tuple[int, int]
    off_px: Floats

    def seen(self, points_mm: ArrayLike) -> tuple[Floats, Bools]:
        """Return where points (k, 3) lie in the picture, (k, 2) pixels right and down, and which are before the lens.

        Parameters
        ----------
        points_mm : (k, 3) float array, mm
        """
        p = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        x = p @ self.matrix[:, :3].T + self.matrix[:, 3]
        before = x[:, 2] > 0
        return np.asarray(x[:, :2] / np.where(before, x[:, 2], 1.0)[:, None]), before

    def in_view(self, surface: Surface, points_mm: ArrayLike) -> Bools:
        """Return which points (k, 3) of a surface nothing of it hides from the lens.

        Parameters
        ----------
        surface : Surface
        points_mm : (k, 3) float array, mm
        """
        import igl

        p = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
        tree = igl.AABB()
        v, f = np.array(surface.vertices_mm), np.array(surface.faces, dtype=np.int64)
        tree.init(v, f)
        way = p - self.stands_mm
        far = np.linalg.norm(way, axis=1)
        way = way / np.maximum(far, 1e-12)[:, None]
        start = np.ascontiguousarray(np.broadcast_to(self.stands_mm, p.shape))
        face, first, _ = tree.intersect_ray_first(v, f, start, np.ascontiguousarray(way))
        met = np.asarray(face).ravel() >= 0
        return ~met | (np.asarray(first).ravel() > far - _BEHIND_MM)


@dataclass(frozen=True, eq=False)
class Seen:
    """One line on the hull as it is seen.

    Attributes
    ----------
    runs_px : tuple of (k, 2) float arrays
        Its stretches that nothing hides and that lie within the picture, pixels right and down.
    share : float
        How much of its length, along the hull, they are.
    """

    runs_px: tuple[Floats, ...]
    share: float


def sight_from(
    points_mm: ArrayLike,
    at_px: ArrayLike,
    *,
    image_px: tuple[int, int],
    stands_mm: ArrayLike | None = None,
) -> Sight:
    """Work out a projector's matrix from marks on the hull and where they lie in its picture.

    Where it is known where the lens stands, lines of sight and picture are two planes' projective images of each other:
    four marks fix them. Else six do, not all in one plane. With more, the mean square of their distances is least, to
    first order.

    Parameters
    ----------
    points_mm : (k, 3) float array, mm
        The marks.
    at_px : (k, 2) float array, pixels
        Where they lie in the picture, right and down from its upper left corner.
    image_px : (int, int)
        Width and height of the picture.
    stands_mm : (3,) float array, mm, optional
        Where the lens is.

    Returns
    -------
    Sight

    Raises
    ------
    QuantityError
        Too few marks; marks in one line of sight or in one plane; a mark that lies in no picture of one projector with
        the others.

    References
    ----------
    Hartley, Zisserman (2004). Multiple View Geometry in Computer Vision, 2nd ed.: the direct linear transformation with
    normalised data, sections 4.1, 4.4 and 7.1; the centre as the matrix's null vector, section 6.2.

    Examples
    --------
    A projector 1 m over a sheet, 1000 pixels wide for 1 m of it:

    >>> on = [[0, 0, 0], [1000, 0, 0], [1000, 800, 0], [0, 800, 0]]
    >>> sight = sight_from(on, [[0, 800], [1000, 800], [1000, 0], [0, 0]], image_px=(1000, 800), stands_mm=[500, 400, 1000])
    >>> sight.seen([[500, 400, 0]])[0].round(6).tolist()
    [[500.0, 400.0]]
    """
    p, q = np.asarray(points_mm, dtype=np.float64), np.asarray(at_px, dtype=np.float64)
    _check(p, q, stood=stands_mm is not None)
    if stands_mm is None:
        matrix, stands = _free(p, q)
    else:
        stands = np.asarray(stands_mm, dtype=np.float64)
        turn = _turned(p - stands, q)
        matrix = np.column_stack([turn, -turn @ stands])
    matrix = _facing(matrix, p)
    sight = Sight(matrix, stands, image_px, np.zeros(len(p)))
    return Sight(matrix, stands, image_px, np.linalg.norm(sight.seen(p)[0] - q, axis=1))


def seen_line(sight: Sight, surface: Surface, points_mm: ArrayLike, *, closed: bool) -> Seen:
    """Return a line on the hull as it is seen, without what is hidden or outside the picture.

    Parameters
    ----------
    sight : Sight
    surface : Surface
        All that may hide it.
    points_mm : (k, 3) float array, mm
        A closed line does not repeat its first point.
    closed : bool
    """
    from shapely import LineString, box

    p = _dense(np.asarray(points_mm, dtype=np.float64), closed)
    at, before = sight.seen(p)
    shown = before & sight.in_view(surface, p)
    size = np.linalg.norm(np.diff(p, axis=0), axis=1)
    frame = box(0, 0, *sight.image_px)
    runs, kept = [], 0.0
    for a, b in _stretches(shown):
        line = LineString(at[a : b + 1])
        within = line.intersection(frame)
        runs += [np.array(q.coords) for q in getattr(within, "geoms", [within]) if q.length > 0]
        kept += float(size[a:b].sum()) * (within.length / line.length if line.length > 0 else 0.0)
    return Seen(tuple(runs), kept / max(float(size.sum()), 1e-12))


def _check(p: Floats, q: Floats, *, stood: bool) -> None:
    if (
        p.ndim != 2
        or p.shape[1:] != (3,)
        or q.shape != (len(p), 2)
        or not (np.isfinite(p).all() and np.isfinite(q).all())
    ):
        raise QuantityError(
            "the marks are not points on the hull with places in the picture",
            do="Give x, y, z and right, down for each.",
        )
    least = LEAST_STOOD if stood else LEAST_FREE
    if len(p) < least:
        why = (
            "where it is stated where the lens stands"
            if stood
            else "where it is not stated where the lens stands"
        )
        raise QuantityError(f"{len(p)} marks are too few for a projector", do=f"Pick {least} or more, {why}.")


def _turned(ways: Floats, q: Floats) -> Floats:
    """The matrix (3, 3) from lines of sight (k, 3) to the picture: a projective map of one plane to another."""
    size = np.linalg.norm(ways, axis=1)
    if not (size > 0).all():
        raise QuantityError(
            "a mark lies where the lens stands", do="Give the place of the lens, and marks on the hull."
        )
    middle = (ways / size[:, None]).mean(axis=0)
    frame = _frame(middle)
    x = ways @ frame.T
    if np.linalg.norm(middle) < _DEGENERATE or not (x[:, 2] > 0).all():
        raise QuantityError(
            "the marks lie on all sides of the lens",
            do="Give the place of the lens, and marks that it sees at once.",
        )
    flat, from_flat = _even(x[:, :2] / x[:, 2:])
    pixel, from_pixel = _even(q)
    rows = _rows(np.column_stack([flat, np.ones(len(flat))]), pixel)
    inner = _null(
        rows, "three of the marks lie in one line as seen: pick them well apart, round the picture"
    ).reshape(3, 3)
    return np.asarray(np.linalg.solve(from_pixel, inner) @ from_flat @ frame)


def _free(p: Floats, q: Floats) -> tuple[Floats, Floats]:
    """The matrix (3, 4) of a projector that stands anywhere, and where that is."""
    space, from_space = _even(p)
    pixel, from_pixel = _even(q)
    rows = _rows(np.column_stack([space, np.ones(len(space))]), pixel)
    inner = _null(
        rows, "the marks lie in one plane, or as good as: pick some off it, or state where the lens stands"
    ).reshape(3, 4)
    matrix = np.linalg.solve(from_pixel, inner) @ from_space
    centre = np.linalg.svd(matrix)[2][-1]
    if abs(centre[3]) < 1e-12 * float(np.abs(centre[:3]).max()):
        raise QuantityError(
            "the marks are those of a projector that is infinitely far off", do="State where the lens stands."
        )
    return np.asarray(matrix), np.asarray(centre[:3] / centre[3])


def _frame(way: Floats) -> Floats:
    """A right-handed frame (3, 3) whose last row points along a vector."""
    way = way / max(float(np.linalg.norm(way)), 1e-12)
    side = np.cross(np.eye(3)[int(np.argmin(np.abs(way)))], way)
    side = side / max(float(np.linalg.norm(side)), 1e-12)
    return np.stack([side, np.cross(way, side), way])


def _even(points: Floats) -> tuple[Floats, Floats]:
    """Points moved to their middle and to a mean distance of sqrt(d) from it, and the matrix that does so."""
    d = points.shape[1]
    middle = points.mean(axis=0)
    far = float(np.linalg.norm(points - middle, axis=1).mean())
    scale = np.sqrt(d) / far if far > 0 else 1.0
    out = np.eye(d + 1)
    out[:d, :d] *= scale
    out[:d, d] = -scale * middle
    return (points - middle) * scale, out


def _rows(known: Floats, pixel: Floats) -> Floats:
    """Two rows for each mark: its picture times its matrix is nought (equation 4.3, the first two rows)."""
    k, n = known.shape
    out = np.zeros((2 * k, 3 * n))
    out[0::2, n : 2 * n], out[0::2, 2 * n :] = -known, pixel[:, 1:] * known
    out[1::2, :n], out[1::2, 2 * n :] = known, -pixel[:, :1] * known
    return out


def _null(rows: Floats, why: str) -> Floats:
    """The vector that comes nearest to the null of all rows."""
    _, size, vectors = np.linalg.svd(rows)
    if size[rows.shape[1] - 2] < _DEGENERATE * size[0]:
        what, do = why.split(": ")
        raise QuantityError(what, do=f"{do[0].upper()}{do[1:]}.")
    return np.asarray(vectors[-1])


def _facing(matrix: Floats, p: Floats) -> Floats:
    """The same matrix, positive for what lies before the lens."""
    depth = p @ matrix[2, :3] + matrix[2, 3]
    # A lens that shows things the right way round turns x, y, z into right, down, away: a right-handed frame.
    sign = np.sign(depth[0])
    if not (np.sign(depth) == sign).all() or sign == 0:
        raise QuantityError(
            "no one projector has all the marks before it",
            do="See whether two of them were taken for each other.",
        )
    if sign * np.linalg.det(matrix[:, :3]) <= 0:
        raise QuantityError(
            "the marks show a mirror image",
            do="See whether two of them were taken for each other, or right for left.",
        )
    return np.asarray(matrix * sign / np.linalg.norm(matrix[2, :3]))


def _dense(p: Floats, closed: bool) -> Floats:
    """A line with points no farther apart than a step."""
    ends = np.vstack([p, p[:1]]) if closed else p
    parts: list[Floats] = []
    for a, b in zip(ends[:-1], ends[1:]):
        count = max(int(np.ceil(np.linalg.norm(b - a) / _STEP_MM)), 1)
        parts.append(a + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (b - a))
    return np.vstack([*parts, ends[-1:]])


def _stretches(shown: Bools) -> Sequence[tuple[int, int]]:
    """First and last of each run of two or more points that are shown."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], shown, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edge[::2], edge[1::2]) if b - a > 1]
