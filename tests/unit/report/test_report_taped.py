"""The picture of marks that are put on the hull by tape: each number stands by its own mark, and none lies over another."""

from __future__ import annotations

import io

import numpy as np
import plans
import pytest
from PIL import Image

from plyflat.planned import HullMark
from plyflat.report import taped
from plyflat.report.hull import Stage


def mark(number, at=(0.0, 0.0, 0.0), of="edge"):
    return HullMark("panel", number, of, tuple(at), "stem", 100.0, "post", 200.0, "port", 0.9)


def placed(at, *, seen=None, shape=(800, 600)):
    at = np.asarray(at, dtype=float)
    seen = np.ones(len(at), dtype=bool) if seen is None else np.asarray(seen)
    return taped._placed([mark(k + 1) for k in range(len(at))], at, seen, shape)


def over(a, b):
    """Whether two numbers lie over each other."""
    return bool((np.abs(a.place - b.place) < a.half + b.half - 1e-6).all())


def check(found, at, shape=(800, 600)):
    """What holds for numbers however the marks lie."""
    at = np.asarray(at, dtype=float)
    for k, number in enumerate(found):
        own = at[number.mark.number - 1]
        assert not any(over(number, other) for other in found[:k])
        assert (np.abs(at - number.place) >= number.half).any(axis=1).all()
        assert (number.place - number.half >= 0).all()
        assert (number.place + number.half <= shape).all()
        assert not (number.place[0] - number.half[0] < 235 and number.place[1] + number.half[1] > shape[1] - 125)
        off = np.linalg.norm(at - number.place, axis=1)
        if number.led:
            # A line leads from the mark to the edge of the number, over no other number.
            assert number.line[0] == pytest.approx(own)
            assert (np.abs(number.line[-1] - number.place) / number.half).max() == pytest.approx(1.0)
            others = [q for q in found if q is not number]
            assert not any((np.abs(number.line - q.place) < q.half).all(axis=1).any() for q in others)
        else:
            assert off.argmin() == number.mark.number - 1
            assert off.min() < 40


def test_a_lone_mark_has_its_number_beside_it():
    (number,) = placed([[400, 300]])
    assert not number.led
    assert np.hypot(*(number.place - [400, 300])) == pytest.approx(26)


@pytest.mark.parametrize("seed", range(6))
def test_numbers_keep_clear_of_each_other_and_stand_by_their_marks(seed):
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 40))
    edge = np.column_stack([400 + 300 * np.cos(turn), 280 + 200 * np.sin(turn)])
    at = np.concatenate([edge, [390, 270] + 15 * rng.normal(size=(5, 2))])
    found = placed(at)
    check(found, at)
    # All have one, those of a hundred too.
    assert [q.mark.number for q in found] == list(range(1, len(at) + 1))
    assert any(q.led for q in found)
    assert not all(q.led for q in found)


def test_numbers_near_the_edge_and_the_arrows_stay_in_the_picture():
    at = [[4, 4], [796, 4], [796, 596], [10, 590], [120, 560], [240, 470], [4, 300]]
    found = placed(at)
    check(found, at)
    assert len(found) == len(at)


def test_marks_that_are_not_seen_have_no_number_and_take_no_room():
    at = [[400, 300], [413, 278], [500, 300]]
    found = placed(at, seen=[True, False, True])
    assert [q.mark.number for q in found] == [1, 3]
    assert found[0].place == pytest.approx(placed([at[0]])[0].place)


def test_where_there_is_no_room_at_all_a_number_is_left_out_and_none_lies_over_another():
    at = np.array([[60, 40]] * 60) + np.random.default_rng(0).normal(size=(60, 2))
    found = placed(at, shape=(120, 80))
    assert len(found) < 60
    for k, number in enumerate(found):
        assert not any(over(number, other) for other in found[:k])


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """The picture of a region with marks along its edge, and its figure."""
    plan = plans.make(tmp_path_factory.mktemp("plan"))
    region = plan.regions[0]
    loop = region.base.surface.vertices_mm[max(region.base.loops, key=len)]
    at = loop[np.linspace(0, len(loop), 46, endpoint=False).astype(int)]
    marks = [mark(k + 1, p, "edge" if k % 9 else "warp line") for k, p in enumerate(at)]
    kept = []
    as_png = taped.as_png
    with pytest.MonkeyPatch.context() as patch, (stage := Stage(plan, region)).scene:
        patch.setattr(taped, "as_png", lambda figure: kept.append(figure) or as_png(figure))
        picture = taped.marks_picture(stage, marks)
    return picture, kept[0], marks


def test_in_the_picture_no_two_numbers_overlap_and_each_stands_by_its_own_mark(shown):
    picture, figure, marks = shown
    drawer = figure.canvas.get_renderer()
    count = 0
    for ax in figure.axes:
        numbers = [t for t in ax.texts if t.get_text().isdigit()]
        boxes = [t.get_window_extent(drawer) for t in numbers]
        lines = [(q.get_marker() in ("o", "s"), ax.transData.transform(q.get_xydata())) for q in ax.lines]
        dots = np.array([points[0] for dot, points in lines if dot])
        led = [points for dot, points in lines if not dot]
        assert len(numbers) == len(dots)
        for k, (text, box) in enumerate(zip(numbers, boxes)):
            assert not any(box.overlaps(other) for other in boxes[:k])
            middle = np.array([(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2])
            feet = [q[0] for q in led if np.hypot(*(np.clip(q[-1], box.min, box.max) - q[-1])) < 3]
            off = np.linalg.norm(dots - (feet[0] if feet else middle), axis=1)
            # Dots are drawn in the order of their numbers, and each has one.
            assert int(text.get_text()) == sorted(int(t.get_text()) for t in numbers)[off.argmin()]
        count += len(numbers)
    assert count >= 0.8 * len(marks)
    assert Image.open(io.BytesIO(picture.png)).size[0] == 1080
    assert "46 numbered marks" in picture.alt
