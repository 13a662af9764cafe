"""Where the cloth goes: every way a job can say it, on shapes whose areas are known."""

import ezdxf
import jobs
import numpy as np
import pytest
import shapes
from jobs import PLY

from plyflat.errors import OutlineError
from plyflat.job.reader import job_from_text
from plyflat.placing import place, reaches_mm, way_of
from plyflat.plan import _putty_g
from plyflat.surface.mesh import Surface

SHOP = (
    jobs.GLASS + jobs.FILM + jobs.BREATHER + jobs.TAPE
    + """\
[boat]
centre = "500 350 0 mm"
[bag.plain]
breather = { material = "breather", margin = "30 mm" }
tape = { material = "tape", margin = "40 mm" }
film = { material = "film", margin = "20 mm" }
"""
)  # fmt: skip


def job_of(text, plies):
    """A job whose first region is said by a text."""
    return job_from_text(jobs.head("places", "none.stl", region="area") + text + plies + SHOP)


def placed(text, surface, *, plies=PLY):
    """Place the first region of a job on a surface."""
    job = job_of(text, plies)
    return place(job, job.regions[0], {"hull": surface}, others={})


@pytest.fixture(scope="module")
def sheet():
    v, f = shapes.rectangle(1000.0, 700.0, triangles=3000)
    return Surface(np.column_stack([v[:, :2], np.zeros(len(v))]), f)


@pytest.fixture(scope="module")
def post():
    return Surface(*shapes.post_on_plate(radius=100.0, height=120.0, reach=200.0, around=96, along=40))


SQUARE = jobs.outline((200, 200, 0), (400, 200, 0), (400, 400, 0), (200, 400, 0)) + "\n"


def test_an_outline_and_its_plies(sheet):
    found = placed(SQUARE, sheet, plies=PLY + PLY + 'grow = "10 mm"\n')
    assert found.way == "outline"
    assert found.base.area_mm2 == pytest.approx(200**2, rel=1e-6)
    assert found.plies[1].area_mm2 == pytest.approx(200**2 + 4 * 200 * 10 + np.pi * 10**2, rel=2e-3)
    assert found.grow_mm == (0.0, 10.0)
    assert found.beyond == {}


def test_layers_of_the_bag_reach_beyond_the_largest_ply(sheet):
    found = placed('bag = "plain"\n' + SQUARE, sheet, plies=PLY + 'grow = "10 mm"\n')
    assert sorted(found.beyond) == [30.0, 40.0, 60.0]
    side, reach = 200.0, 10.0 + 60.0
    assert found.beyond[60.0].area_mm2 == pytest.approx(side**2 + 4 * side * reach + np.pi * reach**2, rel=2e-3)
    assert reaches_mm(None) == []


@pytest.mark.parametrize(("order", "grow"), [("smallest first", (0.0, 12.0, 24.0)), ("largest first", (24.0, 12.0, 0.0))])
def test_steps_from_ply_to_ply(sheet, order, grow):
    found = placed(SQUARE + f'steps = {{ step = "12 mm", order = "{order}" }}\n', sheet, plies=3 * PLY)
    assert found.grow_mm == pytest.approx(grow)
    areas = [q.area_mm2 for q in found.plies]
    assert areas == sorted(areas, reverse=order == "largest first")


def test_a_taper_goes_by_the_plies_thickness(sheet):
    # 300 g/m² of glass at half resin by mass: 300/2560 + 300/1150 mm = 0.378 mm (the table of mass balances).
    found = placed(SQUARE + 'steps = { taper = "20:1" }\n', sheet, plies=2 * PLY)
    assert found.grow_mm[1] - found.grow_mm[0] == pytest.approx(20 * 0.378, rel=2e-3)


def test_an_opening_stays_clear_of_every_ply_by_its_own_margin(sheet):
    text = SQUARE + 'minus = [{ spot = { point = "300 300 0 mm", radius = "20 mm" }, margin = "10 mm" }]\n'
    found = placed('bag = "plain"\n' + text, sheet, plies=PLY + PLY + 'grow = "15 mm"\n')
    hole = np.pi * 30**2
    for reach, layer in found.beyond.items():
        side, out = 200.0, 15.0 + reach
        assert layer.area_mm2 == pytest.approx(side**2 + 4 * side * out + np.pi * out**2 - hole, rel=2e-3)
    assert found.base.area_mm2 == pytest.approx(200**2 - hole, rel=2e-3)
    full = 200**2 + 4 * 200 * 15 + np.pi * 15**2
    assert found.plies[1].area_mm2 == pytest.approx(full - hole, rel=2e-3)
    assert all(len(q.loops) == 2 for q in found.plies)


def test_an_opening_that_misses_the_region_is_an_error(sheet):
    with pytest.raises(OutlineError, match="outside region 'area'"):
        placed(SQUARE + 'minus = [{ spot = { point = "800 300 0 mm", radius = "20 mm" } }]\n', sheet)


def test_areas_are_added_rounded_and_split(sheet):
    more = SQUARE + (
        'plus = [{ outline = { unit = "mm", points = [[350, 250, 0], [500, 250, 0], [500, 350, 0], [350, 350, 0]] } }]\n'
    )
    assert placed(more, sheet).base.area_mm2 == pytest.approx(200**2 + 100 * 100, rel=1e-5)
    round_ = placed(SQUARE + 'round = "30 mm"\n', sheet).base.area_mm2
    assert round_ == pytest.approx(200**2 - (4 - np.pi) * 30**2, rel=2e-3)
    split = placed(SQUARE + 'split = { line = ["100 260 0 mm", "600 260 0 mm"], keep = "300 220 0 mm" }\n', sheet)
    assert split.base.area_mm2 == pytest.approx(200 * 60, rel=1e-5)


def test_a_drawing_is_laid_on_the_hull(sheet):
    text = (
        'drawn = { origin = "100 100 0 mm", x = [1, 0, 0], y = [0, 1, 0], '
        'outline = { unit = "cm", points = [[0, 0], [20, 0], [20, 10]] } }\n'
    )
    found = placed(text, sheet)
    assert found.way == "drawn"
    assert found.base.area_mm2 == pytest.approx(0.5 * 200 * 100, rel=1e-5)


def test_a_drawing_without_axes_is_seen_from_starboard():
    """Its x runs forward and its y up, so who looks at it face on stands to starboard: on the side of -y."""
    port_wall, starboard_wall = 300.0, 100.0
    x, z = np.meshgrid(np.linspace(0, 400, 9), np.linspace(0, 200, 5), indexing="ij")
    k = np.arange(8)[:, None] * 5 + np.arange(4)
    f = np.concatenate([np.stack([k, k + 5, k + 6], -1).reshape(-1, 3), np.stack([k, k + 6, k + 1], -1).reshape(-1, 3)])
    walls = [np.stack([x, np.full_like(x, y), z], -1).reshape(-1, 3) for y in (starboard_wall, port_wall)]
    both = Surface(np.concatenate(walls), np.concatenate([f, f[:, ::-1] + 45]))
    drawing = 'drawn = { origin = "0 0 0 mm", side = "%s", outline = { unit = "mm", points = [[50, 50], [150, 50], [150, 100]] } }\n'
    for side, wall in (("near", starboard_wall), ("far", port_wall)):
        found = placed(drawing % side, both)
        assert found.base.area_mm2 == pytest.approx(0.5 * 100 * 50, rel=1e-6)
        assert found.base.surface.vertices_mm[:, 1] == pytest.approx(wall)
        assert found.base.surface.vertices_mm[:, 0].max() == pytest.approx(150.0, abs=1e-6)


def test_a_drawing_from_a_file_is_laid_on_the_hull(sheet, tmp_path):
    made = ezdxf.new(units=4)  # $INSUNITS 4: millimetres (DXF reference)
    page = made.modelspace()
    page.add_lwpolyline([(0, 0), (200, 0), (200, 150), (0, 150)], close=True, dxfattribs={"layer": "cut"})
    page.add_circle((100, 75), 30, dxfattribs={"layer": "cut"})
    page.add_circle((500, 75), 30, dxfattribs={"layer": "notes"})
    made.saveas(tmp_path / "plan.dxf")
    file = (tmp_path / "plan.dxf").as_posix()
    text = f'drawn = {{ file = "{file}", layer = "cut", origin = "100 100 0 mm", x = [1, 0, 0], y = [0, 1, 0] }}\n'
    found = placed(text, sheet)
    assert found.base.area_mm2 == pytest.approx(200 * 150 - np.pi * 30**2, rel=1e-4)
    assert len(found.base.loops) == 2


def test_a_mirror_image_has_the_others_plies_turned_the_other_way(sheet):
    other = (
        '[[region]]\nname = "image"\nmesh = "hull"\nmirror_of = "area"\n'
    )
    job = job_of(SQUARE, PLY.replace("0 deg", "30 deg") + other)
    first = place(job, job.regions[0], {"hull": sheet}, others={})
    image = place(job, job.regions[1], {"hull": sheet}, others={"area": first})
    assert job.regions[1].plies[0].angle_deg == -30.0
    assert image.base.area_mm2 == pytest.approx(first.base.area_mm2, rel=1e-6)
    # The centre plane is y = 350: what lies from 200 to 400 on one side lies from 300 to 500 on the other.
    assert image.base.surface.vertices_mm[:, 1].min() == pytest.approx(300.0, abs=1e-6)
    assert image.base.surface.vertices_mm[:, 1].max() == pytest.approx(500.0, abs=1e-6)


def test_a_corner_has_laps_up_both_sides(post):
    text = 'corner = { seed = "100 0 0 mm", laps = ["60 mm", "40 mm"], first = "200 0 0 mm" }\nwarp = "corner"\n'
    found = placed(text, post, plies=PLY + PLY + 'laps = ["80 mm", "50 mm"]\n')
    r = 100.0
    assert found.corner.closed
    assert found.laps_mm == ((60.0, 40.0), (80.0, 50.0))
    for (out, high), ply in zip(found.laps_mm, found.plies):
        exact = np.pi * ((r + out) ** 2 - r**2) + 2 * np.pi * r * high
        assert ply.area_mm2 == pytest.approx(exact, rel=3e-3)
    assert isinstance(found.spec.warp, tuple)


def test_a_fillet_takes_the_corners_place(post):
    text = 'corner = { seed = "100 0 0 mm", laps = ["60 mm", "60 mm"], fillet = { radius = "15 mm" } }\n'
    found = placed(text, post)
    # Pappus: the section 0.214602 r² goes round at the radius of its centroid, Rt + 0.223368 r.
    exact = 2 * np.pi * (100 + 0.223368 * 15) * 0.214602 * 15**2
    assert found.fillet.volume_mm3 == pytest.approx(exact, rel=0.01)
    # The laps count from the fillet's middle, an eighth of a turn of the ball from either wall.
    bare = placed(text.replace(', fillet = { radius = "15 mm" }', ""), post)
    assert found.base.area_mm2 > bare.base.area_mm2


def test_putty_to_mix_is_what_stays_and_what_the_tools_keep(post):
    text = (
        'corner = { seed = "100 0 0 mm", laps = ["60 mm", "60 mm"], '
        'fillet = { radius = "15 mm", density = "0.8 g/cm^3", loss = "25 %" } }\n'
    )
    found = placed(text, post)
    mix, stays = _putty_g(found.spec, found)
    # Pappus, as above: 31.3 cm³ of putty at 0.8 g/cm³, and a quarter more for the tools.
    exact = 0.8e-3 * 2 * np.pi * (100 + 0.223368 * 15) * 0.214602 * 15**2
    assert stays == pytest.approx(exact, rel=0.01)
    assert mix == pytest.approx(1.25 * stays)
    bare = placed('spot = { point = "200 0 0 mm", radius = "20 mm" }\n', post)
    assert _putty_g(bare.spec, bare) == (0.0, 0.0)


def test_which_way_an_area_is_said_in():
    job = job_of('spot = { point = "0 0 0 mm", radius = "20 mm" }\n', PLY)
    assert way_of(job.regions[0]) == "spot"
