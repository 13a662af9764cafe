"""Pictures: drawn without a window, small, faithful in place and colour."""

import io
from dataclasses import replace

import numpy as np
import plans
import pytest
from PIL import Image

from plyflat.report.faults import MOST_MARKS, places_of
from plyflat.report.hull import scale_top
from plyflat.report.layout import side_by_side
from plyflat.report.lays import lay_rows
from plyflat.report.pictures import draw_pictures
from plyflat.report.scene import Scene, View, corner_values, lifted, look_at, seen_share, thinned
from plyflat.report.style import steps
from plyflat.surface.mesh import Repair, Surface

X, Y, Z = np.eye(3)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


@pytest.fixture(scope="module")
def drawn(plan):
    told = []
    pictures = draw_pictures(plan, progress=lambda stage, done: told.append((stage, done)))
    assert [d for _, d in told] == sorted(d for _, d in told)
    return {p.name: p for p in pictures}


def pixels(picture):
    return np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB")).astype(int)


def test_there_is_one_of_each_kind(drawn):
    stem = "Bug-Sud-keel-aft"
    plies = [f"{stem}_{p}_{k}" for p in ("P1", "P2") for k in ("strain-hull", "strain", "templates")]
    bag = [f"{stem}_{k}" for k in ("hull", "bag-hull", "bag-section", "peel-ply_templates", "bag-film_templates")]
    lays = [f"{m}_lay_1" for m in ("carbon-twill-200", "peel-ply-85", "bag-film-50")]
    assert sorted(drawn) == sorted([*plies, *bag, *lays, "hull_faults"])
    assert all(p.alt and p.title for p in drawn.values())


def test_they_are_small_and_of_one_width(drawn):
    for picture in drawn.values():
        assert len(picture.png) < 400_000
        assert Image.open(io.BytesIO(picture.png)).size[0] == 1080


def test_nothing_touches_the_edge_of_the_paper(drawn):
    """What is clipped would leave ink on the outermost pixels; the hull may run out of its frame on the left."""
    for name, picture in drawn.items():
        image = pixels(picture)
        edges = [image[0], image[-1], image[:, -1]] + ([] if "hull" in name else [image[:, 0]])
        assert all((edge > 250).all() for edge in edges), name


def test_hatching_shows_only_where_the_limit_is_passed(plan, drawn):
    """A grey print must still tell: the same strain below its limit has fewer dark pixels in the same place."""
    from plyflat.report.strain import strain_map

    region, ply = plan.regions[0], plan.regions[0].plies[0]
    calm = replace(ply, strain=replace(ply.strain, limit=0.05, over_share=0.0))
    bright = [pixels(p).sum(axis=2) for p in (strain_map(region, ply), strain_map(region, calm))]
    dark = [(b[430:680, 560:760] < 200).mean() for b in bright]
    assert dark[0] > dark[1] + 0.1


def test_steps_of_colour_get_lighter_and_stay_off_white():
    for count in (1, 2, 7):
        light = [int(c[1:3], 16) * 0.3 + int(c[3:5], 16) * 0.59 + int(c[5:], 16) * 0.11 for c in steps(count)]
        assert light == sorted(light)
        assert len(set(steps(count))) == count
        assert light[-1] < 200


def test_scale_holds_the_limit_inside():
    assert scale_top(0.0, 0.03) == pytest.approx(0.042)
    assert scale_top(0.06, 0.03) == pytest.approx(0.06)
    assert scale_top(5.0, 0.03) == pytest.approx(0.09)


def cube(size=100.0):
    from shapes import box

    return Surface(*box(size=(size, size, size)))


def square_view(back, right, half=100.0):
    return View(np.zeros(3), right, np.cross(back, right), back, half, half)


def test_a_picture_shows_the_view_that_was_asked_for():
    """The red marker block stands at +x: it must come out to the right, then, seen from behind, to the left."""
    marker = Surface(cube(30.0).vertices_mm + 60 * X, cube().faces)
    with Scene(200, 200) as scene:
        scene.add(cube(20.0))
        scene.add(marker, colour="red", shaded=False)
        for right, back in ((X, Z), (-X, -Z), (X, Z)):
            shot = scene.shoot(square_view(back, right), 500.0)
            image = shot.image.astype(int)
            red = np.argwhere((image[:, :, 0] > 200) & (image[:, :, 1] < 60))
            assert len(red) == pytest.approx(30.0 * 30.0, rel=0.08)  # 1 mm a pixel
            middle = red.mean(axis=0)[::-1] + 0.5
            assert middle == pytest.approx(shot.pixels(60 * X)[0], abs=1.0)


def test_hidden_points_are_known():
    with Scene(200, 200) as scene:
        scene.add(cube())
        shot = scene.shoot(square_view(Z, X), 500.0)
    points = np.array([50 * Z, -50 * Z, 80 * X - 50 * Z, 500 * X])
    assert shot.seen(points, slack_mm=1.0).tolist() == [True, False, True, False]


def test_a_scene_can_be_cleared():
    with Scene(60, 60) as scene:
        scene.add(cube(), colour="black", shaded=False)
        assert (scene.shoot(square_view(Z, X), 500.0).image < 50).any()
        scene.clear()
        assert (scene.shoot(square_view(Z, X), 500.0).image > 250).all()


@pytest.mark.parametrize("normal", [Y, -Y])
def test_a_side_is_seen_upright(normal):
    side = _plate(normal)
    view = look_at(side, forward=X, up=Z, tilt_deg=20.0, side=1)
    assert view.up @ Z > 0.9
    assert view.back @ normal > 0.9
    assert np.cross(view.right, view.up) == pytest.approx(view.back, abs=1e-12)


@pytest.mark.parametrize("side", [1, -1])
def test_a_corner_of_three_walls_is_seen_with_its_upright_edge_upright(side):
    normal = np.array([1.0, 1.0, 1.0]) / np.sqrt(3.0)
    view = look_at(_plate(normal), forward=X, up=Z, tilt_deg=20.0, side=side)
    assert abs(view.right @ Z) < 1e-9
    assert view.up @ Z > 0.4
    assert view.back @ normal > 0.9
    assert np.cross(view.right, view.up) == pytest.approx(view.back, abs=1e-12)


@pytest.mark.parametrize("normal", [Z, -Z])
def test_a_bottom_is_seen_from_both_sides_as_one_walks_round_it(normal):
    views = [look_at(_plate(normal), forward=X, up=Z, tilt_deg=48.0, side=side) for side in (1, -1)]
    for view in views:
        assert view.up @ Z > 0.6
        assert view.back @ normal > 0.6
        assert np.cross(view.right, view.up) == pytest.approx(view.back, abs=1e-12)
    # The bow is to the right from one side, to the left from the other.
    assert sorted(view.right @ X for view in views) == pytest.approx([-1.0, 1.0])


@pytest.mark.parametrize("normal", [Z, -Z])
def test_square_to_a_bottom_the_bow_is_to_the_right(normal):
    assert look_at(_plate(normal), forward=X, up=Z, tilt_deg=0.0, side=1).right @ X > 0.9


def _plate(normal):
    a = np.cross(normal, [0.3, 0.5, 0.8])
    a /= np.linalg.norm(a)
    b = np.cross(normal, a)
    points = 100 * np.array([-a - b, a - b, a + b, -a + b])
    return Surface(points, [[0, 1, 2], [0, 2, 3]])


def test_share_that_faces_the_eye():
    view = square_view(Z, X)
    assert seen_share(cube(), view) == pytest.approx(1 / 6)
    assert seen_share(_plate(Z), view) == 1.0


def test_thinned_keeps_small_meshes_and_thins_large_ones():
    surface, _ = plans.cylinder()
    assert thinned(surface) is surface
    thin = thinned(surface, most=len(surface.faces) // 4)
    assert len(thin.faces) <= len(surface.faces) // 4 + 2
    assert thin.area_mm2 == pytest.approx(surface.area_mm2, rel=2e-3)


def test_lifted_goes_to_the_air_side():
    surface, _ = plans.cylinder()
    radius = np.hypot(*lifted(surface, 2.0).vertices_mm[:, 1:].T)
    assert radius == pytest.approx(plans.RADIUS_MM + 2.0, abs=0.01)


def test_corner_values_of_a_constant_are_that_constant():
    surface, _ = plans.cylinder()
    assert corner_values(surface, np.full(len(surface.faces), 0.02)) == pytest.approx(0.02)


def test_long_lays_are_cut_into_equal_rows():
    assert lay_rows(1000.0, 1270.0) == [(0.0, 1000.0)]
    rows = lay_rows(9000.0, 1000.0)
    assert rows[0][0] == 0.0
    assert rows[-1][1] == pytest.approx(9000.0)
    assert len({round(b - a, 6) for a, b in rows}) == 1
    assert all(b - a <= 2.3 * 1000 * 1.2 for a, b in rows)


def test_shapes_side_by_side_do_not_touch():
    shapes = [np.array([[0, 0], [100, 0], [100, 10], [0, 10.0]]), np.array([[5, 5], [90, 5], [90, 40.0]])]
    size, shifts = side_by_side(shapes)
    moved = [s + d for s, d in zip(shapes, shifts)]
    assert moved[1][:, 1].min() > moved[0][:, 1].max()
    assert np.max([m.max(axis=0) for m in moved], axis=0) == pytest.approx(size)


def test_many_pieces_and_a_long_lay_make_more_pictures(plan):
    from plyflat.report.flat import template_pictures
    from plyflat.report.lays import lay_pictures

    piece = plan.regions[0].plies[1].templates[0]
    names = [p.name for p in template_pictures("r", "P9", [piece] * 7, notch_mm=6.0)]
    assert names == [f"r_P9_templates_{k}" for k in (1, 2, 3)]
    roll = plan.rolls[1]
    lay = replace(roll.lays[0], length_mm=40_000.0)
    names = [p.name for p in lay_pictures(replace(roll, lays=(lay,)))]
    assert len(names) == len(set(names)) > 1


def test_faults_are_marked_where_they_are(plan, drawn):
    """The mark of a fault hides some of the hull; without the fault there is no picture at all."""
    from plyflat.report.faults import fault_picture

    mesh = plan.meshes[0]
    clean = replace(mesh, surface=replace(mesh.surface, repairs=()))
    assert fault_picture(plan, clean) is None
    top = mesh.surface.vertices_mm[np.argmax(mesh.surface.vertices_mm[:, 2])]
    left = Repair("steps left as they are", 3, where_mm=tuple(top), severity="left")
    marked = fault_picture(plan, replace(mesh, surface=replace(mesh.surface, repairs=(left,))))
    assert "steps left as they are: 3" in marked.alt
    dark = np.array([11, 39, 88])  # the darkest shade; the legend has one such mark, the hull another
    seen = (np.abs(pixels(marked) - dark).sum(axis=2) < 60)[:700].sum()
    assert seen > 60


def test_no_more_marks_than_a_page_can_bear():
    many = Repair("spikes", 500, places_mm=tuple((float(k), 0.0, 0.0) for k in range(500)))
    assert len(places_of(many)) == MOST_MARKS
    assert len(places_of(Repair("none", 1))) == 0


# -- strain along the yarns, cuts and overlaps -----------------------------------------------------------------------
def test_maps_along_the_yarns_stand_below_the_large_one(plan):
    from plyflat.report.strain import strain_map

    region, ply = plan.regions[0], plan.regions[0].plies[0]
    plain, full = strain_map(region, ply), strain_map(region, plans.with_yarns(ply))
    assert pixels(full).shape[0] > pixels(plain).shape[0] + 300
    assert "Along the warp -" in full.alt
    assert "shear up to" in full.alt
    assert "Along the warp" not in plain.alt
    assert len(full.png) < 400_000
    edges = [pixels(full)[k] for k in (0, -1)] + [pixels(full)[:, k] for k in (0, -1)]
    assert all((edge > 250).all() for edge in edges)


def test_the_yarns_limit_is_hatched_both_ways(plan):
    """A grey print must tell pulled from puckered: below the limit there are fewer dark pixels in both maps."""
    from plyflat.report.strain import strain_map

    region, ply = plan.regions[0], plan.regions[0].plies[0]
    hard = pixels(strain_map(region, plans.with_yarns(ply))).sum(axis=2)
    calm = replace(plans.with_yarns(ply), strain=replace(ply.strain, limit=0.2))
    soft = pixels(strain_map(region, calm)).sum(axis=2)
    rows = slice(-560, -200)
    for columns in (slice(0, 350), slice(350, 700)):
        assert (hard[rows, columns] < 200).mean() > 1.3 * (soft[rows, columns] < 200).mean()


def test_before_and_after_stand_at_one_scale_with_their_shares(plan):
    from plyflat.report.strain import before_and_after

    region, ply = plan.regions[0], plans.with_patch(plan.regions[0].plies[0])
    picture = before_and_after(region, ply)
    assert picture.about == ("before and after", region.name, "P1")
    for name, share in (("Uncut", ply.over_uncut), ("Cut", ply.strain.over_share)):
        assert f"{name}: {100 * share:.0f} % of the area" in picture.alt or f"{name}: {100 * share:.1f} % of the area" in picture.alt
    assert ply.over_uncut > ply.strain.over_share
    assert len(picture.png) < 400_000


def test_a_place_that_lies_over_itself_is_crossed(plan):
    from plyflat.report.strain import strain_map

    region, ply = plan.regions[0], plan.regions[0].plies[0]
    middle = ply.pieces[0].flat.uv_mm.mean(axis=0)
    hit = replace(ply.pieces[0], overlaps_mm=(np.zeros((2, 3)),), overlaps_at_mm=middle[None])
    bare, crossed = (pixels(strain_map(region, q)) for q in (ply, replace(ply, pieces=(hit, *ply.pieces[1:]))))
    changed = np.abs(bare - crossed).sum(axis=2) > 100
    assert 300 < changed.sum() < 20_000


def test_the_page_says_the_bound_the_angle_and_the_yarns(plan):
    from plyflat.report.page import report_html

    region = plan.regions[0]
    ply = plans.with_patch(plans.with_yarns(region.plies[0]))
    page = report_html(replace(plan, regions=(replace(region, plies=(ply, *region.plies[1:])),)), ())
    text = " ".join(page.split())
    for words in (
        "A and B, before cuts", "12 %", "15 %", "3.0 % (", "ring of radius 321 mm", "5.1 % (", "-23°", "-12°",
        "gussets letting in 12°", "more than 20 mm from the edge", "smoothed over 12 mm: no proof",
        "Along the yarns: stretch of warp and weft, and shear", "for shapes without cuts",
    ):  # fmt: skip
        assert words in text, words


def test_pieces_lie_over_squares_that_are_counted_from_their_corner(plan):
    from matplotlib.figure import Figure

    from plyflat.report.flat import _grid, _grid_mm

    piece = next(t for t in plan.regions[0].plies[0].templates if t.cut.interiors)
    x0, y0, x1, y1 = piece.cut.bounds
    axes = Figure().add_subplot()
    _grid(axes, piece)
    step, length = _grid_mm(piece), 0.0
    assert max(x1 - x0, y1 - y0) >= 6 * step
    for line in axes.lines:
        (xa, xb), (ya, yb) = line.get_data()
        off = (xa - x0) if xa == xb else (ya - y0)
        assert off % step == pytest.approx(0.0, abs=1e-6) or off % step == pytest.approx(step, abs=1e-6)
        length += abs(xb - xa) + abs(yb - ya)
    # Lines a step apart cover an area once each way: openings are left out.
    assert length == pytest.approx(2 * piece.cut.area / step, rel=0.12)
