"""What is said by clicks lands in the job file as the reader takes it."""

import numpy as np
import pytest

from plyflat.errors import QuantityError
from plyflat.page.draft import Draft, add_region, put_member_outline, put_region_key, remove_member
from plyflat.page.marks import MARKS, area_points, points_of, warp_points

JOB = """\
version = 1
name = "panel"

[mesh.hull]
file = "hull.ply"
unit = "mm"

[[region]]
name = "panel"
mesh = "hull"
warp = "corner"
corner = { seed = "0 0 0 mm", laps = ["60 mm", "40 mm"] }

[[region.ply]]
cloth = "glass"
angle = "0 deg"
laps = ["50 mm", "30 mm"]

[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1 m"
roll_length = "10 m"
fibre = "glass"
face_up = "out"
"""
POINTS = [np.array(p) for p in ([0.0, 0.0, 0.0], [100.0, 0.0, 0.0], [100.0, 50.0, 12.34])]


@pytest.fixture
def draft(tmp_path):
    path = tmp_path / "job.toml"
    path.write_text(JOB)
    return Draft.open(path)


def _say(draft, key, *, of="panel", **answers):
    mark = MARKS[key]
    points, values = mark.checked(POINTS[: mark.most or 3], {**mark.begin_values(), **answers})
    draft.change(key, lambda d: mark.put(d, of, points, values))
    return draft.job()


def test_every_way_is_read_as_it_was_said(draft):
    region = _say(draft, "spot", radius="70 mm").regions[0]
    assert (region.spot.point_mm, region.spot.radius_mm) == ((0, 0, 0), 70.0)
    # Along the corner and its laps have a meaning at a corner only.
    assert region.warp == "forward"
    assert region.plies[0].laps_mm is None
    region = _say(draft, "face", angle="25 deg").regions[0]
    assert (region.face.seed_mm, region.face.angle_deg, region.spot) == ((0, 0, 0), 25.0, None)
    tape = _say(draft, "tape", edge="outer", gap="12 mm").regions[0].tape
    assert (tape.colour_at_mm, tape.seed_mm, tape.edge, tape.gap_mm) == ((0, 0, 0), (100, 0, 0), "outer", 12.0)
    corner = _say(draft, "corner", first="80 mm", second="50 mm").regions[0].corner
    assert (corner.seed_mm, corner.laps_mm) == ((0, 0, 0), (80.0, 50.0))
    assert _say(draft, "outline").regions[0].outline_mm == ((0, 0, 0), (100, 0, 0), (100, 50, 12.3))
    assert _say(draft, "inside").regions[0].seed_mm == (0, 0, 0)
    assert _say(draft, "warp").regions[0].warp == ((0, 0, 0), (100, 0, 0))


def test_areas_are_taken_out_and_added_one_after_the_other(draft):
    _say(draft, "outline")
    _say(draft, "round_hole", radius="25 mm", margin="10 mm")
    _say(draft, "hole", margin="15 mm")
    region = _say(draft, "more").regions[0]
    assert [(o.margin_mm, o.spot is None) for o in region.minus] == [(10.0, False), (15.0, True)]
    assert len(region.plus[0].outline_mm) == 3
    draft.change("out", lambda d: remove_member(d, "panel", "minus", 0))
    assert [o.margin_mm for o in draft.job().regions[0].minus] == [15.0]
    draft.change("out", lambda d: remove_member(d, "panel", "minus", 0))
    draft.change("out", lambda d: remove_member(d, "panel", "plus", 0))
    assert "minus" not in draft.text
    assert "plus" not in draft.text


def test_an_opening_joins_those_that_stand_in_tables_of_their_own(draft):
    written = '\n[[region.minus]]\nspot = { point = "1 2 3 mm", radius = "9 mm" }\nmargin = "5 mm"\n\n[cloth.glass]'
    draft.put("the text", draft.text.replace("\n[cloth.glass]", written))
    _say(draft, "spot")
    assert [o.margin_mm for o in _say(draft, "hole").regions[0].minus] == [5.0, 20.0]


def test_a_distance_goes_to_the_mesh(draft):
    known = _say(draft, "distance", of="hull", distance="101 mm").meshes["hull"].check_distance
    assert (known.from_mm, known.to_mm, known.distance_mm) == ((0, 0, 0), (100, 0, 0), 101.0)


def test_a_new_region_may_begin_with_any_way(draft):
    for key in [key for key, mark in MARKS.items() if mark.area]:
        draft.change("new", lambda d, key=key: add_region(d, f"by {key}", mesh="hull", cloth="glass"))
        _say(draft, key, of=f"by {key}")
    assert [r.name for r in draft.job().regions][1:] == [f"by {key}" for key in ("outline", "tape", "face", "corner", "spot")]


def test_what_is_missing_is_asked_for():
    with pytest.raises(QuantityError, match="1 of 2 points"):
        MARKS["warp"].checked(POINTS[:1], {})
    with pytest.raises(QuantityError, match="measured on the boat, straight is missing"):
        MARKS["distance"].checked(POINTS[:2], {"distance": " "})
    assert "inside" in MARKS["tape"].prompt(1)
    assert "Done" in MARKS["tape"].prompt(2)


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ({"outline": {"unit": "m", "points": [[1, 2, 3], "4 5 6 cm"]}}, [[1000, 2000, 3000], [40, 50, 60]]),
        ({"outline": {"unit": "m", "points": [[1, 2, 3], [1, 2]]}}, []),
        ({"outline": {"points": [[1, 2, 3]]}}, []),
        ({"outline": {"unit": "m", "points": [[1, 2, True]]}}, []),
        ({"tape": {"colour_at": "1 2 3 mm", "seed": "4 5 6 mm"}}, [[1, 2, 3], [4, 5, 6]]),
        ({"corner": {"seed": "1 2 3 in"}}, [[25.4, 50.8, 76.2]]),
        ({"face": {"seed": "here"}}, []),
        ({"mirror_of": "port"}, []),
    ],
)
def test_points_are_shown_all_or_none(row, found):
    np.testing.assert_allclose([p.at_mm for p in points_of(row)], found)


@pytest.mark.parametrize(
    "written",
    [
        'minus = [ { outline = { unit = "m", points = [[0, 0, 0], "100 0 0 mm", [0, 1, 0]] }, margin = "5 mm" } ] # a hatch\n',
        '[[region.minus]]\noutline = { unit = "m", points = [[0, 0, 0], "100 0 0 mm", [0, 1, 0]] } # a hatch\nmargin = "5 mm"\n',
        '[[region.minus]]\nmargin = "5 mm" # a hatch\n[region.minus.outline]\nunit = "m"\npoints = [[0, 0, 0], "100 0 0 mm", [0, 1, 0]]\n',
    ],
    ids=["in a row", "in a table of its own", "its outline in a table too"],
)
def test_the_outline_of_an_opening_is_changed_wherever_it_stands(draft, written):
    draft.put("the text", draft.text.replace("\n[[region.ply]]", f"{written}\n[[region.ply]]"))
    found = area_points(draft.document().unwrap()["region"][0])
    assert [p.name for p in found] == [f"Point {k} of opening 1" for k in (1, 2, 3)]
    np.testing.assert_allclose([p.at_mm for p in found], [[0, 0, 0], [100, 0, 0], [0, 1000, 0]])
    points = np.array([[0, 0, 0], [120, 5, 0], [0, 1000, 0], [-20, 300, 0.5]])
    draft.change("more", lambda d: put_member_outline(d, "panel", "minus", 0, points))
    region = draft.job().regions[0]
    np.testing.assert_allclose(region.minus[0].outline_mm, points)
    assert (region.minus[0].margin_mm, region.corner.laps_mm, len(region.plies)) == (5.0, (60.0, 40.0), 1)
    assert "# a hatch" in draft.text


def test_points_of_areas_that_cannot_be_read_are_left_out():
    spot = {"spot": {"point": "1 2 3 mm", "radius": "9 mm"}}
    row = {"minus": [{"outline": {"points": [[1, 2]]}}, "nothing", spot], "plus": [{"face": {"seed": "4 5 6 mm"}}]}
    assert [(p.name, p.path) for p in area_points(row)] == [
        ("Middle of opening 3", ("minus", 2, "spot", "point")),
        ("On the face of added area 1", ("plus", 0, "face", "seed")),
    ]
    assert area_points({"minus": "nothing"}) == []


def test_a_warp_line_of_two_points_is_shown(draft):
    np.testing.assert_allclose(warp_points({"warp": ["0 0 0 mm", "1 0 0 m"]}), [[0, 0, 0], [1000, 0, 0]])
    for warp in ("forward", ["0 0 0 mm"], ["0 0 0 mm", "there"]):
        assert warp_points({"warp": warp}) is None
    _say(draft, "outline")
    draft.change("up", lambda d: put_region_key(d, "panel", "warp", "up"))
    assert draft.job().regions[0].warp == "up"
