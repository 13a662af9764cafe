"""Outlines seen from a direction and drawings laid on the hull, against closed forms and other libraries."""

import ezdxf
import numpy as np
import pytest
import shapely
import shapes
from scipy.integrate import quad

from plyflat.surface.drawn import drawn_region, read_drawing
from plyflat.surface.mesh import Surface
from plyflat.surface.projected import cut_region_seen

R = 200.0
MIDDLE = np.radians(50)
AHEAD, ACROSS = np.array([np.cos(MIDDLE), np.sin(MIDDLE), 0]), np.array([-np.sin(MIDDLE), np.cos(MIDDLE), 0])


def _cylinder(rms=0.0, length=5.0):
    v, f = shapes.cylinder(radius=R, wrap_deg=100, height=300, triangles=40000)
    return Surface(shapes.rough(v, f, rms, length) if rms else v, f)


def _round(r, count=720):
    a = 2 * np.pi * np.arange(count) / count
    return r * np.stack([np.cos(a), np.sin(a)], 1)


@pytest.mark.reference(source="area over a disc on a cylinder: integral of 2 sqrt(a² - x²) / sqrt(1 - (x / R)²)", kind="derived")
def test_disc_drawn_on_a_cylinder():
    drawn = drawn_region(_cylinder(), _round(90.0), origin_mm=R * AHEAD + [0, 0, 150], across=ACROSS, along=(0, 0, 1))
    true = quad(lambda x: 2 * np.sqrt(90**2 - x**2) / np.sqrt(1 - (x / R) ** 2), -90, 90)[0]
    assert drawn.region.area_mm2 == pytest.approx(true, rel=2e-4)


@pytest.mark.reference(source="shapely, distance of the cut edge from the drawing, looked at in its plane", kind="library")
@pytest.mark.parametrize("rms", [0.0, 0.5, 1.0])
def test_cut_edge_seen_in_the_drawings_plane(rms):
    surface = _cylinder(rms)
    origin = R * AHEAD + [0, 0, 150]
    drawn = drawn_region(surface, _round(90.0), origin_mm=origin, across=ACROSS, along=(0, 0, 1))
    p = drawn.region.surface.vertices_mm[drawn.region.loops[0]] - origin
    flat = np.stack([p @ ACROSS, p[:, 2]], 1)
    made, meant = shapely.LinearRing(flat), shapely.LinearRing(_round(90.0))
    off = max(shapely.hausdorff_distance(made, meant, densify=0.2), shapely.distance(meant, shapely.points(flat)).max())
    # on a noisy scan the line lies on the smooth copy; the scan's points stand off it by their noise
    assert off < 0.05 + 2.0 * rms


@pytest.mark.reference(source="a plane that cuts a circular cylinder aslant: an ellipse; its development is a sine", kind="derived")
def test_line_seen_straight_on_a_cylinder_develops_to_a_sine():
    # seen along AHEAD a slanting line lies in a plane; the plane's section of the cylinder is z = a + b sin(angle)
    def on(u, z):
        return AHEAD * np.sqrt(R**2 - u**2) + ACROSS * u + [0, 0, z]

    points = [on(-110, 80), on(110, 140), on(110, 250), on(-110, 220)]
    region = cut_region_seen(_cylinder(), points, direction=AHEAD)
    p = region.surface.vertices_mm[region.loops[0]]
    u, z = p @ ACROSS, p[:, 2]
    sine = np.arctan2(u, p @ AHEAD)
    low = (z < 150) & (np.abs(u) < 109.9)
    assert low.sum() > 50
    assert np.abs(z[low] - (110 + 60 / 220 * R * np.sin(sine[low]))).max() < 0.05


@pytest.mark.reference(source="Wigley hull formula, integrated numerically", kind="derived")
def test_rectangle_seen_from_abeam_on_the_wigley_hull():
    surface = Surface(*shapes.wigley(triangles=20000))
    corners = [[-2000, 0, -450], [1500, 0, -450], [1500, 0, -100], [-2000, 0, -100]]
    region = cut_region_seen(surface, corners, direction=(0, 1, 0), side="near")

    def strip(x):
        def element(z):
            y_x = -4 * 1800 * x / 9000**2 * (1 - (z / 600) ** 2)
            y_z = -1800 * z / 600**2 * (1 - (2 * x / 9000) ** 2)
            return np.sqrt(1 + y_x**2 + y_z**2)

        return quad(element, -450, -100)[0]

    assert region.area_mm2 == pytest.approx(quad(strip, -2000, 1500)[0], rel=2e-4)


@pytest.mark.reference(source="DXF reference: bulge is the tangent of a quarter of the arc's angle", kind="published")
def test_bulges_of_a_drawing(tmp_path):
    doc = ezdxf.new("R2010", units=6)
    doc.modelspace().add_lwpolyline([(-2, 0, 0, 0, 1), (2, 0, 0, 0, 1)], format="xyseb", close=True)
    doc.modelspace().add_lwpolyline(
        [(0, 0, 0, 0, np.tan(np.pi / 16)), (1, 0), (0, 1)], format="xyseb", close=True, dxfattribs={"layer": "B"}
    )
    path = tmp_path / "bulge.dxf"
    doc.saveas(path)
    ring, slice_ = read_drawing(path)
    assert np.abs(np.linalg.norm(ring, axis=1) - 2000).max() < 1e-4
    # a chord of 1 m under an arc of 45 degrees: radius 0.5 / sin 22.5, the segment below the chord comes on top
    radius = 500 / np.sin(np.pi / 8)
    segment = radius**2 / 2 * (np.pi / 4 - np.sin(np.pi / 4))
    assert shapely.Polygon(slice_).area == pytest.approx(500_000 + segment, rel=1e-4)


@pytest.mark.reference(source="ezdxf, its own flattening of the spline", kind="library")
def test_spline_of_a_drawing(tmp_path):
    doc = ezdxf.new("R2010", units=4)
    a = np.linspace(0, 2 * np.pi, 13)
    spline = doc.modelspace().add_spline(np.stack([80 * np.cos(a), 50 * np.sin(a) + 9 * np.cos(3 * a), 0 * a], 1))
    path = tmp_path / "spline.dxf"
    doc.saveas(path)
    (loop,) = read_drawing(path)
    own = np.array([(q.x, q.y) for q in spline.flattening(0.001)])
    assert shapely.hausdorff_distance(shapely.LinearRing(loop), shapely.LineString(own)) < 0.03
