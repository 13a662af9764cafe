from dataclasses import replace

import numpy as np
import pytest
import shapely
import shapes
from shapely import affinity

from plyflat.cloth._net_lay import lay
from plyflat.cloth.drape import drape, drape_of
from plyflat.cloth.draped import drape_piece, draped_flat, seam_bed
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import make_templates
from plyflat.errors import SolveError
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
