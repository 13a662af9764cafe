"""Nets of threads held to exact nets on the sphere, to developments, and to a second way of laying them."""

import numpy as np
import pytest
import shapely
import shapes
from scipy.integrate import solve_ivp
from scipy.spatial.transform import Rotation

from plyflat.cloth._drape_search import steer_drape
from plyflat.cloth._net import Plan, Start, grow
from plyflat.cloth._net_bed import make_bed
from plyflat.cloth._net_ground import FOLDED, ON, OPENED, Landed, cross, dot
from plyflat.cloth._net_lay import lay
from plyflat.cloth._net_read import Cells
from plyflat.cloth.drape import drape, drape_of
from plyflat.cloth.draped import draped_flat, seam_bed
from plyflat.cloth.locking import Locking
from plyflat.cloth.opening import Opened
from plyflat.cloth.pieces import lines_on_table, make_templates, warp_frame
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of

SPHERE = "w_uv = -K sin w on the sphere by its series about z = 0 and an ODE solver (Chebyshev 1878)"
GAUSS = "Gauss-Bonnet theorem for a rectangle of threads (Hazzidakis 1880)"


# -- the exact net on the unit sphere --------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def exact():
    """Solution of z f'' + f' = -sin f, f(0) = pi/2: the angle between threads at z = u v."""
    def rate(z, y):
        return [y[1], -(np.sin(y[0]) + y[1]) / z]

    z = 0.05
    f = np.pi / 2 - z + z**3 / 18 - 0.00388888889 * z**5
    slope = -1 + z**2 / 6 - 5 * 0.00388888889 * z**4
    return solve_ivp(rate, (z, 2.1), [f, slope], "DOP853", rtol=1e-12, atol=1e-13, dense_output=True)


def exact_shear(exact, z):
    """Shear in degrees; odd in z."""
    a = np.abs(z)
    small = np.degrees(a - a**3 / 18)
    known = exact.sol(np.clip(a, 0.05, 2.1).ravel())[0].reshape(a.shape)
    return np.sign(z) * np.where(a < 0.05, small, 90 - np.degrees(known))


def exact_outline(exact, cap_deg, count=60):
    """(k, 2) points of a cap's template from the pole, one quadrant: warp threads as curves of known curvature."""
    out = []
    for v in np.linspace(0, np.radians(cap_deg), count, endpoint=False)[1:]:
        x, t = np.array([0, np.sin(v), np.cos(v)]), np.array([1.0, 0, 0])

        def bend(u, y, v=v):
            x, t = y[:3], y[3:]
            z = max(u * v, 1e-9)
            slope = exact.sol(z)[1] if z > 0.05 else -1 + z**2 / 6
            return np.concatenate([t, -x - v * slope * np.cross(x, t)])

        def rim(u, y):
            return y[2] - np.cos(np.radians(cap_deg))

        rim.terminal = True
        way = solve_ivp(bend, (0, 2), np.concatenate([x, t]), "DOP853", rtol=1e-9, atol=1e-11, events=rim)
        out.append([way.t[-1], v])
    return np.array(out)


@pytest.mark.reference(source=SPHERE, kind="derived")
def test_exact_angle_between_threads(exact):
    assert exact.sol(1.0)[0] == pytest.approx(0.62276356305, abs=1e-8)
    zero = np.linspace(1.8, 1.9, 20001)
    assert np.interp(0, -exact.sol(zero)[0], zero) == pytest.approx(1.861591677, abs=1e-6)


def rim_shear(d):
    rim = d.surface.boundary_loops[0]
    return float(np.abs(d.shear_deg[rim]).max())


@pytest.mark.reference(source=SPHERE, kind="derived")
@pytest.mark.parametrize("faces", ["curved", "flat"])
def test_cap_of_45_degrees_and_its_template(exact, faces):
    v, f = shapes.cap(45, 1000.0, triangles=20000)
    d = drape(Surface(v, f), [0, 0, 1000], [1, 0, 0], spacing_mm=25, faces=faces)
    assert d.covered.all()
    assert rim_shear(d) == pytest.approx(16.1128, abs=0.1)
    outline = d.uv_mm[d.surface.boundary_loops[0]] / 1000
    assert shapely.Polygon(outline).area == pytest.approx(1.85278, abs=0.001)
    line = shapely.LinearRing(outline)
    off = [line.distance(shapely.Point(p)) for p in exact_outline(exact, 45)]
    assert max(off) < 2e-4


@pytest.mark.reference(source=SPHERE, kind="derived")
@pytest.mark.parametrize(("cap_deg", "shear", "within"), [(60, 26.945653, 0.1), (90, 52.425151, 0.2)])
def test_largest_shear_of_caps_from_the_pole(cap_deg, shear, within):
    v, f = shapes.cap(cap_deg, 1000.0, triangles=20000)
    d = drape(Surface(v, f), [0, 0, 1000], [1, 0.4, 0])
    assert d.covered.all()
    assert rim_shear(d) == pytest.approx(shear, abs=within)


@pytest.mark.reference(source="w_uv = -K sin w with a point of curvature -d, by finite differences", kind="derived")
def test_a_dart_as_advised_halves_the_shear_of_a_cap(exact):
    v, f = shapes.cap(60, 1000.0, triangles=6000)
    d = drape(Surface(v, f), [0, 0, 1000], [1, 0, 0], locking=Locking(20, 20, 15, 15))
    cut = max(d.advice, key=lambda c: c.uv_mm[-1].min())
    arms = exact_outline(exact, 60, 30)
    edge = shapely.Polygon([[0, 0], [np.radians(60), 0], *arms, [0, np.radians(60)]])
    h = 0.0125
    n = int(np.radians(60) / h) + 2
    tip = np.round(cut.uv_mm[0] / 1000 / h).astype(int)
    w = np.full((n + 1, n + 1), np.pi / 2)
    for i in range(n):
        for j in range(n):
            four = w[i + 1, j] + w[i, j + 1]
            w[i + 1, j + 1] = four - w[i, j] - h * h * np.sin(four / 2)
            w[i + 1, j + 1] += np.radians(cut.angle_deg) * ((i, j) == tuple(tip))
    at = h * np.stack(np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij"), axis=-1)
    inside = shapely.contains_xy(edge, at[..., 0], at[..., 1])
    assert np.abs(90 - np.degrees(w))[inside].max() < 0.55 * abs(cut.shear_deg)


class Ball:
    """The unit sphere itself to lay nets on."""

    def near_crease(self, reach_mm):
        return None

    def settle(self, circles, face, guess):
        m, d = circles.centre, circles.axis
        flat = m - dot(m, d)[:, None] * d
        size = dot(flat, flat)
        k = (1 - dot(m, m) - circles.square) / 2
        left = circles.square - k * k / size
        side = cross(d, flat) / np.sqrt(size)[:, None] * np.sqrt(np.maximum(left, 0))[:, None]
        x = m + flat * (k / size)[:, None]
        x = np.where((dot(side, circles.away) > 0)[:, None], x + side, x - side)
        return Landed(x, x, face, np.where(left > 0, ON, OPENED))


def on_ball(h, reach=1.2, bend=lambda at: 0 * at):
    start = Start(np.array([0, 0, 1.0]), 0, np.array([0, 0, 1.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    k = round(reach / h)
    return grow(Ball(), start, Plan(h, (k, k, k, k), warp_bend=bend))


def cell_middles(net):
    u, v = net.u_mm, net.v_mm
    return (u[1:] + u[:-1])[:, None] / 2, (v[1:] + v[:-1])[None] / 2


@pytest.mark.reference(source=SPHERE, kind="derived")
def test_order_two_on_the_sphere_itself(exact):
    errors = []
    for h in (0.1, 0.05, 0.025):
        net = on_ball(h)
        u, v = cell_middles(net)
        errors.append(np.abs(Cells(net).shear - exact_shear(exact, u * v)).max())
    order = np.log2(np.array(errors[:-1]) / errors[1:])
    assert (order > 1.9).all()
    assert errors[-1] < 0.005


@pytest.mark.reference(source="w_uv = -sin w by finite differences, w_u = -kg along the warp (Darboux)", kind="derived")
@pytest.mark.parametrize("turn", [0.5, -0.5])
def test_a_bent_first_thread(turn):
    h, n = 1 / 160, 161
    w = np.full((n, n), np.pi / 2)
    w[:, 0] = np.pi / 2 - turn * h * np.arange(n)
    for i in range(n - 1):
        for j in range(n - 1):
            four = w[i + 1, j] + w[i, j + 1]
            w[i + 1, j + 1] = four - w[i, j] - h * h * np.sin(four / 2)
    net = on_ball(1 / 80, 1.0, lambda at: turn + 0 * at)
    i, j = net.origin
    got = 90 - Cells(net).shear[i:, j:]
    assert np.abs(got - np.degrees(w[1::2, 1::2])).max() < 0.02


@pytest.mark.reference(source=SPHERE, kind="derived")
@pytest.mark.parametrize(("faces", "rms"), [("flat", 0.1), ("curved", 0.02)])
def test_sphere_of_20000_triangles(exact, faces, rms):
    v, f = shapes.sphere(1.0, 20480)
    v = v @ Rotation.from_rotvec([0.4, -0.7, 0.2]).as_matrix()
    near = (v[f].mean(axis=1) @ [0, 0, 1]) > np.cos(np.radians(80))
    bed = make_bed(region_of(Surface(1000 * v, f), near), curved=faces == "curved")
    at = bed.patch.locate(np.array([[0, 0, 1000.0]])).points_mm[0]
    laid = lay(bed, bed.start(at, [1, 0.3, 0]), spacing_mm=50)
    u, w = cell_middles(laid.net)
    true = exact_shear(exact, u * w / 1e6)
    seen = laid.cells.whole & (np.abs(true) < 60)
    assert seen.sum() > 1200
    assert np.sqrt(((laid.cells.shear - true)[seen] ** 2).mean()) < rms


class Tube:
    """A round cylinder of radius 1 about the z axis itself to lay nets on."""

    def near_crease(self, reach_mm):
        return None

    def settle(self, circles, face, guess):
        x = guess
        for _ in range(20):
            n = x * [1, 1, 0] / np.hypot(x[:, 0], x[:, 1])[:, None]
            x, meets = circles.meet(n, np.ones(len(x)))
        return Landed(x, x * [1, 1, 0], face, np.where(meets, ON, OPENED))


@pytest.mark.reference(source="a cylinder's development: cloth need not shear", kind="derived")
@pytest.mark.parametrize(("arcs", "most", "falls"), [(False, 0.04, 3.8), (True, 0.001, 12)])
def test_no_shear_on_the_cylinder_itself(arcs, most, falls):
    c, s = np.cos(np.radians(25)), np.sin(np.radians(25))
    start = Start(np.array([1.0, 0, 0]), 0, np.array([1.0, 0, 0]), np.array([0, -s, c]), np.array([0, -c, -s]))
    shear = []
    for h in (0.1, 0.05):
        k = round(1 / h)
        net = grow(Tube(), start, Plan(h, (k, k, k, k), arcs=arcs))
        flat = np.stack([np.arctan2(net.points[..., 1], net.points[..., 0]), net.points[..., 2]], axis=-1)
        u, v = np.diff(flat, axis=0)[:, 1:], np.diff(flat, axis=1)[1:]
        cosine = (u * v).sum(axis=-1) / np.linalg.norm(u, axis=-1) / np.linalg.norm(v, axis=-1)
        shear.append(np.abs(90 - np.degrees(np.arccos(cosine))).max())
    assert shear[0] < most
    assert shear[1] < shear[0] / falls


@pytest.mark.reference(source="developments of cylinder and cone: cloth need not shear", kind="derived")
@pytest.mark.parametrize(("make", "radius"), [(shapes.cylinder_developed, 300.0), (shapes.cone_developed, 102.6)])
@pytest.mark.parametrize("turn", [25, 60])
def test_developable_meshes_take_no_shear(make, radius, turn):
    rms = []
    for triangles, bars in ((5000, 5), (20000, 10)):
        v, f, flat = make(triangles=triangles)
        s, h = Surface(v, f), radius / bars
        at = s.locate(v[np.linalg.norm(flat - flat.mean(axis=0), axis=1).argmin()][None]).points_mm[0]
        d = drape(s, at, [0, 0, 1], turn_deg=turn, spacing_mm=h)
        rms.append(np.sqrt((d.shear_deg**2).mean()))
    assert d.covered.all()
    rim = shapely.LinearRing(flat[s.boundary_loops[0]])
    inner = np.array([rim.distance(shapely.Point(p)) for p in flat]) > 1.5 * h
    assert np.abs(d.shear_deg)[inner].max() < 0.04
    # At a free edge normals lean to one side, and cloth hangs on threads that were led on beyond it.
    assert np.abs(d.shear_deg).max() < 0.1
    assert rms[1] < 0.015
    assert rms[1] < rms[0] / 2
    assert np.abs(shapes.laid_on(d.uv_mm, flat) - flat).max() < 0.01 * h


@pytest.mark.reference(source="development of a bent plate: lengths run over the fold", kind="derived")
@pytest.mark.parametrize("angle", [30, 60, 90])
@pytest.mark.parametrize("h", [40.0, 15.0])
def test_a_chine_adds_no_shear(angle, h):
    v, f, flat = shapes.folded_plate_developed(angle)
    d = drape(Surface(v, f), [-137, 11, 0], [1, 0, 0], turn_deg=25, spacing_mm=h)
    assert d.cover > 0.999
    assert np.abs(d.shear_deg).max() < 1e-6
    c, s = np.cos(np.radians(25)), np.sin(np.radians(25))
    true = (flat - [-137, 11]) @ np.array([[c, -s], [s, c]])
    inner = np.abs(flat[:, 1]) < 400
    assert np.abs(d.uv_mm - true)[inner].max() < 0.02 * h


PATCHES = {
    "cap": (lambda: shapes.cap(45, 1000.0), [0, 0, 1000], 0),
    "saddle": (lambda: shapes.saddle(1000, 200), [60, -40, 0], 20),
    "smooth": (lambda: shapes.smooth_patch(triangles=20000), [20, 30, 0], 45),
    "chine hull": (lambda: shapes.chine_hull(step=6.0)[:2], [300, 180, 40], 45),
}


@pytest.mark.reference(source=GAUSS, kind="published")
@pytest.mark.parametrize("name", PATCHES)
def test_corner_sums_are_the_missing_angles(name):
    make, at, turn = PATCHES[name]
    v, f = make()
    d = drape(Surface(v, f), at, [1, 0, 0], turn_deg=turn, spacing_mm=12, tolerance_mm=200)
    assert len(d.check.corners_deg) >= 1
    assert d.check.worst_deg < 0.1
    assert not d.doubtful


@pytest.mark.reference(source="area element of a net, dA = cos(shear) du dv", kind="derived")
@pytest.mark.parametrize("name", ["cap", "saddle", "wigley"])
def test_template_area_is_the_surface_over_the_cosine(name):
    v, f = shapes.wigley(3000, 900, 400) if name == "wigley" else PATCHES[name][0]()
    s = Surface(v, f)
    at = s.locate(v.mean(axis=0)[None]).points_mm[0]
    d = drape(s, at, [1, 0, 0], spacing_mm=12)
    p = d.uv_mm[f]
    a, b = p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]
    flat = 0.5 * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
    whole = d.covered[f].all(axis=1)
    stretch = 1 / np.cos(np.radians(d.shear_deg[f])).mean(axis=1)
    assert flat[whole].sum() == pytest.approx((s.face_areas_mm2 * stretch)[whole].sum(), rel=1e-4)


def cap_on_sphere(cap_deg=45):
    v, f = shapes.cap(110, 1000.0, triangles=20000)
    middle = v[f].mean(axis=1)
    return region_of(Surface(v, f), middle[:, 2] > np.cos(np.radians(cap_deg)) * np.linalg.norm(middle, axis=1))


def rms(d):
    w = d.surface.face_areas_mm2
    return float(np.sqrt(w @ (d.shear_deg[d.surface.faces] ** 2).mean(axis=1) / w.sum()))


OFF_POLE = [1000 * np.sin(np.radians(25)), 0, 1000 * np.cos(np.radians(25))]


@pytest.fixture(scope="module")
def bent():
    """A cap of 45 degrees from a start 25 degrees off its pole, its first threads bent."""
    return steer_drape(cap_on_sphere(), OFF_POLE, [1, 0, 0], turn_deg=45)


@pytest.mark.reference(source="a sphere's symmetry: the best net of a cap is the one from its pole", kind="derived")
def test_bending_the_first_threads_restores_the_centred_net(bent):
    region = cap_on_sphere()
    centred = drape(region, [0, 0, 1000], [1, 0, 0])
    plain = drape(region, OFF_POLE, [1, 0, 0], turn_deg=45)
    assert plain.most_deg > 30
    assert plain.cover > 1 - 1e-9
    assert bent.cover > 1 - 1e-9
    assert rms(bent) == pytest.approx(rms(centred), abs=0.2)
    assert bent.most_deg == pytest.approx(centred.most_deg, abs=0.2)


@pytest.mark.reference(source="reflection: a mirrored surface has the mirrored net", kind="derived")
def test_mirrored_mesh_mirrored_template():
    v, f = shapes.saddle(1000, 200)
    one = drape(Surface(v, f), [60, -40, 3], [1, 0, 0], turn_deg=20, spacing_mm=20)
    other = drape(Surface(v * [1, -1, 1], f[:, ::-1]), [60, 40, 3], [1, 0, 0], turn_deg=-20, spacing_mm=20)
    assert np.abs(other.uv_mm - one.uv_mm * [1, -1]).max() < 1e-6
    assert np.abs(other.shear_deg + one.shear_deg).max() < 1e-6


@pytest.mark.reference(source=SPHERE + "; threads fall together at u = v = 1.3644 R", kind="derived")
def test_folds_are_found():
    v, f = shapes.sphere(1000.0, 20000)
    s, _ = Surface(v, f).sub(v[f].mean(axis=1)[:, 2] > 1000 * np.cos(np.radians(170)))
    top = s.locate(np.array([[0, 0, 1000.0]])).points_mm[0]
    d = drape(s, top, [1, 0, 0], spacing_mm=25, least_cover=0)
    assert len(d.folds_mm) >= 4
    # On the bias lines the threads fall together 133.2 degrees from the pole.
    at = np.argwhere(d.net.state == FOLDED)
    i, j = np.abs(at - np.array(d.net.origin)).T
    bias = d.net.points[tuple(at[np.abs(i - j) <= 1].T)]
    assert len(bias) >= 4
    assert np.degrees(np.arccos(bias[:, 2] / 1000)) == pytest.approx(np.full(len(bias), 133.2), abs=2)
    # No node stands beyond a fold, but for those that were led on along the lower edge.
    u, v = np.meshgrid(d.net.u_mm, d.net.v_mm, indexing="ij")
    assert np.abs(u * v)[d.net.there & ~d.net.shaded].max() < 1.92e6


# -- a second way: the net in the surface's own coordinates ----------------------------------------------------------
class Torus:
    """Parameters (a, b): round the axis, round the tube."""

    large, small = 700.0, 250.0

    def point(self, p):
        a, b = p
        r = self.large + self.small * np.cos(b)
        return np.array([r * np.cos(a), r * np.sin(a), self.small * np.sin(b)])

    def first(self, p):
        a, b = p
        r, s = self.large + self.small * np.cos(b), self.small
        zero = 0 * a
        return np.array([
            [-r * np.sin(a), r * np.cos(a), zero],
            [-s * np.sin(b) * np.cos(a), -s * np.sin(b) * np.sin(a), s * np.cos(b)],
        ])

    def second(self, p):
        a, b = p
        r, s = self.large + self.small * np.cos(b), self.small
        zero = 0 * a
        aa = [-r * np.cos(a), -r * np.sin(a), zero]
        ab = [s * np.sin(b) * np.sin(a), -s * np.sin(b) * np.cos(a), zero]
        bb = [-s * np.cos(b) * np.cos(a), -s * np.cos(b) * np.sin(a), -s * np.sin(b)]
        return np.array([[aa, ab], [ab, bb]])


class Ellipsoid:
    """Longitude and latitude."""

    axes = np.array([1000.0, 800.0, 600.0])

    def point(self, p):
        a, b = p
        return self._scaled([np.cos(b) * np.cos(a), np.cos(b) * np.sin(a), np.sin(b)])

    def first(self, p):
        a, b = p
        zero = 0 * a
        return np.array([
            self._scaled([-np.cos(b) * np.sin(a), np.cos(b) * np.cos(a), zero]),
            self._scaled([-np.sin(b) * np.cos(a), -np.sin(b) * np.sin(a), np.cos(b)]),
        ])

    def second(self, p):
        a, b = p
        zero = 0 * a
        aa = self._scaled([-np.cos(b) * np.cos(a), -np.cos(b) * np.sin(a), zero])
        ab = self._scaled([np.sin(b) * np.sin(a), -np.sin(b) * np.cos(a), zero])
        bb = self._scaled([-np.cos(b) * np.cos(a), -np.cos(b) * np.sin(a), -np.sin(b)])
        return np.array([[aa, ab], [ab, bb]])

    def _scaled(self, x):
        return np.array([s * q for s, q in zip(self.axes, x)])


def bend_of(surface, p, x, y):
    """Christoffel symbols on two tangents: (2, k) second derivatives that keep the surface's geodesics straight."""
    e, d = surface.first(p), surface.second(p)
    metric = np.einsum("icK,jcK->ijK", e, e)
    push = np.einsum("ijcK,iK,jK->cK", d, x, y)
    right = np.einsum("icK,cK->iK", e, push)
    det = metric[0, 0] * metric[1, 1] - metric[0, 1] ** 2
    return np.array([
        metric[1, 1] * right[0] - metric[0, 1] * right[1], metric[0, 0] * right[1] - metric[0, 1] * right[0],
    ]) / det


def geodesic(surface, p, way, h, n):
    """Parameters (2, n + 1) at equal steps along the geodesic."""
    def rate(s, y):
        q, t = y[:2, None], y[2:, None]
        return np.concatenate([t, -bend_of(surface, q, t, t)])[:, 0]

    found = solve_ivp(rate, (0, n * h), np.concatenate([p, way]), "DOP853", rtol=1e-10, atol=1e-12,
                      t_eval=np.linspace(0, n * h, n + 1))
    return found.y[:2]


def second_net(surface, p, way, h, n):
    """Angle between threads (n, n), degrees, and parameters (2, n, n) at the middles of cells.

    By differences from p_uv = -Christoffel(p_u, p_v): the statement that X_uv has no part along the surface, which makes
    the threads keep their lengths.
    """
    e = surface.first(p[:, None])[:, :, 0]
    normal = np.cross(e[0], e[1])
    normal /= np.linalg.norm(normal)
    side = np.cross(normal, way)

    def own(t):
        return np.linalg.lstsq(e.T, t, rcond=None)[0]

    q = np.zeros((2, n + 1, n + 1))
    q[:, :, 0], q[:, 0] = geodesic(surface, p, own(way), h, n), geodesic(surface, p, own(side), h, n)
    angle, middles = np.zeros((n, n)), np.zeros((2, n, n))
    for front in range(2 * n - 1):
        i = np.arange(max(0, front - n + 1), min(front, n - 1) + 1)
        j = front - i
        a, b, c = q[:, i + 1, j], q[:, i, j + 1], q[:, i, j]
        new = a + b - c
        for _ in range(4):
            u, v = (a - c + new - b) / 2, (b - c + new - a) / 2
            middle = (a + b + c + new) / 4
            new = a + b - c - bend_of(surface, middle, u, v)
        q[:, i + 1, j + 1] = new
        e = surface.first(middle)
        x, y = np.einsum("icK,iK->cK", e, u), np.einsum("icK,iK->cK", e, v)
        cosine = (x * y).sum(axis=0) / np.sqrt((x * x).sum(axis=0) * (y * y).sum(axis=0))
        angle[i, j], middles[:, i, j] = np.degrees(np.arccos(cosine)), middle
    return angle, middles


def curvature_at(surface, p):
    """Gaussian curvature at parameters (2, k) by the two fundamental forms."""
    e, d = surface.first(p), surface.second(p)
    normal = np.cross(e[0], e[1], axis=0)
    normal = normal / np.linalg.norm(normal, axis=0)
    metric, shape = np.einsum("icK,jcK->ijK", e, e), np.einsum("ijcK,cK->ijK", d, normal)
    return (shape[0, 0] * shape[1, 1] - shape[0, 1] ** 2) / (metric[0, 0] * metric[1, 1] - metric[0, 1] ** 2)


def angle_by_curvature(k, h):
    """Angle between threads (n, n), degrees, at the middles of cells: w_uv = -K sin w by differences, K (n, n) there."""
    n = len(k)
    w = np.full((n + 1, n + 1), np.pi / 2)
    for i in range(n):
        for j in range(n):
            four = w[i + 1, j] + w[i, j + 1]
            w[i + 1, j + 1] = four - w[i, j] - h * h * k[i, j] * np.sin(four / 2)
    return np.degrees(w[1:, 1:] + w[1:, :-1] + w[:-1, 1:] + w[:-1, :-1]) / 4


SURFACES = {
    "torus outside": (Torus(), lambda: shapes.torus(around=240, along=120), (0.4, 0.5), (1.0, 0.5)),
    "torus inside": (Torus(), lambda: shapes.torus(around=240, along=120), (0.4, 2.6), (1.0, -0.8)),
    "ellipsoid": (Ellipsoid(), lambda: shapes.ellipsoid(triangles=40000), (0.3, 0.2), (1.0, 0.4)),
}
SECOND_H, SECOND_N = 12.0, 24


@pytest.fixture(scope="module", params=SURFACES)
def two_ways(request):
    """Angles of our net on the mesh, where it has whole cells, and the net of the second way, on cells half as wide."""
    surface, mesh, at, way = SURFACES[request.param]
    v, f = mesh()
    p, n, h = np.array(at), SECOND_N, SECOND_H
    x = surface.point(p)
    e = surface.first(p[:, None])[:, :, 0]
    t = way[0] * e[0] / np.linalg.norm(e[0]) + way[1] * e[1] / np.linalg.norm(e[1])
    t /= np.linalg.norm(t)
    near = np.linalg.norm(v[f].mean(axis=1) - x, axis=1) < 1.3 * n * h
    bed = make_bed(region_of(Surface(v, f), near))
    start = bed.start(x, t, tolerance_mm=5)
    assert start.normal @ np.cross(e[0], e[1]) > 0
    laid = lay(bed, start, spacing_mm=h)
    i, j = laid.net.origin
    seen = laid.cells.whole[i : i + n, j : j + n]
    assert seen.mean() > 0.8
    return surface, 90 - laid.cells.shear[i : i + n, j : j + n], seen, second_net(surface, p, t, h / 2, 2 * n)


def joined(fine):
    """Means of four cells at a time."""
    return (fine[::2, ::2] + fine[1::2, ::2] + fine[::2, 1::2] + fine[1::2, 1::2]) / 4


@pytest.mark.reference(
    source="X_uv without tangential part, by finite differences in the surface's parameters (Servant 1903)", kind="derived"
)
def test_torus_and_ellipsoid_by_a_second_way(two_ways):
    _, got, seen, (angle, _) = two_ways
    true = joined(angle)
    assert np.ptp(true[seen]) > 5
    assert np.abs(got - true)[seen].max() < 0.1


@pytest.mark.reference(
    source="w_uv = -K sin w by finite differences, K from the surface's own fundamental forms (Chebyshev 1878)", kind="derived"
)
def test_torus_and_ellipsoid_by_their_curvature(two_ways):
    surface, got, seen, (_, middles) = two_ways
    k = curvature_at(surface, middles.reshape(2, -1)).reshape(middles.shape[1:])
    true = joined(angle_by_curvature(k, SECOND_H / 2))
    assert np.ptp(true[seen]) > 5
    assert np.abs(got - true)[seen].max() < 0.1


# -- templates of pieces ---------------------------------------------------------------------------------------------
@pytest.mark.reference(source=SPHERE, kind="derived")
def test_template_of_a_cap_has_the_exact_area():
    v, f = shapes.cap(45, 1000.0, triangles=20000)
    laid = draped_flat(drape(Surface(v, f), [0, 0, 1000], [1, 0, 0]))
    made = make_templates(
        Opened((laid.drape.surface,)), [laid.flat], region="r", ply="P1", material="m", warp=[1, 0, 0], lap_mm=0, trim_mm=0
    )[0]
    assert made.net.area / 1e6 == pytest.approx(1.852784, abs=0.001)
    assert laid.area.off < 1e-4
    assert laid.drape.check.worst_deg < 0.1


@pytest.mark.reference(source="development of a cone: cloth need not shear, whatever its warp", kind="derived")
def test_a_cone_opened_by_one_seam_is_its_development():
    v, f, flat = shapes.cone_developed(half_deg=20.0, wrap_deg=360.0, near=250.0, far=500.0, triangles=8000)
    cone = Surface(v, f)
    bed = seam_bed(cone)
    at = v[np.linalg.norm(flat - flat.mean(axis=0), axis=1).argmin()]
    laid = draped_flat(drape_of(lay(bed, bed.start(at, [0, 0, 1], turn_deg=30)), least_cover=0.0))
    assert rigid_misfit(laid.flat.uv_mm, flat) < 0.5
    assert laid.drape.most_deg < 0.5


def rigid_misfit(uv, true):
    """Largest distance after the best turn and move, not mirrored."""
    p, q = uv - uv.mean(axis=0), true - true.mean(axis=0)
    turn = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
    c, s = np.cos(turn), np.sin(turn)
    return float(np.abs(p @ np.array([[c, s], [-s, c]]) - q).max())


@pytest.mark.reference(source="the first threads of a net are u = 0 and v = 0: straight on the cloth", kind="derived")
@pytest.mark.parametrize("face_up", ["out", "in"])
def test_first_threads_on_the_hull_lie_on_their_straight_lines_on_the_template(bent, face_up):
    assert np.abs(bent.steering.warp_bend).max() > 0
    laid = draped_flat(bent)
    s = bent.surface
    options = {"region": "r", "ply": "P1", "material": "m", "lap_mm": 0, "trim_mm": 0}
    t = make_templates(Opened((s,)), [laid.flat], warp=[1, 0, 0], angle_deg=45, face_up=face_up, **options)[0]
    frame, _ = warp_frame(s, laid.flat, [1, 0, 0], angle_deg=45, face_up=face_up)
    for line, threads in ((bent.warp_line_mm, t.warp_thread), (bent.weft_line_mm, t.weft_thread)):
        # The ply's own edge is a saw of triangles, which a thread may cross more than once.
        drawn = shapely.union_all(threads)
        found = lines_on_table([line], s, laid.flat, frame, near_mm=0.5)
        on_table = np.concatenate([np.asarray(g.coords) for g in found])
        off = shapely.distance(drawn, shapely.points(on_table))
        assert off.max() < 0.5
        assert np.ptp(on_table, axis=0).max() == pytest.approx(drawn.length, abs=40)
        assert drawn.length > 1400
    at = frame.apply(laid.flat.uv_mm[np.linalg.norm(s.vertices_mm - bent.start_mm, axis=1).argmin()])
    assert t.start.distance(shapely.Point(at)) < 1.5 * s.mean_edge_mm
