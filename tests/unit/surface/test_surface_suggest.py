import numpy as np
import pytest
import shapes

from plyflat.surface import Surface, cut_region
from plyflat.surface.suggest import flattest_outline


def test_ring_lies_on_the_flat_part_and_makes_a_region():
    post = Surface(*shapes.post_on_plate(radius=60.0, height=80.0, reach=300.0)[:2])
    ring = flattest_outline(post)
    normals = post.face_normals[post.locate(ring).face]
    assert ring.shape == (8, 3)
    assert np.ptp(normals, axis=0) == pytest.approx(0.0, abs=0.2)
    assert cut_region(post, ring).is_disc


def test_clear_of_the_edges():
    sheet = Surface(*shapes.noisy_sheet(noise=0.0)[:2])
    ring = flattest_outline(sheet)
    low, high = sheet.vertices_mm.min(axis=0), sheet.vertices_mm.max(axis=0)
    assert (ring[:, :2] > low[:2] + 50).all()
    assert (ring[:, :2] < high[:2] - 50).all()
