import numpy as np
import pytest

from plyflat.bag.sections import sections_along
from plyflat.bag.stack import film_sheet, strip_template, tape_length_mm
from plyflat.errors import ShapeError
from plyflat.surface.mesh import Surface
from plyflat.surface.region import Region


def sheet(heights, step=10.0, width=60.0):
    """A surface that runs along y with the given profile over x."""
    x = np.arange(len(heights)) * step
    y = np.arange(0.0, width + 1, step)
    v = np.array([(a, b, h) for a, h in zip(x, heights) for b in y])
    m = len(y)
    f = []
    for i in range(len(x) - 1):
        for j in range(m - 1):
            a = i * m + j
            f += [(a, a + m, a + m + 1), (a, a + m + 1, a + 1)]
    return Surface(v, np.array(f))


def test_flat_sheet_needs_no_slack():
    s = sections_along(sheet(np.zeros(11)), (1, 0, 0))
    assert [round(q.path_mm, 9) for q in s] == [100.0] * len(s)
    assert all(q.slack_mm < 1e-9 for q in s)


def test_square_step_path_and_taut_length():
    heights = np.array([0.0, 0, 0, 0, 0, 30, 30, 30, 30, 30, 30])
    q = sections_along(sheet(heights), (1, 0, 0), normal=(0, 0, 1))[2]
    assert q.path_mm == pytest.approx(40 + np.hypot(10, 30) + 50)
    assert q.taut_mm == pytest.approx(np.hypot(50, 30) + 50)


def test_convex_ridge_is_its_own_taut_path():
    heights = 20 - 0.02 * (np.arange(11) * 10 - 50.0) ** 2 / 2
    q = sections_along(sheet(heights), (1, 0, 0))[1]
    assert q.slack_mm == pytest.approx(0.0, abs=1e-9)


def test_pocket_lacks_twice_its_depth():
    # A pocket with upright walls of depth h lacks 2h of film in a section (path minus taut path).
    x = np.array([0.0, 40, 40 + 1e-6, 80, 80 + 1e-6, 120])
    z = np.array([0.0, 0, -25, -25, 0, 0])
    y = np.array([0.0, 30, 60])
    v = np.array([(a, b, c) for a, c in zip(x, z) for b in y])
    f = []
    for i in range(5):
        for j in range(2):
            a = 3 * i + j
            f += [(a, a + 3, a + 4), (a, a + 4, a + 1)]
    q = sections_along(Surface(v, np.array(f)), (1, 0, 0))[0]
    assert q.slack_mm == pytest.approx(50.0, abs=1e-4)


def test_opening_is_spanned():
    s = sheet(np.zeros(11))
    middle = np.abs(s.vertices_mm[s.faces].mean(axis=1)[:, 0] - 50) < 10
    cut, _ = s.sub(~middle)
    assert sections_along(cut, (1, 0, 0))[0].path_mm == pytest.approx(100.0)


def test_direction_square_to_surface_is_refused():
    with pytest.raises(ShapeError, match="square to the surface"):
        sections_along(sheet(np.zeros(5)), (0, 0, 1))


def test_film_sheet_and_template():
    rect = film_sheet(sheet(np.array([0.0, 0, 0, 30, 30, 30])), (1, 0, 0), extra_mm=5.0)
    assert rect.length_mm == pytest.approx(40 + np.hypot(10, 30) + 5)
    assert rect.width_mm == pytest.approx(65.0)
    t = strip_template(rect.length_mm, rect.width_mm, region="r", layer="bag film", piece="A", material="film")
    assert t.cut.area == pytest.approx(rect.length_mm * rect.width_mm)


def test_tape_goes_round_every_loop():
    s = sheet(np.zeros(11))
    hole = (np.abs(s.vertices_mm[s.faces].mean(axis=1)[:, :2] - [50, 30]) < 10).all(axis=1)
    cut, used = s.sub(~hole)
    region = Region(cut, cut.boundary_loops, s, ~hole, used)
    assert tape_length_mm(region, overlap_mm=25.0) == pytest.approx(320 + 80 + 50)
