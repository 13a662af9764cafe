import numpy as np
import pytest
import shapes

from plyflat.errors import OutlineError
from plyflat.surface import (
    Surface,
    cut_region,
    fill_openings,
    grow_region,
    grow_regions,
    signed_distance,
)
from plyflat.surface import region as region_module
from plyflat.surface._patch import NeedsWiderCrop
from plyflat.surface._smooth import work_copy
from plyflat.surface.region import outline_stray_mm

BOX = Surface(*shapes.box(size=(100.0, 100.0, 100.0)))
ON_TOP = [[-20, -20, 50], [20, -20, 50], [20, 20, 50], [-20, 20, 50]]


def plate(triangles=4000):
    p, f = shapes.rectangle(400.0, 300.0, triangles=triangles)
    return Surface(np.c_[p, 0 * p[:, 0]], f)


def ring(radius, middle=(200.0, 150.0), k=180, z=0.0):
    t = np.linspace(0, 2 * np.pi, k, endpoint=False)
    return np.c_[middle[0] + radius * np.cos(t), middle[1] + radius * np.sin(t), z + 0 * t]


def check_region(region):
    """One piece, simple boundary loops with the patch on the left, and its parent's faces."""
    used = np.zeros(len(region.surface.vertices_mm), dtype=int)
    for loop in region.loops:
        used[loop] += 1
    assert used.max() == 1
    np.testing.assert_array_equal(
        region.surface.vertices_mm, region.parent.vertices_mm[region.vertex_of]
    )
    assert region.inside.sum() == len(region.surface.faces)
    assert region.surface.area_mm2 == pytest.approx(region.parent.face_areas_mm2[region.inside].sum())
    lengths = [np.linalg.norm(np.diff(region.surface.vertices_mm[q], axis=0), axis=1).sum() for q in region.loops]
    assert lengths == sorted(lengths, reverse=True)


def test_twelve_triangle_box_outline_over_an_edge():
    outline = [[-20, -30, 50], [50, -30, 20], [50, 30, 20], [-20, 30, 50]]
    region = cut_region(BOX, outline)
    check_region(region)
    assert region.is_disc
    assert region.area_mm2 == pytest.approx((70 + 30) * 60, rel=1e-9)
    assert region.perimeter_mm == pytest.approx(2 * (100 + 60), rel=1e-9)


def test_outline_round_a_box_corner():
    region = cut_region(BOX, [[-20, -20, 50], [50, -20, -20], [-20, 50, -20]], seed_mm=[50, 50, 50])
    assert region.is_disc
    # Three squares of 100 less the three corners beyond the geodesics, which are straight in the unfolded box.
    assert region.area_mm2 == pytest.approx(3 * 70 * 70, rel=1e-9)


def test_outline_along_the_edges_of_a_face():
    region = cut_region(BOX, [[50, 50, 50], [-50, 50, 50], [-50, -50, 50], [50, -50, 50]])
    assert region.area_mm2 == pytest.approx(10000.0)
    assert region.is_disc


def test_long_thin_triangles():
    """An L-shaped plate as a CAD export has it: few triangles, each as long as the plate."""
    v = np.array([[0, 0, 0], [900, 0, 0], [900, 30, 0], [30, 30, 0], [30, 900, 0], [0, 900, 0]], dtype=float)
    plate_l = Surface(v, [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 5]])
    outline = [[10, 10, 0], [500, 10, 0], [500, 20, 0], [20, 20, 0], [20, 500, 0], [10, 500, 0]]
    region = cut_region(plate_l, outline)
    check_region(region)
    assert region.area_mm2 == pytest.approx(490 * 10 + 480 * 10, rel=1e-9)
    grown = grow_region(region, 5.0)
    check_region(grown)
    # Moved by 5: the band along the perimeter, a quarter circle at each of five corners, less one inner corner.
    assert grown.area_mm2 == pytest.approx(9700 + 1960 * 5 + 5 * np.pi * 25 / 4 - 25, rel=3e-3)


def test_an_outline_round_most_of_a_sheet_takes_what_it_surrounds():
    """Not the strip between it and the sheet's own edge, though that is the smaller side."""
    v, f = shapes.rectangle(400, 400, triangles=800)
    v = np.pad(v, ((0, 0), (0, 1)))
    region = cut_region(Surface(v, f), np.array([[15, 15, 0], [385, 15, 0], [385, 385, 0], [15, 385, 0.0]]))
    assert region.area_mm2 == pytest.approx(370**2, rel=1e-9)
    strip = cut_region(Surface(v, f), np.array([[15, 15, 0], [385, 15, 0], [385, 385, 0], [15, 385, 0.0]]), seed_mm=[5, 5, 0])
    assert strip.area_mm2 == pytest.approx(400**2 - 370**2, rel=1e-9)


def test_without_a_seed_the_smaller_side_is_taken_and_a_seed_overrules():
    assert cut_region(plate(), ring(60.0)).area_mm2 == pytest.approx(np.pi * 3600, rel=1e-3)
    other = cut_region(plate(), ring(60.0), seed_mm=[10, 10, 0])
    assert other.area_mm2 == pytest.approx(400 * 300 - np.pi * 3600, rel=1e-3)
    assert len(other.loops) == 2
    assert not other.is_disc


def test_sense_of_the_outline_does_not_matter():
    a, b = (cut_region(plate(), q) for q in (ring(60.0), ring(60.0)[::-1]))
    assert a.area_mm2 == pytest.approx(b.area_mm2, rel=1e-4)


def test_outlines_bound_a_ring_with_an_opening():
    region = cut_region(plate(), [ring(100.0), ring(40.0)])
    check_region(region)
    assert len(region.loops) == 2
    assert region.area_mm2 == pytest.approx(np.pi * (100**2 - 40**2), rel=1e-3)
    full = fill_openings(region)
    check_region(full)
    assert full.is_disc
    assert full.area_mm2 == pytest.approx(np.pi * 100**2, rel=1e-3)
    assert fill_openings(full) is full


def test_growth_moves_both_loops_of_a_ring():
    region = cut_region(plate(), [ring(100.0), ring(50.0)])
    outward, inward, outer_only, outer_in = (
        grow_region(region, 20.0),
        grow_region(region, -20.0),
        grow_region(region, 20.0, openings=False),
        grow_region(region, -20.0, openings=False),
    )
    for grown, outer, inner in (
        (outward, 120, 30), (inward, 80, 70), (outer_only, 120, 50), (outer_in, 80, 50)
    ):
        check_region(grown)
        assert len(grown.loops) == 2
        assert grown.area_mm2 == pytest.approx(np.pi * (outer**2 - inner**2), rel=4e-3)


def test_an_opening_closes_when_growth_meets_in_it():
    region = cut_region(plate(), [ring(100.0), ring(20.0)])
    grown = grow_region(region, 25.0)
    check_region(grown)
    assert grown.is_disc
    assert grown.area_mm2 == pytest.approx(np.pi * 125**2, rel=4e-3)


def test_nothing_to_grow_by_returns_the_region_itself():
    region = cut_region(plate(), ring(60.0))
    assert grow_regions(region, [0, 10.0, 0])[0] is region
    assert grow_region(region, 0.0) is region


def test_growth_off_the_surface_says_how_much_is_missing_and_where():
    region = cut_region(plate(), ring(100.0))
    grown = grow_region(region, 70.0)
    check_region(grown)
    assert grown.short_mm == pytest.approx(20.0, abs=0.5)
    assert grown.short_at_mm[1] == pytest.approx(0.0, abs=1e-6) or grown.short_at_mm[1] == pytest.approx(300.0)
    assert grow_region(region, 40.0).short_mm == 0.0
    assert grow_region(region, 40.0).short_at_mm is None


def test_growth_over_the_edge_of_a_coarse_box():
    region = cut_region(BOX, ON_TOP)
    grown = grow_region(region, 40.0)
    check_region(grown)
    # 30 mm to each edge, so 10 mm hang down each side: 4 strips of 40 x 10 and the ends of the rounded corners.
    straight = 40 * 40 + 4 * 40 * 40
    assert grown.area_mm2 == pytest.approx(straight + np.pi * 40**2, rel=5e-3)
    assert grown.surface.vertices_mm[:, 2].min() == pytest.approx(40.0, abs=0.05)


def test_moved_inward_to_nothing_says_how_far_it_may_go():
    region = cut_region(BOX, ON_TOP, name="patch")
    # Corners of the moved line are cut off by no more than half an edge: 4.9 mm long at this distance.
    assert grow_region(region, -15.0).area_mm2 == pytest.approx(100.0, rel=0.05)
    with pytest.raises(OutlineError, match=r"'patch' cannot be moved inward by 25 mm.*beyond (19\.[0-9]|20\.0) mm"):
        grow_region(region, -25.0)


def test_moved_inward_into_two_parts_is_refused():
    waist = [[50, 50, 0], [190, 140, 0], [350, 50, 0], [350, 250, 0], [190, 160, 0], [50, 250, 0]]
    region = cut_region(plate(), waist)
    check_region(grow_region(region, -5.0))
    with pytest.raises(OutlineError, match="falls into 2 parts"):
        grow_region(region, -20.0)


def test_signed_distance_is_negative_inside():
    region = cut_region(plate(), ring(60.0))
    d = signed_distance(region, 50.0)
    p = region.parent.vertices_mm
    true = np.clip(np.hypot(p[:, 0] - 200, p[:, 1] - 150) - 60, -50, 50)
    assert np.abs(d - true).max() < 0.15


def test_colours_survive():
    bare = plate()
    surface = Surface(bare.vertices_mm, bare.faces, np.full((len(bare.vertices_mm), 3), 90, dtype=np.uint8))
    grown = grow_region(cut_region(surface, ring(60.0)), 10.0)
    assert (grown.surface.colors == 90).all()


@pytest.mark.parametrize(
    ("outline", "options", "words"),
    [
        ([[150, 100, 0], [250, 200, 0]], {}, "2 different points"),
        (ring(60.0, z=25.0), {}, "point 1 of the outline lies 25.0 mm off"),
        (ring(60.0) * 1000, {}, "mm across but the mesh is 500 mm across"),
        (ring(60.0) * 1e-7, {}, "units of the outline and of the mesh"),
        ([[150, 100, 0], [250, 200, 0], [250, 100, 0], [150, 200, 0]], {}, "crosses or touches itself"),
        (ring(60.0), {"seed_mm": [200, 150, 90]}, "seed lies 90.0 mm off the surface"),
        (ring(60.0), {"seed_mm": [200, np.nan, 0]}, "seed is not a point"),
        ([ring(60.0), ring(60.0, middle=(250.0, 150.0))], {}, "two outlines cross"),
        ("abc", {}, "not a \\(k, 3\\) array"),
    ],
)
def test_bad_outlines(outline, options, words):
    with pytest.raises(OutlineError, match=words):
        cut_region(plate(1000), outline, **options)


def test_name_stands_in_the_message():
    with pytest.raises(OutlineError, match="region 'skeg root': point 1"):
        cut_region(plate(1000), ring(60.0, z=25.0), name="skeg root")


def test_outline_on_two_pieces_names_the_points():
    v, f = plate(1000).vertices_mm, plate(1000).faces
    two = Surface(np.vstack([v, v + [450, 0, 0]]), np.vstack([f, f + len(v)]))
    outline = [[300, 100, 0], [300, 200, 0], [500, 200, 0], [500, 100, 0]]
    with pytest.raises(OutlineError, match="points 1 and 3 of the outline lie on separate pieces"):
        cut_region(two, outline)


def test_outline_round_a_tube_does_not_divide_a_torus():
    torus = Surface(*shapes.torus(large=100.0, small=30.0, around=60, along=30))
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    tube = np.c_[100 + 30 * np.cos(t), 0 * t, 30 * np.sin(t)]
    with pytest.raises(OutlineError, match="does not divide the surface"):
        cut_region(torus, tube)


def test_seed_on_a_piece_that_the_outline_does_not_touch():
    v, f = plate(1000).vertices_mm, plate(1000).faces
    two = Surface(np.vstack([v, v + [450, 0, 0]]), np.vstack([f, f + len(v)]))
    with pytest.raises(OutlineError, match="does not touch the outline"):
        cut_region(two, ring(60.0), seed_mm=[600, 100, 0])


def test_an_opening_too_small_to_stay_is_named():
    """What is left of it, 7 mm across, is lost among edges of 8 mm; that must not pass in silence."""
    region = cut_region(plate(), [ring(100.0), ring(14.0, middle=(230.0, 170.0))])
    grown = grow_region(region, 10.5)
    assert len(grown.loops) == 1
    assert len(grown.lost_at_mm) == 1
    assert np.linalg.norm(grown.lost_at_mm[0] - np.array([230, 170, 0])) < 4
    kept = grow_region(cut_region(plate(), [ring(100.0), ring(25.0)]), 10.5)
    assert len(kept.loops) == 2
    assert kept.lost_at_mm == ()


def test_openings_closed_over_are_named_each():
    region = cut_region(plate(), [ring(120.0), ring(8.0, middle=(150.0, 150.0)), ring(40.0), ring(6.0, middle=(260.0, 150.0))], seed_mm=[200, 240, 0])
    grown = grow_region(region, 10.0)
    assert len(grown.loops) == 2
    assert sorted(round(p[0], -1) for p in grown.lost_at_mm) == [150, 260]


def test_stray_of_an_outline():
    square = [[100, 100, 0], [200, 100, 0], [200, 200, 0], [100, 200, 0]]
    region = cut_region(plate(), square)
    assert outline_stray_mm(region, square) < 1e-6
    assert outline_stray_mm(region, np.array(square) + [0.3, 0, 0]) == pytest.approx(0.3, abs=1e-6)
    # A corner asked for that is missing counts as much as one too many.
    assert outline_stray_mm(region, [*square[:2], [230, 200, 0], square[3]]) == pytest.approx(28.7, abs=2)
    with pytest.raises(OutlineError):
        outline_stray_mm(region, [[1, 2]])


def test_a_fault_on_a_rough_surface_without_a_smooth_copy_says_that_too():
    rough = Surface(*shapes.noisy_sheet(400.0, 300.0, noise=1.0, triangles=3000))
    crossed = [[100, 80, 0], [300, 80, 0], [100, 220, 0], [300, 220, 0]]
    with pytest.raises(OutlineError, match="Move or reorder .* The surface is rough: .* smooth_mm of 4 mm"):
        cut_region(rough, crossed, smooth_mm=0.0)
    for surface, smooth in ((rough, 4.0), (plate(), 0.0)):
        with pytest.raises(OutlineError) as caught:
            cut_region(surface, crossed, smooth_mm=smooth)
        assert "rough" not in str(caught.value)


def rows_of(surface):
    """Vertices with their smooth twins and colours, in an order of their own."""
    used = np.unique(surface.faces)
    rows = np.c_[surface.vertices_mm, work_copy(surface), surface.colors][used]
    return rows[np.lexsort(rows.T)]


@pytest.mark.parametrize(("rms", "distances"), [(0.0, (15.0, -6.0, 4.0)), (0.3, (15.0, 5.0))])
def test_a_band_of_a_large_surface_gives_what_the_whole_gives(monkeypatch, rms, distances):
    """Near the surface's own edge, with an opening, colours and, if rough, a smooth copy."""
    flat = plate(60_000)
    v = shapes.rough(flat.vertices_mm, flat.faces, rms=rms, length=5.0, seed=3) if rms else flat.vertices_mm
    colors = np.random.default_rng(0).integers(0, 255, (len(v), 3))
    outlines = [ring(50.0, (60.0, 150.0)), ring(20.0, (60.0, 150.0))]
    region = cut_region(Surface(v, flat.faces, colors), outlines, seed_mm=[95.0, 150.0, 0.0])
    both = []
    for least in (10**9, 50_000):
        monkeypatch.setattr("plyflat.surface.region.BAND_FACES", least)
        both.append(grow_regions(region, distances))
    assert not region_module._band(region, list(distances), True, 4.0).whole
    for whole, band in zip(*both):
        check_region(band)
        assert band.area_mm2 == pytest.approx(whole.area_mm2, rel=1e-9)
        assert band.perimeter_mm == pytest.approx(whole.perimeter_mm, rel=1e-9)
        assert band.short_mm == pytest.approx(whole.short_mm, abs=1e-9)
        assert len(band.parent.boundary_loops) == 1
        np.testing.assert_allclose(rows_of(band.parent), rows_of(whole.parent), atol=1e-9)
        # Nothing far off was touched.
        far, now = v[v[:, 0] > 300], band.parent.vertices_mm
        now = now[now[:, 0] > 300]
        np.testing.assert_array_equal(now[np.lexsort(now.T)], far[np.lexsort(far.T)])


def test_only_a_band_is_worked_on_and_all_of_it_where_that_proves_too_narrow(monkeypatch):
    region = cut_region(plate(60_000), ring(60.0))
    shares = []

    def moved(region, band, *options):
        shares.append(band.chosen.mean())
        if len(shares) == 1:
            raise NeedsWiderCrop
        return run(region, band, *options)

    run = region_module._moved
    monkeypatch.setattr(region_module, "_moved", moved)
    grown = grow_region(region, 10.0)
    assert shares[0] < 0.3
    assert shares[1] == 1.0
    assert grown.area_mm2 == pytest.approx(np.pi * 70.0**2, rel=1e-3)


# -- measuring again where a moved outline has corners -------------------------------------------------------------
def test_shortest_ways_run_over_the_faces_kept_for_them():
    surface = plate(8000)
    v, f = surface.vertices_mm, surface.faces
    # From the edge x = 0 to some points, straight along x.
    to = np.flatnonzero((v[:, 0] > 150) & (v[:, 0] < 160) & (np.abs(v[:, 1] - 150) < 40))
    keep = region_module._on_the_way(v, f, v[:, 0], to, v[to, 0], np.array([155.0]))
    for x in np.linspace(0.0, 0.999, 100):
        crossed = surface.locate(v[to] * [x, 1.0, 1.0]).face
        assert keep[crossed].all()
    assert keep.sum() < 0.5 * len(f)
    assert not keep[v[f][:, :, 0].min(axis=1) > 175].any()


def test_a_distance_is_no_more_than_by_way_of_an_old_corner():
    fine = region_module.refine(plate(500), 10.0)
    v = fine.surface.vertices_mm
    old = fine.weights.shape[1]
    new = np.arange(old, len(v))
    here = np.array([70.0, 90.0, 0.0])
    u = np.linalg.norm(v - here, axis=1)
    most = region_module._at_most(v, fine.weights[new], u[:old], new)
    assert (most >= u[new] - 1e-9).all()
    assert np.median(most - u[new]) < 10.0


def test_measuring_on_the_ways_only_gives_what_measuring_all_round_gives(monkeypatch):
    v, f = shapes.sphere(radius=300.0, triangles=2000)
    star = np.array([[(140 - 70 * (i % 2)) * np.cos(t), (140 - 70 * (i % 2)) * np.sin(t)] for i, t in enumerate(np.pi / 5 * np.arange(10))])
    region = cut_region(Surface(v, f), np.c_[star, np.sqrt(300**2 - (star**2).sum(axis=1))], seed_mm=[0, 0, 300])
    asked, kept = [50.0], []
    ways = region_module._on_the_way

    def counted(walk, faces, *rest):
        kept.append(ways(walk, faces, *rest).mean())
        return ways(walk, faces, *rest)

    monkeypatch.setattr(region_module, "_on_the_way", counted)
    near = grow_regions(region, asked)
    assert len(kept) > 1
    assert min(kept) < 0.5
    monkeypatch.setattr(region_module, "_on_the_way", lambda walk, faces, *rest: np.ones(len(faces), dtype=bool))
    for one, other in zip(near, grow_regions(region, asked)):
        check_region(one)
        assert one.area_mm2 == pytest.approx(other.area_mm2, rel=2e-4)
        line = one.surface.vertices_mm[one.loops[0]]
        assert outline_stray_mm(other, line) < 0.3
