"""What a projector is told and what it is refused; lines that leave its picture or hide behind the hull."""

from __future__ import annotations

import numpy as np
import pytest

from plyflat.errors import QuantityError
from plyflat.surface.mesh import Surface
from plyflat.surface.sight import seen_line, sight_from

SHEET = np.array([[0.0, 0, 0], [1000, 0, 0], [1000, 800, 0], [0, 800, 0]])
AT = np.array([[0.0, 800], [1000, 800], [1000, 0], [0, 0]])
LENS = (500.0, 400.0, 1000.0)


def straight_down(**given):
    return sight_from(
        **{"points_mm": SHEET, "at_px": AT, "image_px": (1000, 800), "stands_mm": LENS, **given}
    )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"points_mm": SHEET[:3], "at_px": AT[:3]}, "3 marks are too few"),
        ({"stands_mm": None}, "4 marks are too few"),
        (
            {"points_mm": np.vstack([SHEET, SHEET / 2]), "at_px": np.vstack([AT, AT / 2]), "stands_mm": None},
            "one plane",
        ),
        ({"at_px": AT[:3]}, "not points on the hull"),
        ({"at_px": AT * np.nan}, "not points on the hull"),
        ({"at_px": AT[[1, 0, 3, 2]]}, "mirror image"),
        ({"at_px": AT[[0, 1, 3, 2]]}, "before it"),
        (
            {
                "points_mm": [[0, 0, 0], [500, 0, 0], [1000, 0, 0], [0, 800, 0]],
                "at_px": [[0, 800], [500, 800], [1000, 800], [0, 0]],
            },
            "in one line",
        ),
        ({"stands_mm": SHEET[0]}, "where the lens stands"),
        ({"stands_mm": (500.0, 400.0, 0.0)}, "all sides"),
    ],
)
def test_marks_of_which_no_projector_can_be_made_are_refused(given, words):
    with pytest.raises(QuantityError, match=words) as refused:
        straight_down(**given)
    assert refused.value.do


def test_more_marks_share_what_one_of_them_is_off():
    points = np.vstack([SHEET, [[500, 400, 0], [250, 200, 0]]])
    at = np.vstack([AT, [[500, 406], [250, 600]]])
    off = straight_down(points_mm=points, at_px=at).off_px
    assert 1.0 < off[4] < 6.0
    assert off.max() == off[4]


def test_a_line_ends_where_the_picture_does():
    sheet = Surface(SHEET, [[0, 1, 2], [0, 2, 3]])
    sight = straight_down(image_px=(500, 800))
    seen = seen_line(sight, sheet, np.array([[100.0, 400, 0], [900, 400, 0]]), closed=False)
    assert seen.share == pytest.approx(0.5, abs=1e-3)
    assert seen.runs_px[0][:, 0].max() == pytest.approx(500.0)


def test_a_line_under_a_shelf_is_hidden():
    shelf = SHEET * [0.5, 1, 1] + [0, 0, 500]
    both = Surface(np.vstack([SHEET, shelf]), [[0, 1, 2], [0, 2, 3], [4, 5, 6], [4, 6, 7]])
    seen = seen_line(straight_down(), both, np.array([[0.0, 400, 0], [1000, 400, 0]]), closed=False)
    # The lens stands over the shelf's edge at x = 500: what lies to its left is hidden.
    assert seen.share == pytest.approx(0.5, abs=0.01)
    assert min(run[:, 0].min() for run in seen.runs_px) > 495


def test_what_lies_behind_the_lens_is_not_before_it():
    before = straight_down().seen([[500, 400, 0], [500, 400, 2000]])[1]
    assert before.tolist() == [True, False]
