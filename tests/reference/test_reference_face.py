"""Faces of scans against the creases of the shapes they were made from."""

import numpy as np
import pytest
import shapes
from scipy.spatial import cKDTree

from plyflat.surface.face import find_face
from plyflat.surface.mesh import Surface


def _across(face, truth, normal, *, clear=()):
    """How far (k,) the edge lies beside a line (n, 3), within the surface; ``normal`` (n, 3) bisects the sides.

    Along the normal the scan's own noise moves the points, whatever line is cut.
    """
    p = np.concatenate([face.region.surface.vertices_mm[q] for q in face.region.loops])
    d, i = cKDTree(truth).query(p)
    keep = (d < 15) & (i > 30) & (i < len(truth) - 30)
    for q in clear:
        keep &= np.linalg.norm(p - q, axis=1) > 8
    along = np.roll(truth, -3, 0) - np.roll(truth, 3, 0)
    side = np.cross(normal, along)[i[keep]]
    return ((p - truth[i])[keep] * side).sum(1) / np.linalg.norm(side, axis=1)


NOISE = [(1.0, 1.0, 0.7), (0.5, 5.0, 0.7), (1.0, 5.0, 1.0)]


@pytest.mark.reference(source="a box: its top ends at the edges of a rectangle", kind="derived")
@pytest.mark.parametrize(("rms", "length", "limit"), NOISE)
def test_top_of_a_scanned_box(rms, length, limit):
    v, f = shapes.fine_box()
    face = find_face(Surface(shapes.rough(v, f, rms, length, 2), f), (0, 0, 45))
    off = []
    for axis, half, other in ((0, 80.0, 60.0), (1, 60.0, 80.0)):
        for sign in (-1, 1):
            t = np.linspace(-other, other, 2000)
            line = np.zeros((2000, 3))
            line[:, axis], line[:, 1 - axis], line[:, 2] = sign * half, t, 45
            normal = np.zeros((2000, 3))
            normal[:, axis], normal[:, 2] = sign, 1
            corners = [[x, y, 45] for x in (-80, 80) for y in (-60, 60)]
            off.append(_across(face, line, normal, clear=corners))
    assert np.sqrt((np.concatenate(off) ** 2).mean()) < limit


@pytest.mark.reference(source="a cylinder meets a plane square in a circle", kind="derived")
@pytest.mark.parametrize(("rms", "length", "limit"), NOISE)
def test_plate_round_a_scanned_post(rms, length, limit):
    v, f, corner = shapes.post_through(shapes.round_section(40.0), size=240.0)
    face = find_face(Surface(shapes.rough(v, f, rms, length, 2), f), (90, 0, 0))
    out = corner * [1, 1, 0] / 40.0
    assert np.sqrt((_across(face, corner, out + [0, 0, 1]) ** 2).mean()) < limit


@pytest.mark.reference(source="the curve along which the hull's chine was laid", kind="derived")
@pytest.mark.parametrize("seed", [(300, 110, 10), (300, 220, 120)])
@pytest.mark.parametrize(("rms", "length", "limit"), NOISE[1:2])
def test_bottom_and_side_of_a_scanned_chine_hull(rms, length, limit, seed):
    v, f, chine = shapes.chine_hull(step=4)
    face = find_face(Surface(shapes.rough(v, f, rms, length, 2), f), seed)
    assert np.sqrt((_across(face, chine, np.tile([0, 0.8, -0.6], (len(chine), 1))) ** 2).mean()) < limit


@pytest.mark.reference(source="the curve along which the hull's chine was laid", kind="derived")
def test_chine_of_a_clean_model_is_followed_exactly():
    v, f, chine = shapes.chine_hull(step=4)
    low, high = (find_face(Surface(v, f), s) for s in ((300, 110, 10), (300, 220, 120)))
    assert low.exact
    assert np.abs(_across(low, chine, np.tile([0, 0.8, -0.6], (len(chine), 1)))).max() < 0.01
    assert low.region.area_mm2 + high.region.area_mm2 == pytest.approx(Surface(v, f).area_mm2, rel=1e-12)


@pytest.mark.reference(source="a fillet of radius r turns by 90 degrees over r pi / 2: its middle is at 45", kind="derived")
def test_face_ends_at_the_middle_of_a_fillet():
    v, f = shapes.post_on_plate(radius=60, height=80, reach=100, fillet=8, around=130, along=55)
    face = find_face(Surface(shapes.rough(v, f, 0.5, 5.0), f), (120, 0, 0))
    p = np.concatenate([face.region.surface.vertices_mm[q] for q in face.region.loops])
    p = p[np.hypot(p[:, 0], p[:, 1]) < 100]
    turn = np.arctan2(68 - np.hypot(p[:, 0], p[:, 1]), 8 - p[:, 2])
    assert 8 * np.sqrt(((turn - np.pi / 4) ** 2).mean()) < 1.5
