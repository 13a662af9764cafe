"""Thickness of laid cloth: sheared squares, triangles pushed together, plies that step."""

import numpy as np
import pytest

from plyflat.shop.thickness import LaidPly, ThicknessError, area_factor, sheared_factor, thickness_of, under


@pytest.mark.reference(source="a rhombus of side 1 whose angle closes by g has the area cos g: worked by hand", kind="derived")
@pytest.mark.parametrize(("shear", "factor"), [(0.0, 1.0), (30.0, 1.154701), (-45.0, 1.414214), (60.0, 2.0)])
def test_sheared_cloth_is_thicker(shear, factor):
    assert sheared_factor([shear])[0] == pytest.approx(factor, abs=1e-6)
    # The same from areas: a unit square of cloth on the rhombus it becomes.
    angle = np.radians(90.0 - shear)
    hull = np.array([[0, 0], [1, 0], [1 + np.cos(angle), np.sin(angle)], [np.cos(angle), np.sin(angle)]])
    faces = np.array([[0, 1, 2], [0, 2, 3]])
    (ax, ay), (bx, by) = ((hull[faces[:, k]] - hull[faces[:, 0]]).T for k in (1, 2))
    found, area = area_factor(faces, 0.5 * (ax * by - ay * bx), [0.5, 0.5], 4)
    assert found == pytest.approx([factor] * 4, abs=1e-6)
    assert area.sum() == pytest.approx(np.cos(np.radians(shear)))


def grid(n, factor, flat_mm):
    """A ply of n by n points 10 mm apart."""
    x, y = (q.ravel() for q in np.meshgrid(np.arange(n) * 10.0, np.arange(n) * 10.0, indexing="ij"))
    points = np.stack([x, y, 0 * x], axis=1)
    return LaidPly(points, np.asarray(factor(x, y), dtype=float), np.full(len(x), 100.0), flat_mm, 15.0)


def test_plies_add_up_where_they_lie():
    small = grid(11, lambda x, y: 1.0 + 0 * x, 0.3)
    # The larger ply is thickest where the small one does not lie.
    large = grid(31, lambda x, y: np.where((x == 300) & (y == 300), 2.0, 1.1), 0.2)
    t = thickness_of([small, large])
    assert t.plies[0] == (1.0, 1.0, 1.0)
    # One vertex of 961 is not a hundredth of the area.
    assert t.plies[1][1:] == (1.1, 2.0)
    assert t.mean_mm == pytest.approx(0.3 + 0.2 * t.plies[1][0])
    # 0.3 + 1.1 * 0.2 where both lie, 0.4 in the far corner.
    assert t.most_mm == pytest.approx(0.52)
    # The small ply lies under an eighth of the large one's area, so 99 % is reached where both lie.
    assert t.p99_mm == pytest.approx(0.52)
    assert under(np.array([3.0, 1.0, 2.0]), np.array([1.0, 98.0, 1.0])) == 2.0
    assert max(t.place_mm[:2]) <= 110
    alone = thickness_of([large])
    assert (alone.most_mm, alone.place_mm) == (pytest.approx(0.4), (300.0, 300.0, 0.0))


def test_what_cannot_be():
    with pytest.raises(ThicknessError, match="90 deg or more"):
        sheared_factor([10.0, 90.0])
    with pytest.raises(ThicknessError, match="no ply"):
        thickness_of([])
    with pytest.raises(ThicknessError, match="no area"):
        area_factor([[0, 1, 2]], [1.0], [1.0], 4)
