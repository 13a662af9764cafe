"""Where a flat film laid into every corner would be too much and fold, and where it would be short.

The angles about a place of the hull add up to a full turn less what the hull curves there. A flat film laid over it has
the full turn: where the hull has less the film folds away the rest, and a fold prints a wrinkle in the laminate; where
the hull has more the film is short, bridges or draws, and wants a pleat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..surface._smooth import work_copy
from ..surface.coarsen import coarsen
from ..surface.cut import refine
from ..surface.mesh import Floats, Surface

#: The surface is thinned to about so many triangles first, and may stray by so much.
FACES, STRAY_MM = 12_000, 2.0
#: Angles are summed over discs of this radius, what lies farther out for less: it shares a fold.
DISC_MM = 50.0
#: No side of a triangle is longer than this, so that sums are told all over a disc.
SIDE_MM = 15.0
#: A film with this much of a turn too much within a disc folds: at its rim a fold is then some 4 mm high.
FOLDS_DEG = 10.0
#: Places told are farther apart than this many discs.
APART = 2.0


@dataclass(frozen=True, eq=False)
class FilmExcess:
    """What a flat film has too much of, or lacks, over a surface.

    Attributes
    ----------
    surface : Surface
        The area within the tape, thinned or split to what that takes.
    deg : (n,) float array
        Of a full turn, over a disc about each vertex: above 0 the film is too much and folds, below 0 it is short.
    folds_mm2 : float
        Area on which it folds.
    short_mm2 : float
        Area on which it is short by as much.
    places : tuple of ((float, float, float), float)
        Where it is too much, the most first, and by how many degrees.
    """

    surface: Surface
    deg: Floats
    folds_mm2: float
    short_mm2: float
    places: tuple[tuple[tuple[float, float, float], float], ...]


def film_excess(surface: Surface) -> FilmExcess:
    """Return where a flat film folds and where it is short.

    Parameters
    ----------
    surface : Surface
        Inside the tape.

    References
    ----------
    K. Polthier, M. Schmies, "Straightest geodesics on polyhedral surfaces", 1998: curvature of a vertex is 2 pi less
    the angles about it (Gauss-Bonnet).
    """
    import igl

    calm = work_copy(surface)
    smooth = surface if calm is surface.vertices_mm else Surface(calm, surface.faces)
    # Thinned, flat parts have triangles larger than a disc; splitting them changes no angle.
    thin = refine(coarsen(smooth, faces=FACES, stray_mm=STRAY_MM).surface, SIDE_MM).surface
    deg = np.degrees(np.asarray(igl.gaussian_curvature(thin.vertices_mm, thin.faces)).ravel())
    for loop in thin.boundary_loops:
        deg[loop] = 0.0
    total = _over_discs(thin, deg)
    area = np.bincount(thin.faces.ravel(), np.repeat(thin.face_areas_mm2 / 3, 3), minlength=len(total))
    return FilmExcess(
        thin, total, float(area[total > FOLDS_DEG].sum()), float(area[total < -FOLDS_DEG].sum()), _places(thin, total)
    )


def _over_discs(surface: Surface, values: Floats) -> Floats:
    """Sums (n,) of values over discs, that fade towards a disc's edge.

    Along a rough edge values of both signs alternate; they cancel in a sum that fades, and not in one that ends at once, be it
    at the disc's edge or where the hull turns away. So both sides of a thin fin are summed together.
    """
    from scipy.spatial import cKDTree

    points = surface.vertices_mm
    i, j = cKDTree(points).query_pairs(DISC_MM, output_type="ndarray").T
    share = (1.0 - ((points[i] - points[j]) ** 2).sum(axis=1) / DISC_MM**2) ** 2
    count = len(values)
    out = np.bincount(i, share * values[j], minlength=count) + np.bincount(j, share * values[i], minlength=count)
    return np.asarray(values + out)


def _places(surface: Surface, total: Floats) -> tuple[tuple[tuple[float, float, float], float], ...]:
    """Places where film is too much: sums fade outward, so that a disc about a corner has most."""
    out: list[tuple[tuple[float, float, float], float]] = []
    points = surface.vertices_mm
    for k in np.argsort(-total):
        if total[k] <= FOLDS_DEG:
            break
        p = points[k]
        if all(np.linalg.norm(p - np.array(q)) > APART * DISC_MM for q, _ in out):
            out.append(((float(p[0]), float(p[1]), float(p[2])), float(total[k])))
    return tuple(out)
