from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapes
from shapely import affinity

from plyflat.cloth._net_lay import lay
from plyflat.cloth.drape import drape, drape_of
from plyflat.cloth.draped import drape_piece, draped_flat, seam_bed
from plyflat.cloth.flatten import flatten
from plyflat.cloth.marks import first_threads
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import make_templates
from plyflat.cloth.splice import split_for_roll
from plyflat.cloth.template import check_template
from plyflat.errors import CheckError, SolveError
from plyflat.surface.coarsen import coarsen
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


def corner_sheet():
    """A right triangle with legs of 300 and 180 mm in z = 0, air above: nothing of it looks like its mirror image."""
    v, f = shapes.rectangle(300.0, 180.0, 3000)
    middle = v[f].mean(axis=1)
    return region_of(Surface(np.column_stack([v, 0 * v[:, 0]]), f), middle[:, 0] / 300 + middle[:, 1] / 180 < 1)


def template_of(draped, **options):
    made = make_templates(
        Opened((draped.drape.surface,)), [draped.flat], region="r", ply="P1", material="m", lap_mm=0, trim_mm=0, **options
    )
    return made[0]


def outline_of(surface):
    return shapely.Polygon(surface.vertices_mm[surface.boundary_loops[0], :2])


def unlike(one, other):
    """Area by which two outlines differ when their middles are brought together, as a share."""
    a, b = (affinity.translate(p, -p.centroid.x, -p.centroid.y) for p in (one, other))
    return a.symmetric_difference(b).area / a.area


# -- the first threads on the table -----------------------------------------------------------------------------------
def ends_of(line):
    return np.asarray(line.coords)[[0, -1]]


@pytest.mark.parametrize("face_up", ["out", "in"])
def test_first_threads_and_start_of_a_sheet_lie_where_they_are_on_it(face_up):
    s = corner_sheet()
    laid = draped_flat(drape(s, [80, 50, 0], [1, 0, 0]))
    t = template_of(laid, warp=[1, 0, 0], face_up=face_up)
    x0, y0, _, y1 = t.net.bounds
    start = (x0 + 80, y0 + 50 if face_up == "out" else y1 - 50)
    assert (t.start.x, t.start.y) == pytest.approx(start, abs=1e-3)
    (warp,), (weft,) = t.warp_thread, t.weft_thread
    # The legs lie along the axes: the hypotenuse ends the warp at 300 (1 - 50 / 180), the weft at 180 (1 - 80 / 300).
    # Its own edge is a saw of triangles.
    assert ends_of(warp)[0] == pytest.approx([x0, start[1]], abs=1e-3)
    assert ends_of(warp)[1] == pytest.approx([x0 + 216.7, start[1]], abs=8)
    lengths = np.abs(ends_of(weft)[:, 1] - start[1])
    assert sorted(lengths) == pytest.approx([50, 82], abs=8)


@pytest.mark.parametrize("threads_too", [False, True])
def test_triangles_read_upside_down_are_placed_anew_where_they_are_few(threads_too):
    s = corner_sheet()
    d = drape(s, [80, 50, 0], [1, 0, 0])
    true = draped_flat(d).flat.uv_mm
    # A handful of vertices amid the piece and at its edge, read 15 mm off to anywhere, and with them their threads.
    rng = np.random.default_rng(4)
    rim = d.surface.boundary_loops[0]
    at = np.r_[rim[[20, 60]], np.linalg.norm(d.surface.vertices_mm - [90, 60, 0], axis=1).argmin()]
    uv, warp, weft = d.uv_mm.copy(), d.warp.copy(), d.weft.copy()
    uv[at] += 15 * rng.choice([-1, 1], (len(at), 2))
    if threads_too:
        warp[at], weft[at] = -warp[at], -weft[at]
    laid = draped_flat(replace(d, uv_mm=uv, warp=warp, weft=weft))
    assert not laid.flat.flipped.any()
    assert 0 < laid.carried_mm2 < 0.1 * s.surface.area_mm2
    assert np.abs(laid.flat.uv_mm - true - (laid.flat.uv_mm - true).mean(axis=0)).max() < 0.5
    assert laid.area.off < 1e-3


def test_flattened_pieces_have_no_first_threads():
    s = corner_sheet().surface
    made = make_templates(Opened((s,)), [flatten(s)], region="r", ply="P1", material="m", warp=[1, 0, 0])[0]
    assert made.start.is_empty
    assert made.warp_thread == made.weft_thread == ()


def test_first_threads_go_on_in_the_parts_of_a_split_piece():
    laid = draped_flat(drape(corner_sheet(), [80, 50, 0], [1, 0, 0]))
    t = template_of(laid, warp=[1, 0, 0])
    parts = split_for_roll(t, width_mm=110.0, length_mm=180.0, lap_mm=10.0).parts
    assert len(parts) > 2
    assert sum(not p.start.is_empty for p in parts) == 1
    for whole, name in ((t.warp_thread, "warp_thread"), (t.weft_thread, "weft_thread")):
        runs = [g for p in parts for g in getattr(p, name)]
        assert shapely.union_all(runs).length == pytest.approx(whole[0].length, rel=1e-9)
        assert sum(g.length for g in runs) == pytest.approx(whole[0].length, rel=1e-9)


def test_a_thread_that_leaves_a_piece_and_comes_back_is_drawn_again_but_not_beyond_a_slit():
    hook = shapely.Polygon([(0, 0), (100, 0), (100, 60), (70, 60), (70, 20), (30, 20), (30, 60), (0, 60)])
    start = shapely.Point(10, 40)
    warp, weft = first_threads(hook, start)
    assert [g.bounds for g in warp] == [(0, 40, 30, 40), (70, 40, 100, 40)]
    assert [g.bounds for g in weft] == [(10, 0, 10, 60)]
    # With the gap between the arms a slit that opens, what lies beyond hangs together with the start some other way.
    slit = [shapely.LineString([(30, 60), (30, 20)]), shapely.LineString([(70, 20), (70, 60)])]
    warp, weft = first_threads(hook, start, slit)
    assert [g.bounds for g in warp] == [(0, 40, 30, 40)]
    assert len(weft) == 1
    # A start off the piece.
    assert [g.bounds for g in first_threads(hook, shapely.Point(50, 40))[0]] == [(0, 40, 30, 40), (70, 40, 100, 40)]


@pytest.mark.parametrize(("change", "says"), [
    ({"warp_thread": (shapely.LineString([(-50, 0), (50, 0.1)]),)}, "not run straight"),
    ({"weft_thread": (shapely.LineString([(0, 0), (0, 900)]),)}, "leaves the piece"),
    ({"start": shapely.Point(0, 5)}, "off"),
    ({"start": shapely.Point(900, 0), "warp_thread": (), "weft_thread": ()}, "outside"),
])
def test_first_threads_that_cannot_be_are_not_let_out(change, says):
    t = template_of(draped_flat(drape(corner_sheet(), [80, 50, 0], [1, 0, 0])), warp=[1, 0, 0])
    check_template(t)
    with pytest.raises(CheckError, match=says):
        check_template(replace(t, **change))


# -- which face is up ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("angle", [0, 30, -60])
def test_template_is_the_piece_seen_from_the_air_and_its_mirror_image_only_when_asked_for(angle):
    s = corner_sheet()
    laid = draped_flat(drape(s, [80, 50, 0], [1, 0, 0], turn_deg=angle))
    seen = affinity.rotate(outline_of(s.surface), -angle, origin=(0, 0))
    mirrored = affinity.scale(seen, 1, -1)
    out = template_of(laid, warp=[1, 0, 0], angle_deg=angle, face_up="out")
    under = template_of(laid, warp=[1, 0, 0], angle_deg=angle, face_up="in")
    assert unlike(out.net, seen) < 1e-4
    assert unlike(under.net, mirrored) < 1e-4
    assert unlike(out.net, mirrored) > 0.1
    assert unlike(under.net, seen) > 0.1


def test_a_surface_turned_over_gives_the_mirror_image():
    s = corner_sheet()
    parent = s.parent
    other = region_of(Surface(parent.vertices_mm, parent.faces[:, ::-1]), s.inside)
    one, two = (draped_flat(drape(q, [80, 50, 0], [1, 0, 0])) for q in (s, other))
    assert np.abs(one.flat.uv_mm * [1, -1] - two.flat.uv_mm).max() < 1e-6
    assert not one.flat.flipped.any()
    assert not two.flat.flipped.any()


def test_warp_runs_along_x_whatever_the_stated_line_does_over_the_piece():
    v, f = shapes.cap(50, 500.0, triangles=4000)
    s = Surface(v, f)
    # The stated line, dropped on a dome far from the start, would turn a flattened piece by some degrees.
    laid = draped_flat(drape(s, [200, 150, 433], [1, 0, 0], turn_deg=25))
    made = template_of(laid, warp=[1, 0, 0], angle_deg=25)
    assert shapely.Polygon(laid.flat.uv_mm[s.boundary_loops[0]]).equals_exact(made.net, 0.02)
    assert made.warp_spread_deg > 1
    assert np.percentile(np.abs(laid.along_threads - 1), 99) < 0.02


# -- pieces ----------------------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def cap_on_sphere():
    v, f = shapes.cap(90, 1000.0, triangles=30000)
    middle = v[f].mean(axis=1)
    return region_of(Surface(v, f), middle[:, 2] > np.cos(np.radians(45)) * np.linalg.norm(middle, axis=1))


def test_a_piece_with_a_mesh_of_its_own_lies_as_in_the_whole(cap_on_sphere):
    whole = drape(cap_on_sphere, [0, 0, 1000], [1, 0, 0])
    half, used = cap_on_sphere.surface.sub(cap_on_sphere.surface.vertices_mm[cap_on_sphere.surface.faces].mean(axis=1)[:, 0] > 0)
    piece = coarsen(half, faces=2000).surface
    assert len(piece.faces) < 0.7 * len(half.faces)
    laid = drape_piece(piece, whole)
    at = np.linalg.norm(half.vertices_mm[None] - piece.vertices_mm[:, None], axis=2).argmin(axis=1)
    off = laid.flat.uv_mm - laid.start_uv_mm - whole.uv_mm[used[at]]
    assert np.abs(off).max() < 0.1
    assert laid.drape.cover == pytest.approx(1)
    # Of a coarser mesh the area is a little less; that of the template is none the less that of its sheared cloth.
    assert laid.area.off < 1e-3
    assert laid.drape.check.worst_deg < 0.3


def test_a_post_opened_by_one_seam_is_laid_all_round():
    v, f, flat = shapes.cylinder_developed(radius=60.0, wrap_deg=360.0, height=80.0, triangles=4000)
    post = Surface(v, f)
    left, right = (np.flatnonzero(np.abs(flat[:, 0] - x) < 1e-6) for x in (0.0, 120 * np.pi))
    assert np.abs(v[left[0]] - v[right]).sum(axis=1).min() < 1e-6
    bed = seam_bed(post)
    start = bed.start([-60, 0, 40], [0, 1, 0], turn_deg=0)
    laid = draped_flat(drape_of(lay(bed, start), least_cover=0))
    true = flat - [60 * np.pi, 40]
    # The warp runs against the development's first axis, and the weft against its second.
    uv = -(laid.flat.uv_mm - laid.start_uv_mm)
    assert np.abs(uv - true).max() < 0.2
    across = uv[right][:, None] - uv[left][None]
    assert np.abs(across - [120 * np.pi, 0]).sum(axis=2).min(axis=1).max() < 0.2
    assert laid.area.off < 5e-4


def test_without_the_seam_known_the_same_post_is_refused_or_right():
    v, f, _ = shapes.cylinder_developed(radius=60.0, wrap_deg=360.0, height=80.0, triangles=4000)
    with pytest.raises(SolveError, match=r"lies over itself|upside down|covers"):
        draped_flat(drape(Surface(v, f), [-60, 0, 40], [0, 1, 0], least_cover=0))


# -- what is read wrongly --------------------------------------------------------------------------------------------
def test_loose_vertices_are_placed_by_the_threads_beside_them():
    d = drape(corner_sheet(), [80, 50, 0], [1, 0, 0], turn_deg=20)
    s = d.surface
    lost = np.argsort(np.linalg.norm(s.vertices_mm - s.vertices_mm[s.boundary_loops[0][0]], axis=1))[:6]
    uv, covered = d.uv_mm.copy(), d.covered.copy()
    uv[lost] += [70.0, -40.0]
    covered[lost[:3]] = False
    laid = draped_flat(replace(d, uv_mm=uv, covered=covered, cover=0.995))
    off = laid.flat.uv_mm - laid.start_uv_mm - d.uv_mm
    assert np.abs(off).max() < 1e-6
    assert 0 < laid.carried_mm2 < 0.03 * s.area_mm2


def test_a_net_that_leaves_much_bare_is_refused_with_the_place():
    v, f = shapes.cap(60, 500.0, triangles=3000)
    d = drape(Surface(v, f), [0, 0, 500], [1, 0, 0])
    bare = v[:, 0] > 250
    with pytest.raises(SolveError, match=r"covers 90\.0 %") as caught:
        draped_flat(replace(d, covered=d.covered & ~bare, cover=0.9, uncovered_at_mm=v[bare][0]))
    assert caught.value.where


def test_threads_that_fold_are_refused():
    v, f = shapes.cap(60, 500.0, triangles=3000)
    d = drape(Surface(v, f), [0, 0, 500], [1, 0, 0])
    shear = d.shear_deg.copy()
    shear[7] = -88
    with pytest.raises(SolveError, match="fold over each other, 88 degrees"):
        draped_flat(replace(d, shear_deg=shear))
