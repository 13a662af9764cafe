"""Where a flat film laid into every corner would be short, and where it would be too much and fold.

Film shrinks nowhere. Laid flat in one piece with the least distortion there is, a surface shows where a sheet of film would have to
stretch to cover it, and where it would have to shrink: there it folds, and a fold prints a wrinkle in the laminate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import PlyflatError
from ..surface._smooth import work_copy
from ..surface.coarsen import coarsen
from ..surface.mesh import Floats, Surface

#: The surface is thinned to about so many triangles first, and may stray by so much.
FACES, STRAY_MM = 6000, 3.0
#: Width over which shares are averaged: a fold gathers what lies about it.
WIDE_MM = 40.0
#: A film that would have to shrink by more than this folds.
FOLDS = 0.02


@dataclass(frozen=True, eq=False)
class FilmExcess:
    """What a flat film lacks and has too much of, over a surface.

    Attributes
    ----------
    surface : Surface
        The area within the tape, thinned.
    short : (m,) float array
        By which share the film would have to stretch along its worst direction.
    over : (m,) float array
        By which share it would have to shrink along its worst direction.
    folds_mm2 : float
        Area over which it would have to shrink by more than `FOLDS`.
    over_mm2 : float
        Film in excess: the shrinkage summed over the area.
    """

    surface: Surface
    short: Floats
    over: Floats
    folds_mm2: float
    over_mm2: float

    @property
    def worst_mm(self) -> tuple[float, float, float]:
        """Where it must shrink most."""
        x, y, z = self.surface.vertices_mm[self.surface.faces[int(np.argmax(self.over))]].mean(axis=0).tolist()
        return x, y, z


def film_excess(surface: Surface) -> FilmExcess | None:
    """Return where a flat film is short and where in excess; None for a surface that cannot be laid flat in one piece.

    Parameters
    ----------
    surface : Surface
        Inside the tape.
    """
    from ..cloth.flatten import flatten

    calm = work_copy(surface)
    smooth = surface if calm is surface.vertices_mm else Surface(calm, surface.faces)
    thin = coarsen(smooth, faces=FACES, stray_mm=STRAY_MM).surface
    try:
        flat = flatten(thin)
    except PlyflatError:
        return None
    stretch = _averaged(thin, flat.stretch)
    # Flat length over length on the surface: what is longer flat is too much on the hull.
    over, short = np.maximum(1.0 - 1.0 / stretch[:, 0], 0.0), np.maximum(1.0 / stretch[:, 1] - 1.0, 0.0)
    area = thin.face_areas_mm2
    return FilmExcess(thin, short, over, float(area[over > FOLDS].sum()), float((area * over).sum()))


def _averaged(surface: Surface, values: Floats) -> Floats:
    """Logarithmic means (m, 2) over all triangles within a width, by area."""
    import scipy.sparse as sp
    from scipy.spatial import cKDTree

    middle = surface.vertices_mm[surface.faces].mean(axis=1)
    tree = cKDTree(middle)
    near = tree.sparse_distance_matrix(tree, 0.5 * WIDE_MM, output_type="coo_matrix")
    one = sp.csr_array((np.ones(near.nnz), (near.row, near.col)), shape=near.shape)
    one.setdiag(1.0)
    lie = surface.face_normals
    # The two sides of a thin fin lie near each other and have nothing to do with each other.
    rows, cols = one.nonzero()
    keep = (lie[rows] * lie[cols]).sum(axis=1) > 0
    mean = sp.csr_array((surface.face_areas_mm2[cols[keep]], (rows[keep], cols[keep])), shape=near.shape)
    total = np.asarray(mean.sum(axis=1)).ravel()
    return np.asarray(np.exp((mean @ np.log(values)) / total[:, None]))
