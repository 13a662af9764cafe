import numpy as np
import pytest
import shapes

from plyflat.bag.excess import _over_discs, film_excess
from plyflat.surface.cut import refine
from plyflat.surface.mesh import Surface


@pytest.fixture(scope="module")
def fin():
    """A thin box standing on a plate."""
    v, f, _ = shapes.box_on_plate((160.0, 24.0, 80.0), 300.0)
    return refine(Surface(v, f), 5.0).surface


def ends_of(excess):
    return sorted(round(float(np.sign(p[0]))) for p, _ in excess.places)


def test_a_film_is_too_much_at_both_ends_of_a_fins_tip_and_short_at_its_foot(fin):
    found = film_excess(fin)
    assert ends_of(found) == [-1, 1]
    for p, deg in found.places:
        # Two corners of a quarter of a turn each, 24 mm apart: between them the disc holds most of both.
        assert abs(p[0]) == pytest.approx(80, abs=5)
        assert abs(p[1]) <= 12
        assert p[2] == pytest.approx(80, abs=5)
        assert 90 < deg < 180
    assert found.deg.min() == pytest.approx(-found.deg.max(), rel=0.01)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_rough_fin_folds_the_film_where_a_smooth_one_does(fin, seed):
    smooth = film_excess(fin)
    rough = film_excess(Surface(shapes.rough(fin.vertices_mm, fin.faces, 1.0, 5.0, seed), fin.faces))
    assert ends_of(rough)[:1] == [-1]
    assert ends_of(rough)[-1:] == [1]
    for p, _ in rough.places[:2]:
        assert abs(abs(p[0]) - 80) < 8
        assert abs(p[2] - 80) < 5
    assert abs(rough.deg.max() - smooth.deg.max()) < 15
    assert abs(rough.deg.min() - smooth.deg.min()) < 15


def test_what_lies_farther_out_counts_less():
    sheet = Surface(*shapes.noisy_sheet(200, 200, noise=0.0, triangles=800))
    values = np.zeros(len(sheet.vertices_mm))
    middle = int(np.argmin(np.linalg.norm(sheet.vertices_mm - [100, 100, 0], axis=1)))
    values[middle] = 90.0
    off = np.linalg.norm(sheet.vertices_mm - sheet.vertices_mm[middle], axis=1) / 50
    true = np.where(off < 1, 90 * (1 - off**2) ** 2, 0.0)
    assert _over_discs(sheet, values) == pytest.approx(true, abs=1e-9)


def test_places_are_told_apart_the_most_first(fin):
    found = film_excess(fin)
    degrees = [deg for _, deg in found.places]
    assert degrees == sorted(degrees, reverse=True)
    assert found.folds_mm2 > 0 < found.short_mm2


def test_a_model_of_few_triangles_has_the_same_excess(fin):
    few = film_excess(Surface(*shapes.box_on_plate((160.0, 24.0, 80.0), 300.0)[:2]))
    found = film_excess(fin)
    assert few.deg.max() == pytest.approx(found.deg.max(), rel=0.03)
    assert few.folds_mm2 == pytest.approx(found.folds_mm2, rel=0.1)
    assert few.short_mm2 == pytest.approx(found.short_mm2, rel=0.1)
