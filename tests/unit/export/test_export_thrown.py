"""What stands beside the lines of a projector's picture."""

import io
import re
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from shapely import LineString, box

from plyflat.export.thrown import thrown_png, thrown_svg
from plyflat.planned import SightLine, SightPlan

#: Capitals are a fortieth of the picture's height.
HIGH = 1080 / 40


def ring(middle, radius):
    turn = np.linspace(0.0, 2 * np.pi, 61)
    return np.stack([middle[0] + 1.6 * radius * np.cos(turn), middle[1] + radius * np.sin(turn)], axis=1)


@pytest.fixture
def sight():
    """Edges of two plies 14 pixels apart, the warp line, and marks on the inner edge."""
    inner, outer = ring((900, 500), 200.0), ring((900, 500), 214.0)
    warp = np.array([[800.0, 500.0], [1000.0, 510.0]])
    lines = (SightLine("edge", "P1", (inner,), 1.0), SightLine("edge", "P2", (outer,), 1.0), SightLine("warp", "warp", (warp,), 1.0))
    return SightPlan("bow", SimpleNamespace(image_px=(1920, 1080)), lines, inner[[0, 15, 30, 45]])


def words(svg):
    found = re.findall(r'<text x="([\d.]+)" y="([\d.]+)">([^<]*)</text>', svg)
    return {text: (float(x), float(y)) for x, y, text in found}


def test_names_stand_clear_of_every_line_and_of_each_other(sight):
    found = words(thrown_svg(sight))
    assert set(found) == {"1", "2", "3", "4", "P1", "P2", "warp"}
    rooms = {text: box(x, y - HIGH, x + 0.8 * HIGH * len(text), y) for text, (x, y) in found.items()}
    lines = [LineString(run) for line in sight.lines for run in line.runs_px]
    for name in ("P1", "P2", "warp"):
        assert not any(line.intersects(rooms[name]) for line in lines)
        assert not any(rooms[name].intersects(room) for other, room in rooms.items() if other != name)
        # And each near its own line.
        own = next(LineString(q.runs_px[0]) for q in sight.lines if q.name == name)
        assert own.distance(rooms[name]) < HIGH


def test_where_there_is_no_clear_place_a_name_stands_all_the_same(sight):
    full = tuple(SightLine("join", "", (np.array([[0.0, y], [1920.0, y]]),), 1.0) for y in range(5, 1080, 10))
    crowded = SightPlan(sight.region, sight.sight, (*sight.lines, *full), sight.marks_px)
    assert {"P1", "P2", "warp"} <= set(words(thrown_svg(crowded)))


def test_pixels_are_as_many_as_the_projector_has(sight):
    assert Image.open(io.BytesIO(thrown_png(sight))).size == (1920, 1080)
