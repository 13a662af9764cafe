"""The tape of a bag, added up by hand."""

from __future__ import annotations

import pytest

from plyflat.bag.stack import strip_template, tape_run
from plyflat.errors import QuantityError


def run(**changes):
    given = {
        "corners": 2, "corner_extra_mm": 50.0, "pleats_mm": [40.0, 60.0], "tongues_mm": [100.0, 0.0], "film_joins_mm": 500.0,
        "overlap_mm": 25.0, "spare": 0.1, "roll_length_mm": 15000.0,
    }  # fmt: skip
    return tape_run(changes.pop("loops_mm", [3000.0, 1000.0]), **{**given, **changes})


def test_every_part_is_counted():
    tape = run()
    assert (tape.corners_mm, tape.pleats_mm, tape.tongues_mm, tape.film_joins_mm) == (100.0, 200.0, 200.0, 500.0)
    # One end over its start on each loop.
    assert tape.overlaps_mm == 50.0
    assert tape.laid_mm == 4000 + 100 + 200 + 200 + 500 + 50
    assert tape.spare_mm == pytest.approx(505.0)
    assert tape.total_mm == pytest.approx(5555.0)
    assert tape.rolls == 1


def test_each_roll_that_ends_on_the_way_brings_an_overlap():
    bare = {"corners": 0, "pleats_mm": [], "tongues_mm": [], "film_joins_mm": 0.0, "spare": 0.0, "roll_length_mm": 1000.0}
    # A loop of 975 mm and its overlap take a roll of 1 m to the end; one of 976 mm does not.
    assert (run(loops_mm=[975.0], **bare).rolls, run(loops_mm=[975.0], **bare).overlaps_mm) == (1, 25.0)
    more = run(loops_mm=[976.0], **bare)
    assert (more.rolls, more.overlaps_mm) == (2, 50.0)
    # Three rolls hold 3 m less two joins of 25 mm, and the loop's own overlap.
    assert run(loops_mm=[2925.0], **bare).rolls == 3
    assert run(loops_mm=[2926.0], **bare).rolls == 4


@pytest.mark.parametrize(
    "bad",
    [
        {"loops_mm": [-1.0]}, {"pleats_mm": [float("nan")]}, {"spare": -0.1}, {"corners": -1}, {"film_joins_mm": float("inf")},
        {"roll_length_mm": 25.0}, {"roll_length_mm": 0.0},
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(bad):
    with pytest.raises(QuantityError):
        run(**bad)


def test_a_strip_is_a_rectangle_along_the_roll():
    strip = strip_template(135.0, 50.0, region="r", layer="breather", piece="L1", material="fleece")
    assert strip.cut.bounds == (0, 0, 135, 50)
    assert strip.name == "r / breather / L1"
