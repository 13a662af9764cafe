import numpy as np
import pytest
import shapes
from scipy.spatial import cKDTree

from plyflat.errors import OutlineError
from plyflat.surface.mesh import Surface, closed_length
from plyflat.surface.tape import COLOURS, find_tape, find_tape_regions, tape_region

HULL, WIDTH = (150, 166, 152), 12.0


def _ring(radius, centre=(180.0, 150.0), wobble=0.0, count=4000):
    """A dense closed line (k, 2) and its arc lengths are near enough even."""
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    r = radius * (1 + wobble * np.cos(3 * t))
    return np.stack([centre[0] + r * np.cos(t), centre[1] + r * np.sin(t)], 1)


def _paint(vertices, curves, *, colour="blue", gaps=(), seed=0, hull=HULL, width=WIDTH):
    """Colours (n, 3): tape along curves under uneven light, noisy; gaps are (point, length) left bare."""
    rng = np.random.default_rng(seed)
    covered = np.zeros(len(vertices), bool)
    for curve in curves:
        covered |= cKDTree(curve).query(vertices)[0] < width / 2
    for point, length in gaps:
        covered &= np.linalg.norm(vertices - point, axis=1) > length / 2
    rgb = np.where(covered[:, None], COLOURS[colour] if isinstance(colour, str) else colour, hull)
    shade = 0.8 + 0.2 * np.sin(vertices[:, 0] / 90) * np.cos(vertices[:, 1] / 70)
    return np.clip(rgb * shade[:, None] + rng.normal(0, 4, rgb.shape), 0, 255).astype(np.uint8)


def _sheet(curves, *, triangles=16000, **paint):
    p, f = shapes.rectangle(360, 300, triangles=triangles, seed=3)
    v = np.column_stack([p, 0 * p[:, 0]])
    return Surface(v, f, _paint(v, [_lifted(c) for c in curves], **paint))


def _lifted(curve):
    return np.column_stack([curve, 0 * curve[:, 0]])


def _rms(line, curve):
    return float(np.sqrt((cKDTree(curve).query(line)[0] ** 2).mean()))


SEED = (180, 150, 0)


def test_centre_line_and_width_on_a_flat_sheet():
    curve = _ring(95, wobble=0.12)
    tape = find_tape(_sheet([curve]), colour="blue", seed_mm=SEED, edge="centre")
    (line,) = tape.loops_mm
    assert _rms(line, _lifted(curve)) < 0.8
    assert tape.width_mm == pytest.approx(WIDTH, abs=0.8)
    assert tape.share == pytest.approx(WIDTH * closed_length(curve) / (360 * 300), rel=0.05)
    assert not tape.gaps
    assert not tape.to_the_edge
    step = np.linalg.norm(line - np.roll(line, 1, axis=0), axis=1)
    assert step.min() > 1.5
    assert step.max() < 4.5


@pytest.mark.parametrize(("edge", "radius"), [("inner", 89), ("centre", 95), ("outer", 101)])
def test_edges_lie_half_a_width_to_each_side(edge, radius):
    (line,) = find_tape(_sheet([_ring(95)]), colour="blue", seed_mm=SEED, edge=edge).loops_mm
    assert _rms(line, _lifted(_ring(radius))) < 0.9


def test_area_lies_on_the_left():
    (line,) = find_tape(_sheet([_ring(95)]), colour="blue", seed_mm=SEED).loops_mm
    x, y = line[:, 0], line[:, 1]
    assert 0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() == pytest.approx(np.pi * 89**2, rel=0.02)


def test_outside_of_a_loop_runs_to_the_edge_of_the_mesh():
    tape = find_tape(_sheet([_ring(95)]), colour="blue", seed_mm=(20, 20, 0))
    assert tape.to_the_edge
    assert _rms(tape.loops_mm[0], _lifted(_ring(101))) < 0.9
    x, y = tape.loops_mm[0][:, 0], tape.loops_mm[0][:, 1]
    assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() < 0


def test_loop_on_a_cylinder():
    radius, middle = 100.0, np.radians(100)
    curve = _ring(90, centre=(0.0, 0.0), wobble=0.1)
    v, f = shapes.cylinder(radius=radius, wrap_deg=200, height=400, triangles=16000, seed=2)
    angle = middle + curve[:, 0] / radius
    bent = np.stack([radius * np.cos(angle), radius * np.sin(angle), curve[:, 1] + 200], 1)
    surface = Surface(v, f, _paint(v, [bent]))
    seed = (radius * np.cos(middle), radius * np.sin(middle), 200)
    tape = find_tape(surface, colour="blue", seed_mm=seed, edge="centre")
    assert _rms(tape.loops_mm[0], bent) < 0.8
    assert tape.width_mm == pytest.approx(WIDTH, abs=0.8)
    assert surface.locate(tape.loops_mm[0]).distance_mm.max() < 1e-6


def test_both_loops_of_a_ring_round_a_post():
    v, f = shapes.post_on_plate(radius=60.0, height=110.0, reach=150.0, around=200, along=90)
    t = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    low, high = (np.stack([r * np.cos(t), r * np.sin(t), 0 * t + z], 1) for r, z in ((130, 0.0), (60, 70.0)))
    surface = Surface(v, f, _paint(v, [low, high]))
    tape = find_tape(surface, colour="blue", seed_mm=(90, 0, 0), edge="centre")
    assert len(tape.loops_mm) == 2
    assert _rms(tape.loops_mm[0], low) < 0.8
    assert _rms(tape.loops_mm[1], high) < 0.8


def test_gap_is_bridged_and_reported():
    curve = _ring(95)
    at = _lifted(curve[1000:1001])[0]
    tape = find_tape(_sheet([curve], gaps=[(at, 16)]), colour="blue", seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(curve)) < 0.8
    ((where, length),) = tape.gaps
    assert np.linalg.norm(np.subtract(where, at)) < 5
    assert length == pytest.approx(14, abs=6)


def test_open_loop_says_where_the_gap_is():
    curve = _ring(95)
    at = _lifted(curve[700:701])[0]
    with pytest.raises(OutlineError, match="open") as caught:
        find_tape(_sheet([curve], gaps=[(at, 40)]), colour="blue", seed_mm=SEED)
    where = np.array(caught.value.where.strip("() m").split(","), dtype=float)
    assert np.linalg.norm(where - at) < 5
    assert float(caught.value.what.split(":")[1].split()[0]) == pytest.approx(40, abs=6)


def test_wider_gap_may_be_allowed():
    curve = _ring(95)
    sheet = _sheet([curve], gaps=[(_lifted(curve[700:701])[0], 40)])
    tape = find_tape(sheet, colour="blue", seed_mm=SEED, edge="centre", gap_mm=50)
    assert _rms(tape.loops_mm[0], _lifted(curve)) < 1.2


def test_two_gaps_are_counted():
    curve = _ring(95)
    gaps = [(_lifted(curve[i : i + 1])[0], 40) for i in (700, 2600)]
    with pytest.raises(OutlineError, match="1 more place"):
        find_tape(_sheet([curve], gaps=gaps), colour="blue", seed_mm=SEED)


def test_tape_that_runs_off_the_mesh():
    line = np.stack([np.linspace(-10, 370, 4000), np.full(4000, 150.0)], 1)
    with pytest.raises(OutlineError, match="runs off the edge"):
        find_tape(_sheet([line]), colour="blue", seed_mm=(180, 60, 0))


def test_marks_inside_the_area_do_no_harm():
    curve, cross = _ring(95), _ring(8, centre=(150.0, 130.0))
    tape = find_tape(_sheet([curve, cross]), colour="blue", seed_mm=SEED, edge="centre")
    assert max(closed_length(q) for q in tape.loops_mm) == pytest.approx(2 * np.pi * 95, rel=0.02)
    assert _rms(tape.loops_mm[0], _lifted(curve)) < 0.8


def test_specks_of_the_colour_are_dropped():
    curve, rng = _ring(95), np.random.default_rng(5)
    specks = [_ring(1.8, centre=c, count=50) for c in rng.uniform((100, 80), (260, 220), (60, 2))]
    sheet = _sheet([curve])
    lone = cKDTree(np.concatenate(specks)).query(sheet.vertices_mm[:, :2])[0] < 1.5
    colors = np.where(lone[:, None], COLOURS["blue"], sheet.colors).astype(np.uint8)
    tape = find_tape(Surface(sheet.vertices_mm, sheet.faces, colors), colour="blue", seed_mm=SEED, edge="centre")
    assert len(tape.loops_mm) == 1
    assert _rms(tape.loops_mm[0], _lifted(curve)) < 0.8


@pytest.mark.parametrize("width", [6.0, 25.0, 50.0])
def test_tape_of_other_widths(width):
    tape = find_tape(_sheet([_ring(95)], width=width), colour="blue", seed_mm=SEED, edge="centre")
    assert tape.width_mm == pytest.approx(width, rel=0.07)
    assert _rms(tape.loops_mm[0], _lifted(_ring(95))) < 0.9


def test_small_loop_whose_tape_nearly_fills_the_surroundings_of_the_seed():
    tape = find_tape(_sheet([_ring(30)]), colour="blue", seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(_ring(30))) < 0.8


def test_colour_not_found_lists_what_is_there():
    with pytest.raises(OutlineError, match="no tape of colour 'red'") as caught:
        find_tape(_sheet([_ring(95)]), colour="red", seed_mm=SEED)
    assert "blue (#" in caught.value.what
    assert "grey (#" in caught.value.what


@pytest.mark.parametrize("colour", ["red", "green", "yellow", "orange", "purple", "black", "white"])
def test_other_colours(colour):
    hull = (96, 104, 110) if colour == "white" else HULL
    tape = find_tape(_sheet([_ring(95)], colour=colour, hull=hull), colour=colour, seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(_ring(95))) < 0.9


def test_faded_tape_is_known_by_its_direction():
    sheet = _sheet([_ring(95)], colour=(105, 135, 175))
    tape = find_tape(sheet, colour="blue", seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(_ring(95))) < 0.9
    assert np.abs(np.subtract(tape.colour, (105, 135, 175))).max() < 45


@pytest.mark.parametrize("colour", ["#285fbe", (40, 95, 190), " BLUE "])
def test_ways_to_write_a_colour(colour):
    assert len(find_tape(_sheet([_ring(95)]), colour=colour, seed_mm=SEED).loops_mm) == 1


@pytest.mark.parametrize("colour", ["bluish", "#12345", (1, 2), (0, 0, 300)])
def test_no_such_colour(colour):
    with pytest.raises(OutlineError, match="no colour"):
        find_tape(_sheet([_ring(95)]), colour=colour, seed_mm=SEED)


def test_stated_hull_colour_is_used():
    curve = _ring(95)
    tape = find_tape(_sheet([curve]), colour="blue", seed_mm=SEED, edge="centre", hull_colour=HULL)
    assert _rms(tape.loops_mm[0], _lifted(curve)) < 0.8


def test_seed_close_beside_the_tape_still_counts():
    (line,) = find_tape(_sheet([_ring(95)]), colour="blue", seed_mm=(180 + 84, 150, 0)).loops_mm
    assert _rms(line, _lifted(_ring(89))) < 0.9


def test_refuses_bad_seeds_and_meshes():
    sheet = _sheet([_ring(95)])
    with pytest.raises(OutlineError, match="seed lies on the tape"):
        find_tape(sheet, colour="blue", seed_mm=(275, 150, 0))
    with pytest.raises(OutlineError, match="90 mm off the surface"):
        find_tape(sheet, colour="blue", seed_mm=(180, 150, 90))
    with pytest.raises(OutlineError, match="not a point"):
        find_tape(sheet, colour="blue", seed_mm=(180, float("nan"), 0))
    with pytest.raises(OutlineError, match="no vertex colours"):
        find_tape(Surface(sheet.vertices_mm, sheet.faces), colour="blue", seed_mm=SEED)
    with pytest.raises(OutlineError, match="no tape edge"):
        find_tape(sheet, colour="blue", seed_mm=SEED, edge="left")
    with pytest.raises(OutlineError, match="gap to bridge is -1"):
        find_tape(sheet, colour="blue", seed_mm=SEED, gap_mm=-1)


def test_tape_of_the_hull_s_own_colour_is_not_found():
    sheet = _sheet([_ring(95)])
    with pytest.raises(OutlineError, match="no tape of colour"):
        find_tape(sheet, colour=HULL, hull_colour=HULL, seed_mm=SEED)


def test_region_between_the_loops():
    v, f = shapes.post_on_plate(radius=60.0, height=110.0, reach=150.0, around=200, along=90)
    t = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    low, high = (np.stack([r * np.cos(t), r * np.sin(t), 0 * t + z], 1) for r, z in ((130, 0.0), (60, 70.0)))
    region = tape_region(Surface(v, f, _paint(v, [low, high])), colour="blue", seed_mm=(90, 0, 0), name="root")
    assert region.name == "root"
    assert len(region.loops) == 2
    true = np.pi * (124**2 - 60**2) + 2 * np.pi * 60 * 64
    assert region.area_mm2 == pytest.approx(true, rel=0.01)


def test_colour_is_picked_by_a_point_on_the_tape():
    sheet = _sheet([_ring(95)], colour=(105, 135, 175))
    tape = find_tape(sheet, colour_at_mm=(180 + 95, 150, 0), seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(_ring(95))) < 0.9


def test_refuses_a_point_beside_the_tape_and_two_ways_to_say_a_colour():
    sheet = _sheet([_ring(95)])
    with pytest.raises(OutlineError, match="that of the bare hull"):
        find_tape(sheet, colour_at_mm=(180, 200, 0), seed_mm=SEED)
    with pytest.raises(OutlineError, match="640 mm off the surface"):
        find_tape(sheet, colour_at_mm=(1000, 150, 0), seed_mm=SEED)
    for both in ({}, {"colour": "blue", "colour_at_mm": (275, 150, 0)}):
        with pytest.raises(OutlineError, match="not given in one way"):
            find_tape(sheet, seed_mm=SEED, **both)


@pytest.mark.parametrize(("width", "triangles"), [(3.0, 37000), (2.0, 110000)])
def test_pen_lines_about_as_wide_as_the_triangles(width, triangles):
    tape = find_tape(_sheet([_ring(95)], width=width, triangles=triangles), colour="blue", seed_mm=SEED, edge="inner")
    assert _rms(tape.loops_mm[0], _lifted(_ring(95 - width / 2))) < 1.0
    assert not tape.gaps


def test_a_pen_line_that_is_only_just_seen_says_so():
    tape = find_tape(_sheet([_ring(95)], width=3.0, triangles=37000), colour="blue", seed_mm=SEED)
    assert any("only just seen" in text for text, _ in tape.cautions)


def _lit(sheet, light, noise, seed=2):
    """The same sheet under other light (n,), with noise."""
    rng = np.random.default_rng(seed)
    rgb = sheet.colors * light[:, None] + rng.normal(0, noise, sheet.colors.shape)
    return Surface(sheet.vertices_mm, sheet.faces, np.clip(rgb, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("colour", ["yellow", "black"])
@pytest.mark.parametrize(("light", "edge", "radius"), [("gradient", "inner", 89), ("shadow", "outer", 101)])
def test_edges_in_shade_and_noise(colour, light, edge, radius):
    sheet = _sheet([_ring(95)], colour=colour)
    x, y = sheet.vertices_mm[:, 0], sheet.vertices_mm[:, 1]
    shade = 0.4 + 0.75 * x / 360 if light == "gradient" else np.where(x + 0.3 * y > 230, 0.45, 1.0)
    tape = find_tape(_lit(sheet, shade, 10), colour=colour, seed_mm=SEED, edge=edge)
    assert _rms(tape.loops_mm[0], _lifted(_ring(radius))) < 0.7


def test_cautions_name_gaps_and_the_edge_of_the_mesh():
    curve = _ring(95)
    at = _lifted(curve[1000:1001])[0]
    tape = find_tape(_sheet([curve], gaps=[(at, 16)]), colour="blue", seed_mm=SEED)
    ((text, do),) = tape.cautions
    assert "missing over" in text
    assert do
    outer = find_tape(_sheet([curve]), colour="blue", seed_mm=(20, 20, 0))
    assert ["edge of the mesh" in text for text, _ in outer.cautions] == [True]
    assert find_tape(_sheet([curve]), colour="blue", seed_mm=SEED).cautions == ()


def test_black_tape_says_that_shadows_look_alike():
    tape = find_tape(_sheet([_ring(95)], colour="black"), colour="black", seed_mm=SEED)
    assert ["hard shadow" in text for text, _ in tape.cautions] == [True]


def test_a_loop_near_another_is_not_joined_to_it():
    near = _ring(25, centre=(180.0 + 95 + 6 + 12 + 31, 150.0))
    tape = find_tape(_sheet([_ring(95), near]), colour="blue", seed_mm=SEED, edge="centre")
    assert _rms(tape.loops_mm[0], _lifted(_ring(95))) < 0.9


def test_every_loop_is_a_region_and_a_loop_within_it_an_opening():
    curves = [_ring(62, centre=(90, 150)), _ring(30, centre=(90, 150)), _ring(50, centre=(270, 220)), _ring(45, centre=(265, 80))]
    found = find_tape_regions(_sheet(curves, triangles=24000), colour="blue", name="patch")
    true = [np.pi * (56**2 - 36**2), np.pi * 44**2, np.pi * 39**2]
    assert [q.region.name for q in found] == ["patch 1", "patch 2", "patch 3"]
    assert [len(q.region.loops) for q in found] == [1, 2, 1] or [len(q.region.loops) for q in found] == [2, 1, 1]
    for q, area in zip(found, sorted(true, reverse=True)):
        assert q.region.area_mm2 == pytest.approx(area, rel=0.03)
        assert not q.tape.to_the_edge


def test_loops_on_a_surface_without_a_rim():
    v, f = shapes.sphere(radius=100, triangles=30000)
    t = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    rings = [np.stack([40 * np.cos(t), 40 * np.sin(t), 0 * t + s * np.sqrt(100**2 - 40**2)], 1) for s in (1, -1)]
    found = find_tape_regions(Surface(v, f, _paint(v, rings)), colour="blue")
    assert len(found) == 2
    half = np.arcsin(0.4) - 6 / 100
    for q in found:
        assert q.region.name == ""
        assert q.region.area_mm2 == pytest.approx(2 * np.pi * 100**2 * (1 - np.cos(half)), rel=0.03)


def test_an_open_loop_among_others_is_named():
    curve = _ring(60, centre=(95.0, 150.0))
    gap = (_lifted(curve[700:701])[0], 45)
    with pytest.raises(OutlineError, match="open") as caught:
        find_tape_regions(_sheet([curve, _ring(50, centre=(270.0, 150.0))], gaps=[gap]), colour="blue")
    where = np.array(caught.value.where.strip("() m").split(","), dtype=float)
    assert np.linalg.norm(where - gap[0]) < 8


def test_no_loop_at_all():
    line = np.stack([np.linspace(120, 180, 500), np.full(500, 150.0)], 1)
    with pytest.raises(OutlineError, match="no closed loop"):
        find_tape_regions(_sheet([line]), colour="blue")
