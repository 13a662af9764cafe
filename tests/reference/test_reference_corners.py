"""Nets of threads over rough corners: two planes that meet shear no cloth, however rough a scan of them is."""

import numpy as np
import pytest
import shapes

from plyflat.cloth import _net_bed
from plyflat.cloth.drape import drape
from plyflat.cloth.draped import _along_threads
from plyflat.surface.mesh import Surface
from plyflat.surface.noise import smooth_surface
from plyflat.surface.region import cut_region


def corner_region(turn_deg, seed, smooth_mm=0.0):
    """A region across a corner of a scan, with noise of 0.5 mm over 5 mm, well inside it."""
    v, f = shapes.wedge(180.0 + turn_deg, 280.0, 130.0, 130.0, step=3.5, seed=seed)
    scan = Surface(shapes.rough(v, f, 0.5, 5.0, seed), f)
    if smooth_mm:
        scan = smooth_surface(scan, scale_mm=smooth_mm)
    a = np.radians(180.0 + turn_deg)
    up = 75.0 * np.array([0.0, np.cos(a), np.sin(a)])
    left, right = np.array([70.0, 0.0, 0.0]), np.array([210.0, 0.0, 0.0])
    out = [0.0, 75.0, 0.0]
    return cut_region(scan, [left + out, left, left + up, right + up, right, right + out])


def shear(region, turn_deg):
    """Rms over the area, and the largest, degrees."""
    laid = drape(region, [140.0, 40.0, 0.0], [1.0, 0.0, 0.0], turn_deg=turn_deg)
    assert laid.cover > 0.99
    thirds = np.repeat(laid.surface.face_areas_mm2 / 3, 3)
    area = np.bincount(laid.surface.faces.ravel(), thirds)
    return float(np.sqrt((area * laid.shear_deg**2).sum() / area.sum())), laid


@pytest.mark.reference(source="two planes that meet are developable: a net of threads shears by nought", kind="derived")
@pytest.mark.parametrize(("corner", "warp", "seed", "smooth_mm"), [(-90.0, 20.0, 2, 0.0), (60.0, 20.0, 0, 0.0), (-90.0, 45.0, 1, 8.0)])
def test_a_rough_corner_leaves_no_stripes(monkeypatch, corner, warp, seed, smooth_mm):
    region = corner_region(corner, seed, smooth_mm)
    after, laid = shear(region, warp)
    assert laid.laid.bed.corners_mm > 0
    with monkeypatch.context() as patch:
        patch.setattr(_net_bed, "straighten_corners", lambda surface, points: points)
        before, _ = shear(region, warp)
    assert before > 1.5
    assert after < 0.9
    assert after < 0.4 * before
    assert laid.most_deg < 4.0


@pytest.mark.reference(source="two planes that meet are developable: a net of threads shears by nought", kind="derived")
def test_a_clean_corner_is_not_touched():
    v, f = shapes.wedge(90.0, 200.0, step=5.0)
    bed = _net_bed.make_bed(Surface(v, f))
    assert bed.corners_mm == 0
    assert (bed.points == v).all()


@pytest.mark.reference(source="threads keep their lengths", kind="derived")
def test_threads_keep_their_lengths_on_a_scan_that_nobody_smoothed():
    laid = shear(corner_region(60.0, 0), 20.0)[1]
    off = np.abs(np.log(_along_threads(laid.laid.bed.points, laid.surface, laid.uv_mm))).max(axis=1)
    assert np.median(off) < 0.003
    assert np.quantile(off, 0.9) < 0.02
