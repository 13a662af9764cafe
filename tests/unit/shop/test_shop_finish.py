import pytest

from plyflat.shop.finish import FinishError, finish_of

STATED = {
    "laminate_m2": 0.6, "edge_m": 3.2, "within_tape_m2": 0.96, "mask_m2": 0.21, "mask_m": 4.2, "filler_mm": 0.3,
    "filler_density_g_cm3": 0.7, "coats": 3, "coat_g_m2": 120.0, "loss": 0.15, "spread": 0.4,
}  # fmt: skip


@pytest.mark.reference(source="filler and paint of 0.6 m2: 0.3 mm of 0.7 g/cm3 and 3 coats of 120 g/m2, 15 % lost, worked by hand", kind="derived")
def test_filler_and_paint():
    f = finish_of(**STATED)
    assert f.filler_g.usual == pytest.approx(0.6 * 210 * 1.15)
    assert f.paint_g.usual == pytest.approx(0.6 * 360 * 1.15)
    assert f.paint_g.low == pytest.approx(0.6 * f.paint_g.usual)
    assert (f.key_m2, f.clean_m2, f.sand_m2, f.feather_m) == (0.6, pytest.approx(1.17), 0.6, 3.2)


def test_without_a_bag_only_the_laminate_is_cleaned():
    f = finish_of(**{**STATED, "within_tape_m2": 0.0, "mask_m2": 0.0, "mask_m": 0.0, "coats": 0})
    assert (f.clean_m2, f.paint_g.high) == (0.6, 0.0)


@pytest.mark.parametrize("bad", [{"laminate_m2": 0.0}, {"coats": -1}, {"filler_density_g_cm3": 0.0}, {"loss": -0.1}])
def test_what_cannot_be(bad):
    with pytest.raises(FinishError):
        finish_of(**{**STATED, **bad})
