import numpy as np
import pytest
import shapes

from plyflat.surface import coarsen as coarsening
from plyflat.surface.coarsen import coarsen
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def cap():
    return Surface(*shapes.cap(45.0, 100.0, 12_000))


def points(surface, loop):
    return {tuple(p) for p in surface.vertices_mm[loop].tolist()}


def test_small_patch_is_left_alone(cap):
    assert coarsen(cap).surface is cap


def test_outline_is_kept_and_the_shape_nearly(cap):
    thin = coarsen(cap, faces=3000)
    assert len(thin.surface.faces) < 4000
    assert points(thin.surface, thin.surface.boundary_loops[0]) == points(cap, cap.boundary_loops[0])
    assert 0 < thin.stray_mm < 0.5
    assert thin.surface.area_mm2 == pytest.approx(cap.area_mm2, rel=2e-3)
    assert (thin.surface.face_normals[:, 2] > 0).all()


def test_more_triangles_where_it_would_stray(cap):
    loose = coarsen(cap, faces=1500, stray_mm=5.0)
    tight = coarsen(cap, faces=1500, stray_mm=0.5 * loose.stray_mm)
    assert tight.stray_mm <= 0.5 * loose.stray_mm
    assert len(tight.surface.faces) > len(loose.surface.faces)


def test_a_thinned_patch_whose_triangles_share_sides_is_not_taken(cap, monkeypatch):
    asked = []

    def thinned(surface, share):
        thin = plain(surface, share)
        asked.append(share)
        if len(asked) > 1:
            return thin
        # A third triangle on a side that two have already, as where a sharp hollow falls together.
        inner = thin.faces[0]
        other = next(k for k in range(len(thin.vertices_mm)) if k not in inner)
        return Surface(thin.vertices_mm, np.vstack([thin.faces, [inner[0], inner[1], other]]))

    plain = coarsening._decimated
    monkeypatch.setattr(coarsening, "_decimated", thinned)
    thin = coarsen(cap, faces=1500, stray_mm=5.0).surface
    assert len(asked) == 2
    sides = np.concatenate([thin.faces[:, [k, (k + 1) % 3]] for k in range(3)])
    assert len(np.unique(sides, axis=0)) == len(sides)
