"""Templates against closed forms: developments, enclosed curvature, and dihedral angles."""

import numpy as np
import pytest
import shapes
from shapely import Polygon

from plyflat.cloth.flatten import flatten
from plyflat.cloth.opening import Opened, enclosed_deg, open_patch
from plyflat.cloth.pieces import make_templates, warp_frame
from plyflat.surface.crease import find_creases
from plyflat.surface.mesh import Surface


@pytest.mark.reference(source="a circular cylinder's development is a rectangle of its arc length", kind="derived")
def test_cylinder_template_is_the_development():
    s = Surface(*shapes.cylinder(radius=300, wrap_deg=120, height=500, triangles=40000))
    for angle in (0.0, 45.0, -30.0):
        (t,) = make_templates(
            Opened((s,)), [flatten(s)], region="r", ply="P1", material="m", warp=(0, 0, 1), angle_deg=angle
        )
        assert t.net.area == pytest.approx(300 * np.radians(120) * 500, rel=1e-5)
        # The long side (arc 628 mm) lies square to the axis: at 90 degrees less the ply's angle on the table.
        box = t.net.minimum_rotated_rectangle
        a, b, c, *_ = np.asarray(box.exterior.coords)
        long = max((b - a, c - b), key=lambda e: np.hypot(*e))
        off = np.degrees(np.arctan2(long[1], long[0])) - (-90 - angle)
        assert abs((off + 90) % 180 - 90) < 0.05


@pytest.mark.reference(source="rulings of a circular cone develop to rays; their mean over a sector", kind="derived")
def test_warp_over_a_cone_spreads_as_its_rulings_do():
    # Axis direction projected on the cone runs along the rulings. Over a sector of angle A the 95th percentile of
    # the angle to the middle ruling is 0.95 A / 2.
    s = Surface(*shapes.cone(half_deg=20, wrap_deg=120, near=300, far=900, triangles=8000))
    _, spread = warp_frame(s, flatten(s), (0, 0, 1))
    assert spread == pytest.approx(0.95 * 120 * np.sin(np.radians(20)) / 2, abs=0.2)


@pytest.mark.reference(source="Gauss-Bonnet theorem (do Carmo, Differential Geometry, 4-5)", kind="published")
@pytest.mark.parametrize("half_deg", [90, 80, 60, 30, 10])
def test_top_of_a_cone_encloses_its_apex_angle(half_deg):
    angle, row, f = shapes._tube(200, 10, 1)
    sin, cos = np.sin(np.radians(half_deg)), np.cos(np.radians(half_deg))
    r = 300 - 20 * np.round(row)
    s = Surface(np.stack([r * sin * np.cos(angle), r * sin * np.sin(angle), -r * cos], 1), f)
    inner = s.boundary_loops[-1]
    assert enclosed_deg(s, inner) == pytest.approx(360 * (1 - sin), abs=0.5)


@pytest.mark.reference(source="a right cylinder of radius r and height h on a flat ring of width w", kind="derived")
def test_post_ring_covers_wall_and_plate():
    s = Surface(*shapes.post_on_plate(60, 80, 100, around=240, along=36))
    opened = open_patch(s, most=4, limit=0.01, over_share=0.0)
    exact = 2 * np.pi * 60 * 80 + np.pi * (160**2 - 60**2)
    assert len(opened.pieces) == 4
    assert sum(p.area_mm2 for p in opened.pieces) == pytest.approx(exact, rel=3e-4)


@pytest.mark.reference(source="dihedral angle of two half planes", kind="derived")
@pytest.mark.parametrize("turn_deg", [-90, -40, 35, 75])
def test_corner_angle_and_sign(turn_deg):
    p, f = shapes.rectangle(200, 120, 3000)
    side = np.abs(p[:, 1] - 60) < 1e-9
    # A row of vertices on the line: bend the upper half about y = 60.
    p[np.argsort(np.abs(p[:, 1] - 60))[:40], 1] = 60
    t = np.radians(turn_deg)
    over = np.maximum(p[:, 1] - 60, 0)
    v = np.column_stack([p[:, 0], np.minimum(p[:, 1], 60) + over * np.cos(t), -over * np.sin(t)])
    (c,) = find_creases(Surface(v, f))
    assert c.concave == (turn_deg < 0)
    assert c.angle_deg == pytest.approx(abs(turn_deg), rel=0.1)
    assert not side.all()


@pytest.mark.reference(source="an isometry keeps areas: cloth of a developable ring, laps not counted", kind="derived")
def test_net_areas_of_a_cone_ring_add_up():
    angle, row, f = shapes._tube(160, 20, 2)
    r = 200 + 15 * np.round(row)
    s = Surface(np.stack([0.5 * r * np.cos(angle), 0.5 * r * np.sin(angle), -np.sqrt(0.75) * r], 1),
                f[:, [0, 2, 1]])
    opened = open_patch(s, most=1, lap_mm=25)
    ts = make_templates(opened, [flatten(p) for p in opened.pieces], region="r", ply="P1", material="m",
                        warp=(0, 1, 0), crease_deg=60)
    net = sum(t.net.area for t in ts)
    # Half angle 30 degrees: the development is a sector of 180 degrees.
    assert net == pytest.approx(0.5 * np.pi * (500**2 - 200**2), rel=1e-3)
    assert isinstance(ts[0].net, Polygon)
