import numpy as np
import pytest

from plyflat.shop.leaks import TapeError, tape_marks


def box_loop(theta_deg: float):
    """A tape line that runs over a fold: 400 mm out, turned up by 180 - theta, 300 mm on, back 200 mm beside it."""
    lift = np.radians(180.0 - theta_deg)
    out = np.array([[x, 0.0, 0.0] for x in np.arange(0.0, 400.0, 5.0)])
    up = np.array([[400 + s * np.cos(lift), 0.0, s * np.sin(lift)] for s in np.arange(0.0, 300.0, 5.0)])
    line = np.vstack([out, up])
    back = line[::-1] + [0.0, 200.0, 0.0]
    flat, wall = [0.0, 0.0, 1.0], [-np.sin(lift), 0.0, np.cos(lift)]
    rise = np.vstack([np.tile(flat, (len(out), 1)), np.tile(wall, (len(up), 1))])
    return np.vstack([line, back]), np.vstack([rise, rise[::-1]])


def test_the_hollow_is_marked_where_the_tape_crosses_it():
    marks = tape_marks(*box_loop(120.0))
    assert (marks[0].metre, marks[0].why) == (0.0, "start")
    hollows = [m for m in marks if m.why == "hollow"]
    # Out to the fold 0.4 m; on to the end, over and back: 0.4 + 0.295 * 2 + 0.2.
    assert sorted(m.metre for m in hollows) == pytest.approx([0.4, 1.19], abs=0.03)
    assert hollows[0].turn_deg == pytest.approx(60, abs=12)


def test_a_ridge_is_told_from_a_hollow():
    points, rise = box_loop(120.0)
    marks = tape_marks(points, -rise)
    assert {m.why for m in marks} == {"start", "ridge"}


def test_a_flat_circle_and_a_flat_square_have_no_mark_but_the_start():
    a = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    circle = np.stack([200 * np.cos(a), 200 * np.sin(a), 0 * a], 1)
    assert [m.why for m in tape_marks(circle, np.tile([0, 0, 1.0], (90, 1)))] == ["start"]
    square = np.array([[0, 0, 0], [300, 0, 0], [300, 300, 0], [0, 300, 0]], float)
    assert [m.why for m in tape_marks(square, np.tile([0, 0, 1.0], (4, 1)))] == ["start"]


@pytest.mark.parametrize("points", [np.zeros((2, 3)), np.zeros((5, 3))])
def test_no_loop(points):
    with pytest.raises(TapeError):
        tape_marks(points, np.tile([0, 0, 1.0], (len(points), 1)))
