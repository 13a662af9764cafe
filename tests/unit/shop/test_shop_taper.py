import math

import pytest

from plyflat.shop.taper import TAPER_SOURCES, TaperError, steps_mm, taper_length_mm


def test_stated_step():
    assert steps_mm([0.3, 0.3, 0.3], step_mm=12.0, start_mm=5.0) == (5.0, 17.0, 29.0)
    assert steps_mm([0.3, 0.3, 0.3], step_mm=12.0, start_mm=5.0, order="largest first") == (29.0, 17.0, 5.0)
    assert steps_mm([0.3], step_mm=12.0) == (0.0,)
    assert steps_mm([0.3, 0.3], step_mm=12.0, start_mm=-12.0) == (-12.0, 0.0)


def test_edges_lie_on_one_slope():
    """In a scarfed recess a ply's lower edge lies on the slope: length over height is the taper."""
    thick = [0.2, 0.4, 0.3]
    out = steps_mm(thick, taper=20.0, start_mm=3.0)
    heights = [0.0, 0.2, 0.6]
    assert [q - 3.0 for q in out] == pytest.approx([20.0 * h for h in heights])
    # The same stack upside down: the largest lies on the skin, the smallest on top.
    assert steps_mm(thick[::-1], taper=20.0, start_mm=3.0, order="largest first") == pytest.approx(out[::-1])


@pytest.mark.parametrize(
    ("thick", "options", "words"),
    [
        ([], {"step_mm": 10.0}, "no ply"),
        ([0.3], {}, "not both"),
        ([0.3], {"step_mm": 10.0, "taper": 20.0}, "not both"),
        ([0.3], {"step_mm": 0.0}, "the step is 0"),
        ([0.3], {"taper": -5.0}, "the taper is -5"),
        ([0.3], {"taper": math.nan}, "the taper is nan"),
        ([0.3, 0.0], {"taper": 20.0}, "ply 2 is 0 mm thick"),
        ([0.3, math.nan], {"taper": 20.0}, "ply 2 is nan mm thick"),
        ([0.3], {"step_mm": 10.0, "start_mm": math.inf}, "starts at inf"),
        ([0.3], {"step_mm": 10.0, "order": "any"}, "the order is 'any'"),
    ],
)
def test_steps_that_cannot_be(thick, options, words):
    with pytest.raises(TaperError, match=words):
        steps_mm(thick, **options)


def test_length_of_a_taper():
    assert taper_length_mm(1.2, 20.0) == pytest.approx(24.0)
    with pytest.raises(TaperError):
        taper_length_mm(0.0, 20.0)


def test_every_source_is_named_and_its_range_runs_up():
    for one in TAPER_SOURCES:
        assert one.name
        assert one.source
        assert 0 < one.low <= one.high


@pytest.mark.reference(source="MIL-HDBK-17-3F, chapter 12: a scarf of 1 in 50", kind="published")
def test_a_scarf_of_one_in_fifty():
    assert taper_length_mm(2.0, 50.0) == 100.0
    assert any(q.name == "scarf" and q.low == q.high == 50 and q.unit == "1" for q in TAPER_SOURCES)
    assert sum(steps_mm([0.5] * 5, taper=50.0)[-1:]) == 100.0
