"""Nets behind darts, slits and holes held to closed forms: cones, flat sheets, and the exact net on the sphere."""

import numpy as np
import pytest
import shapes
from scipy.integrate import solve_ivp

from plyflat.cloth._cutting import cut_along
from plyflat.cloth._net_bed import make_bed, piece_bed
from plyflat.cloth._net_beyond import lay_beyond
from plyflat.cloth._net_lay import lay
from plyflat.cloth.drape import drape_of
from plyflat.cloth.draped import draped_flat, seam_bed
from plyflat.cloth.draping import Wishes, lay_piece
from plyflat.cloth.locking import typical
from plyflat.surface.cut import insert_paths
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of

SPHERE = "w_uv = -K sin w on the sphere by its series about z = 0 and an ODE solver (Chebyshev 1878)"
FLAT = "development of a cone: cloth need not shear, whatever its warp"
R, CAP_DEG = 1000.0, 60.0
TWILL = typical("twill 2x2")


def exact_shear(z):
    """Shear in degrees at z = u v / R²: z f'' + f' = -sin f, f(0) = pi/2, f'(0) = -1, and 90 degrees less f."""
    low = 1e-4
    found = solve_ivp(
        lambda z, y: [y[1], -(np.sin(y[0]) + y[1]) / z], (low, z), [np.pi / 2 - low, -1.0], "DOP853", rtol=1e-10, atol=1e-12
    )
    return 90 - np.degrees(found.y[0, -1])


def on_cap(azimuth_deg, polar):
    a = np.radians(azimuth_deg)
    return R * np.array([np.sin(polar) * np.cos(a), np.sin(polar) * np.sin(a), np.cos(polar)])


@pytest.fixture(scope="module")
def cap():
    """A cap with what nets of it are laid on, and the net from its pole."""
    v, f = shapes.cap(CAP_DEG, R, triangles=6000)
    whole = Surface(v, f)
    bed = make_bed(whole)
    return whole, bed, lay(bed, bed.start([0, 0, R], [1, 0, 0]))


def slit(surface, tips):
    """A surface with slits from places, or from its hole, straight to the nearest vertices of its outer edge."""
    loops = sorted(surface.boundary_loops, key=len)
    rim = surface.vertices_mm[loops[-1]]
    lines = []
    for tip in tips:
        way = tip[:2] / np.linalg.norm(tip[:2])
        along = rim[:, :2] @ way / np.linalg.norm(rim[:, :2], axis=1)
        lines.append(np.array([tip, rim[int(along.argmax())]]))
    made = insert_paths(surface, lines, closed=False)
    (piece,) = cut_along(made.surface, made.paths).pieces
    return piece


def biased(cap, depth):
    """The cap with four slits on the bias, their tips at u = v = depth, with its net before and behind them."""
    whole, bed, net = cap
    tips = [drape_of(net).on_net(R * depth * np.array([[a, b]]))[0] for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    own = piece_bed(bed, slit(whole, tips))
    before = lay(own, own.start([0, 0, R], [1, 0, 0]))
    return before, lay_beyond(before)


@pytest.fixture(scope="module")
def darted(cap):
    return {depth: biased(cap, depth) for depth in (0.2, 0.3, 0.45)}


@pytest.mark.reference(source=SPHERE, kind="derived")
def test_deep_darts_on_the_bias_leave_what_no_dart_reaches(cap, darted):
    rim = cap[0].boundary_loops[0]
    uv = cap[2].reading.uv_mm[rim] / R
    most = {}
    for depth, (_, laid) in darted.items():
        drape = drape_of(laid)
        assert drape.cover == pytest.approx(1)
        # Threads that pass beside a tip on the start's side are as they were: the worst of them meets the edge at (u, depth).
        near = np.abs(np.abs(uv[:, 1]) - depth).argmin()
        left = exact_shear(depth * abs(uv[near, 0]))
        assert drape.most_deg == pytest.approx(left, abs=0.5)
        behind = [float(np.abs(p.reading.shear_deg).max()) for p in laid.parts[1:]]
        assert len(behind) == 8
        assert max(behind) < min(8.0, 0.6 * left)
        most[depth] = drape.most_deg
    assert most[0.2] < 13.5
    assert most[0.2] < most[0.3] < most[0.45] < 24.0
    assert float(np.abs(darted[0.2][0].reading.shear_deg).max()) == pytest.approx(26.946, abs=0.2)


@pytest.mark.reference(
    source="w_uv = -K sin w with a point of curvature -15 degrees at each tip, by finite differences", kind="derived"
)
@pytest.mark.parametrize("depth", [0.2, 0.3, 0.45])
def test_darts_do_no_worse_than_points_of_curvature_at_their_tips(darted, depth):
    h = 0.0125
    n = int(np.radians(CAP_DEG) / h) + 1
    w = np.full((n + 1, n + 1), np.pi / 2)
    tip = round(depth / h)
    for i in range(n):
        for j in range(n):
            four = w[i + 1, j] + w[i, j + 1]
            w[i + 1, j + 1] = four - w[i, j] - h * h * np.sin(four / 2) + np.radians(15) * ((i, j) == (tip, tip))
    before, laid = darted[depth]
    # The places of the net without darts stand for the cap's outline.
    at = np.clip(np.round(np.abs(before.reading.uv_mm) / (R * h)).astype(int), 0, n)
    model = np.abs(90 - np.degrees(w[at[:, 0], at[:, 1]])).max()
    assert drape_of(laid).most_deg < model + 0.5


@pytest.mark.reference(source="angles of a sheared cloth's two sides about a point, each an affine map", kind="derived")
def test_the_wedge_at_the_tip_is_what_the_two_sides_are_turned_by(darted):
    before, laid = darted[0.3]
    flat = draped_flat(drape_of(laid))
    assert not flat.flat.overlaps
    assert flat.area.off < 3e-4
    uv = flat.flat.uv_mm - flat.start_uv_mm
    crossing = 90 - exact_shear(0.3**2)
    mine = [p for p in laid.parts[1:] if min(p.shift_mm) > 0]
    assert len(mine) == 2
    cloth = []
    for part in mine:
        # The slit halves the angle between the threads on the surface, and the cloth there has been turned to another one.
        half, turned = np.radians(crossing / 2), np.radians(part.steering.crossing_deg)
        across = np.sin(half) / np.sin(turned)
        cloth.append(np.degrees(np.arctan2(across, np.cos(half) - across * np.cos(turned))))
    reckoned = 90 - sum(cloth)
    assert 5 < reckoned < 15
    piece = laid.bed.patch
    # The slit's edges in the flat, from the tip on as far as five bars.
    tip = np.array(mine[0].shift_mm)
    ways = []
    for part in mine:
        on = np.intersect1d(part.at, np.concatenate(piece.boundary_loops))
        step = uv[on] - tip
        far = np.linalg.norm(step, axis=1)
        near = (far > 20) & (far < 130)
        assert near.sum() >= 2
        ways.append(np.degrees(np.arctan2(step[near, 1], step[near, 0])).mean())
    # Over that length the sides turn on a little, by their own bend and the dome's.
    assert abs(ways[0] - ways[1]) == pytest.approx(reckoned, abs=1.5)


@pytest.mark.reference(source="Gauss-Bonnet theorem for a rectangle of threads (Hazzidakis 1880)", kind="derived")
def test_each_net_behind_a_dart_keeps_to_the_curvature(darted):
    for depth, (_, laid) in darted.items():
        drape = drape_of(laid)
        assert drape.check.worst_deg < 0.15
        assert not drape.doubtful
        if depth < 0.3:
            # Some of the rectangles lie in the nets behind the darts.
            assert len(drape.check.corners_deg) > 8


@pytest.mark.reference(source=FLAT, kind="derived")
@pytest.mark.parametrize(("half_deg", "turn_deg", "around"), [(20, 0, 0.0), (40, 30, 0.6), (65, 77, -0.85)])
def test_a_cone_slit_from_its_tip_lies_flat_from_any_start(half_deg, turn_deg, around):
    v, f, flat = shapes.slit_cone_developed(half_deg)
    a = np.radians(half_deg)
    start = 300 * np.array([np.sin(a) * np.cos(around * np.pi), np.sin(a) * np.sin(around * np.pi), -np.cos(a)])
    warp = np.array([-start[1], start[0], 0.0])
    found = lay_piece(seam_bed(Surface(v, f)), Wishes(warp, turn_deg, TWILL, start_mm=start))
    laid = found.draped
    assert laid is not None
    assert found.tried[0].cover == pytest.approx(1)
    assert np.percentile(np.abs(laid.drape.shear_deg), 99) < 0.3
    # Flat threads and the start are where the development has them.
    p, q = laid.flat.uv_mm - laid.flat.uv_mm.mean(axis=0), flat - flat.mean(axis=0)
    turn = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
    c, s = np.cos(turn), np.sin(turn)
    assert np.abs(p @ np.array([[c, s], [-s, c]]) - q).max() < 0.005 * 500
    # The wedge at the tip is the cone's missing angle.
    rim = np.flatnonzero(np.linalg.norm(v, axis=1) > 499)
    edges = laid.flat.uv_mm[rim[[0, -1]]] - laid.flat.uv_mm[0]
    x, y = edges[0] @ edges[1], edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0]
    assert np.degrees(np.arctan2(y, x)) % 360 == pytest.approx(360 * np.sin(a), abs=0.5)


@pytest.mark.reference(source="a flat sheet is its own template", kind="derived")
@pytest.mark.parametrize("start", [(250, 300, 0), (650, 150, 0)])
def test_a_flat_sheet_with_a_hole_and_a_slit_is_itself(start):
    v, f = shapes.rectangle(1000.0, 700.0, 3000)
    v3 = np.column_stack([v, 0 * v[:, 0]])
    sheet = region_of(Surface(v3, f), np.hypot(*(v3[f].mean(axis=1)[:, :2] - [600, 350]).T) > 80)
    loops = sorted(sheet.surface.boundary_loops, key=len)
    hole, rim = (sheet.surface.vertices_mm[q] for q in loops)
    ends = np.array([hole[hole[:, 0].argmax()], rim[np.linalg.norm(rim - [1000, 350, 0], axis=1).argmin()]])
    made = insert_paths(sheet.surface, [ends], closed=False)
    (piece,) = cut_along(made.surface, made.paths).pieces
    bed = piece_bed(make_bed(sheet), piece)
    laid = lay_beyond(lay(bed, bed.start(start, [1, 0, 0], turn_deg=20)))
    assert laid.cover > 0.999
    assert np.abs(laid.reading.shear_deg).max() < 1e-6
    c, s = np.cos(np.radians(20)), np.sin(np.radians(20))
    true = (piece.vertices_mm - start)[:, :2] @ np.array([[c, -s], [s, c]])
    assert np.abs(laid.reading.uv_mm - true)[laid.reading.covered].max() < 1e-6


@pytest.mark.reference(source=SPHERE, kind="derived")
def test_a_ring_round_a_hole_with_one_seam_is_the_cap_but_for_the_sides_of_the_seam(cap):
    whole, _, _ = cap
    hole = on_cap(30, 0.5)
    ring = region_of(whole, np.linalg.norm(whole.vertices_mm[whole.faces].mean(axis=1) - hole, axis=1) > 120)
    loop = ring.surface.vertices_mm[min(ring.surface.boundary_loops, key=len)]
    piece = slit(ring.surface, [loop[int((loop @ [np.cos(np.radians(30)), 0.5, 0]).argmax())]])
    bed = piece_bed(make_bed(ring), piece)
    laid = lay_beyond(lay(bed, bed.start([0, 0, R], [1, 0, 0])))
    drape = drape_of(laid)
    assert drape.cover == pytest.approx(1)
    assert len(laid.parts) == 3
    first = laid.parts[0]
    uv = first.reading.uv_mm / R
    far = np.argsort(np.abs(uv.prod(axis=1)))[-5:]
    assert np.abs(first.reading.shear_deg)[far] == pytest.approx([exact_shear(z) for z in np.abs(uv[far].prod(axis=1))], abs=0.3)
    for part in laid.parts[1:]:
        assert np.abs(part.reading.shear_deg).max() < 9
    assert draped_flat(drape).area.off < 3e-4


@pytest.mark.reference(source="a mirrored surface has the mirrored net", kind="derived")
def test_a_mirrored_piece_has_the_mirrored_template(cap):
    whole, bed, _ = cap
    piece = slit(whole, [on_cap(50, 0.3)])
    own = piece_bed(bed, piece)
    one = lay_beyond(lay(own, own.start([0, 0, R], [1, 0, 0])))
    mirror = np.array([1, -1, 1])
    other_whole, other = (Surface(q.vertices_mm * mirror, q.faces[:, ::-1]) for q in (whole, piece))
    own = piece_bed(make_bed(other_whole), other)
    two = lay_beyond(lay(own, own.start([0, 0, R], [1, 0, 0])))
    assert len(one.parts) == len(two.parts) == 3
    assert np.abs(one.reading.uv_mm * [1, -1] - two.reading.uv_mm).max() < 0.1
    assert np.abs(one.reading.shear_deg + two.reading.shear_deg).max() < 0.1
