import numpy as np
import pytest

from plyflat.surface._colour import chromaticity, lab


@pytest.mark.reference(source="CIE 15 / IEC 61966-2-1: L*a*b* of the sRGB primaries and white, D65", kind="memory")
def test_lab_of_the_primaries():
    rgb = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]], dtype=float)
    known = [[53.24, 80.09, 67.20], [87.73, -86.18, 83.18], [32.30, 79.19, -107.86], [100, 0, 0]]
    assert lab(rgb) == pytest.approx(np.array(known), abs=0.05)


@pytest.mark.reference(source="grey has no chroma, whatever its lightness", kind="derived")
def test_greys_have_no_chroma():
    grey = np.arange(0, 256, 5)[:, None] * np.ones(3)
    assert np.abs(lab(grey)[:, 1:]).max() < 0.02
    assert (np.diff(lab(grey)[:, 0]) > 0).all()


@pytest.mark.reference(source="a shadow scales all three channels alike", kind="derived")
def test_chromaticity_hardly_changes_in_the_shade():
    lit = np.array([[150.0, 166.0, 152.0], [40.0, 95.0, 190.0], [200.0, 40.0, 40.0]])
    apart = np.linalg.norm(chromaticity(lit)[0] - chromaticity(lit)[1:], axis=1)
    assert np.linalg.norm(chromaticity(lit) - chromaticity(0.6 * lit), axis=1).max() < 0.1 * apart.min()
