"""Plotter files taken literally by the command set as it was published, one command at a time."""

import re

import hypothesis
import numpy as np
import plans
import pytest
import shapely
import shapely.affinity
from hypothesis import strategies as st
from shapely import LineString

from plyflat.export.drawing import Drawing, Stroke, lay_drawings, template_drawings
from plyflat.export.plotter import frames_of, plotter_text, write_plotter

SOURCE = "published plotter language and HP-GL/2: commands, their parameters and ranges, absolute moves of 0.025 mm, from memory"
#: Least and most parameters of each command that is used. PU and PD take any number of pairs.
COUNTS = {"IN": (0, 1), "SP": (0, 1), "PU": (0, None), "PD": (0, None), "FR": (0, 1), "PG": (0, 1), "PS": (0, 2)}
#: Coordinates of old controllers are 16 bits with their sign, those of HP-GL/2 are 24.
LIMITS = {"plain": (-(2**15), 2**15 - 1), "hpgl2": (-(2**23), 2**23 - 1)}
MM = 0.025


class Machine:
    """A plotter with two tools that knows these commands alone and refuses anything else."""

    def __init__(self, language):
        self.limits, self.full = LIMITS[language], language == "hpgl2"
        self.pen, self.down, self.at, self.feed, self.started = 0, False, (0, 0), 0, False
        self.lines, self.size, self.pages, self.farthest = [], None, 0, 0

    def run(self, text):
        if self.full:
            assert text.startswith("\x1b%-1B")
            assert text.endswith("\x1b%0A\n")
            text = text[5:-5]
        assert "\x1b" not in text
        # Two letters, whole numbers with commas between, and a semicolon; ends of lines between commands.
        parts = re.findall(r"\s*([A-Z]{2})(-?\d+(?:,-?\d+)*)?;", text)
        assert "".join(f"{name}{numbers};" for name, numbers in parts) == re.sub(r"\s", "", text)
        for name, numbers in parts:
            self.do(name, [int(n) for n in numbers.split(",")] if numbers else [])
        return self

    def do(self, name, numbers):
        least, most = COUNTS[name]
        assert least <= len(numbers) <= (most if most is not None else len(numbers))
        assert self.started or name == "IN"
        getattr(self, name.lower())(numbers)

    def begin(self, numbers):
        self.started = True

    def sp(self, numbers):
        assert not self.down
        self.pen = numbers[0] if numbers else 0
        assert 0 <= self.pen <= 2

    def ps(self, numbers):
        assert self.full
        assert not self.lines
        self.size = numbers
        assert all(n > 0 for n in numbers)

    def pg(self, numbers):
        assert self.full
        assert not self.down
        self.pages += 1

    def fr(self, numbers):
        assert not self.down
        # The next frame begins where the pen waits.
        assert self.at[1] == 0
        self.feed, self.at = self.feed + self.at[0], (0, 0)

    def pu(self, numbers):
        self.down = False
        self.move(numbers)

    def pd(self, numbers):
        assert self.pen > 0
        self.down = True
        self.move(numbers)

    def move(self, numbers):
        assert len(numbers) % 2 == 0
        assert all(self.limits[0] <= n <= self.limits[1] for n in numbers)
        for x, y in zip(numbers[::2], numbers[1::2]):
            self.farthest = max(self.farthest, x)
            if self.down:
                self.lines.append((self.pen, (self.at[0] + self.feed, self.at[1]), (x + self.feed, y)))
            self.at = (x, y)


setattr(Machine, "in", Machine.begin)


def drawn(machine, pen):
    lines = [LineString(np.array(ends) * MM) for tool, *ends in machine.lines if tool == pen and ends[0] != ends[1]]
    return shapely.union_all(lines)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.mark.reference(source=SOURCE, kind="memory")
@pytest.mark.parametrize(
    ("language", "frame_mm", "zero"),
    [("plain", 800.0, "middle"), ("plain", 333.3, "middle"), ("hpgl2", 10_000.0, "edge"), ("hpgl2", 700.0, "middle")],
)
def test_a_machine_that_knows_the_published_commands_alone_cuts_every_piece(plan, language, frame_mm, zero, tmp_path):
    # Film of 2 m is too wide for 16 bits from anywhere.
    lays = lay_drawings(plan) if language == "hpgl2" else lay_drawings(plan)[:1]
    for _, drawing in [*lays, template_drawings(plan)[0]]:
        write_plotter(drawing, tmp_path / "x", language=language, frame_mm=frame_mm, zero=zero)
        machine = Machine(language).run((tmp_path / "x").read_bytes().decode("ascii"))
        assert (machine.pen, machine.down, machine.at) == (0, False, (0, 0))
        assert machine.pages == (language == "hpgl2")
        rings = [s.points_mm for s in drawing.strokes if s.layer == "ROLL"]
        low, high = (
            np.array(f(np.concatenate(rings or [np.asarray(o.exterior.coords) for _, o in drawing.pieces]), axis=0))
            for f in (np.min, np.max)
        )
        at = (low[0], 0.5 * (low[1] + high[1]) if zero == "middle" else low[1])
        notches = [LineString(s.points_mm) for s in drawing.strokes if s.layer == "NOTCH"]
        meant = shapely.union_all([*(o.boundary for _, o in drawing.pieces), *notches])
        found = shapely.affinity.translate(drawn(machine, 1), *at)
        assert shapely.hausdorff_distance(meant, found) < 0.03
        marks = [LineString(s.points_mm) for s in drawing.strokes if s.layer in ("WARP", "FOLD", "JOIN", "MARK")]
        seen = shapely.affinity.translate(drawn(machine, 2), *at).buffer(0.03)
        assert shapely.union_all(marks).difference(seen).length == 0.0
        if machine.size is not None:
            points = np.array([p for _, *ends in machine.lines for p in ends])
            assert np.ptp(points[:, 1]) <= machine.size[1]
            assert machine.farthest <= machine.size[0]


@pytest.mark.reference(source=SOURCE, kind="memory")
def test_a_wide_roll_stays_within_sixteen_bits_only_from_its_middle(plan, tmp_path):
    drawing = dict(lay_drawings(plan))["carbon-twill-200_1"]
    for zero, fits in (("middle", True), ("edge", False)):
        write_plotter(drawing, tmp_path / "x.plt", zero=zero)
        text = (tmp_path / "x.plt").read_text(encoding="ascii")
        numbers = np.array(re.findall(r"-?\d+", re.sub(r"SP\d", "", text)), dtype=int)
        assert bool(numbers.max() < 2**15) is fits
        assert numbers.min() >= -(2**15)


def ring(points):
    """A piece round a middle, from (angle share, radius) pairs."""
    turns = np.sort(np.array([a for a, _ in points])) * 2 * np.pi
    return shapely.Polygon([(800 + r * np.cos(t), 500 + r * np.sin(t)) for t, (_, r) in zip(turns, points)])


@pytest.mark.reference(source=SOURCE, kind="memory")
@hypothesis.settings(max_examples=40, deadline=None, derandomize=True)
@hypothesis.given(
    points=st.lists(st.tuples(st.floats(0, 1), st.floats(60, 400)), min_size=5, max_size=14, unique_by=lambda p: round(p[0], 2)),
    frame=st.sampled_from([50.0, 100.0, 123.456, 400.0, 800.0, 817.0]),
    hole=st.booleans(),
)
def test_any_piece_is_cut_whole_in_frames_of_any_length(points, frame, hole):
    outline = ring(points)
    hypothesis.assume(outline.is_valid and outline.area > 20_000)
    if hole:
        # Its sides lie on the edges of frames of 50 and of 100 mm.
        x, y = np.round(outline.representative_point().coords[0], -1)
        outline = outline.difference(shapely.box(x - 10, y - 10, x + 10, y + 10))
        hypothesis.assume(outline.geom_type == "Polygon")
    rings = [Stroke("CUT", np.asarray(r.coords)[:-1], closed=True) for r in (*outline.interiors, outline.exterior)]
    drawing = Drawing("piece", tuple(rings), (), (("piece", outline),))
    machine = Machine("plain").run(plotter_text(frames_of(drawing, frame_mm=frame)))
    found = shapely.affinity.translate(drawn(machine, 1), *outline.bounds[:2])
    assert shapely.hausdorff_distance(outline.boundary, found) < 0.03
    # The tool never goes on beyond what the table and the overcut allow.
    assert machine.farthest * MM <= frame + 2.0 + MM
