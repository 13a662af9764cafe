"""Ports on a flat plate, where distances are those of a drawing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from plyflat.bag.ports import Clear, Ground, place_ports
from plyflat.errors import OutlineError, QuantityError
from plyflat.surface.mesh import Surface

NONE = np.zeros((0, 3))


def plate(x0, x1, y0, y1, step=20.0):
    x, y = np.meshgrid(np.linspace(x0, x1, round((x1 - x0) / step) + 1), np.linspace(y0, y1, round((y1 - y0) / step) + 1), indexing="ij")
    i = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    return Surface(np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], 1), np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]))


def rim(surface):
    return surface.vertices_mm[surface.boundary_loops[0]]


def ground(hull_beyond=400.0, **more):
    """A laminate of 600 by 200 mm with the tape 100 mm outside it."""
    inner, inside = plate(0, 600, 0, 200), plate(-100, 700, -100, 300)
    b = 100 + hull_beyond
    return Ground(
        inside, plate(-b, 600 + b, -b, 200 + b), (rim(inside),), rim(inner), inner, *(more.get(k, NONE) for k in ("pleats", "corners", "thin"))
    )


CLEAR = Clear(50.0, 60.0, 50.0, 150.0, 150.0)


def far_out(place):
    x, y, _ = place
    return float(np.hypot(max(-x, x - 600, 0.0), max(-y, y - 200, 0.0)))


def test_two_ports_stand_at_the_far_ends_with_a_tongue_each():
    vacuum, gauge = place_ports(ground(), CLEAR)
    assert (vacuum.name, gauge.name) == ("vacuum", "gauge")
    for port in (vacuum, gauge):
        assert port.faults == ()
        assert not port.stated
        assert port.pleat_mm is port.corner_mm is port.thin_mm is None
        # On a straight side the lead runs square out; half a base and room to press the tape lie beyond it.
        assert port.way_mm == 150.0
        assert far_out(port.place_mm) == pytest.approx(150.0, abs=45.0)
        assert port.tongue_mm == pytest.approx(150 + 40 - 100, abs=45.0)
    # The diagonal of the plate inside the tape is the longest way there is.
    assert vacuum.other_mm == vacuum.other_mm == pytest.approx(np.hypot(800, 400), rel=0.03)


def test_a_short_lead_stays_inside_the_tape():
    for port in place_ports(ground(), replace(CLEAR, way_mm=55.0)):
        assert port.tongue_mm == 0.0
        assert far_out(port.place_mm) == pytest.approx(55.0, abs=1.0)


def test_where_the_hull_ends_at_the_tape_the_lead_is_short_and_that_is_said():
    for port in place_ports(ground(hull_beyond=0.0), CLEAR):
        assert port.tongue_mm == 0.0
        assert port.way_mm >= 50.0
        assert "there is room for a lead of" in port.faults[0]
        assert "150 mm are wanted" in port.faults[0]


@pytest.mark.parametrize("beyond", [60.0, 75.0, 100.0])
def test_the_tape_round_a_port_has_hull_under_it(beyond):
    for port in place_ports(ground(hull_beyond=beyond), CLEAR):
        x, y, _ = port.place_mm
        out = port.tongue_mm - 40.0
        # The port's own way out and half its base with the tape; the hull ends straight.
        room = min(x + 100 + beyond, 700 + beyond - x, y + 100 + beyond, 300 + beyond - y)
        assert out <= 0.0 or room >= 28.0
        assert room >= 40.0 / np.sqrt(2) - 1.0


def test_ports_keep_off_pleats_corners_and_thin_skins():
    corner = np.array([[-100.0, y, 0.0] for y in np.arange(-100, 301, 5.0)])
    pleat = np.array([[700.0, 300.0, 0.0]])
    thin = np.array([[700.0, -100.0, 0.0]])
    for port in place_ports(ground(pleats=pleat, corners=corner, thin=thin), CLEAR):
        assert port.faults == ()
        assert port.corner_mm >= 59.0
        assert port.pleat_mm >= 59.0
        assert port.thin_mm >= 149.0
        assert port.thin_mm == pytest.approx(np.linalg.norm(np.array(port.place_mm) - thin[0]))


def test_the_metre_mark_is_where_the_lead_crosses_the_tape():
    there = ground()
    for port in place_ports(there, CLEAR):
        line = np.concatenate([there.tape_mm[0], there.tape_mm[0][:1]])
        s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
        foot = [np.interp(1000 * port.at_m, s, line[:, k]) for k in range(3)]
        assert np.linalg.norm(np.array(port.place_mm) - foot) == pytest.approx(port.tongue_mm - 40.0, abs=1.0)


def test_stated_ports_are_taken_and_checked():
    vacuum, gauge = place_ports(ground(), CLEAR, vacuum_mm=(300, 100, 5), gauge_mm=(300, 260, 0))
    assert vacuum.place_mm == pytest.approx((300, 100, 0))
    assert vacuum.faults[0] == "it stands on the laminate"
    assert vacuum.way_mm == 0.0
    assert gauge.stated
    assert gauge.faults == ()
    assert gauge.way_mm == pytest.approx(60.0, abs=0.1)
    # Its base of 50 mm and the tape want 40 mm, and the tape is 40 mm off.
    assert gauge.tongue_mm == pytest.approx(0.0, abs=0.1)


def test_one_stated_port_sends_the_other_to_the_far_end():
    _, gauge = place_ports(ground(), CLEAR, vacuum_mm=(-60, 100, 0))
    assert gauge.place_mm[0] > 600.0
    vacuum, _ = place_ports(ground(), CLEAR, gauge_mm=(660, 100, 0))
    assert vacuum.place_mm[0] < 0.0


def test_a_stated_port_too_near_is_told_by_how_much():
    near = np.array([[280.0, 260.0, 0.0]])
    _, gauge = place_ports(ground(pleats=near), CLEAR, vacuum_mm=(-60, 100, 0), gauge_mm=(300, 230, 0))
    assert gauge.faults == (
        "it stands 30 mm from the laminate, where 50 mm are wanted",
        "it stands 36 mm from a pleat, where 60 mm are wanted",
    )


def test_a_lead_that_crosses_the_tape_by_a_pleat_is_told_as_that():
    pleat = np.array([[330.0, -100.0, 0.0]])
    vacuum, _ = place_ports(ground(pleats=pleat), CLEAR, vacuum_mm=(300, -220, 0))
    assert vacuum.faults == ("its lead crosses the tape 30 mm from a pleat, where 60 mm are wanted",)
    # The table beside it tells how far the port itself is.
    assert vacuum.pleat_mm == pytest.approx(np.hypot(30, 120))


def test_where_one_place_alone_keeps_clear_the_gauge_takes_the_next_best():
    # Thin skins all round but for one corner of the tape: all other places stand too near to one of them.
    line = rim(plate(-100, 700, -100, 300))
    thin = line[np.linalg.norm(line - [700.0, 300.0, 0.0], axis=1) > 230.0]
    vacuum, gauge = place_ports(ground(thin=thin), replace(CLEAR, way_mm=55.0))
    assert vacuum.faults == ()
    assert np.linalg.norm(np.array(vacuum.place_mm) - [640.0, 240.0, 0.0]) < 50.0
    assert [q.split(" mm from ")[1] for q in gauge.faults] == ["a thin skin, where 150 mm are wanted"]
    # As far from it as any.
    assert gauge.place_mm[0] < 0.0
    assert gauge.place_mm[1] < 0.0
    assert gauge.other_mm == vacuum.other_mm > 700.0


def test_two_ports_stated_at_one_place_are_told():
    vacuum, gauge = place_ports(ground(), CLEAR, vacuum_mm=(300, 260, 0), gauge_mm=(310, 260, 0))
    assert vacuum.faults == ()
    assert gauge.faults == ("it stands 10 mm from the other port, where 65 mm are wanted",)


def test_a_stated_port_off_the_hull_is_refused():
    with pytest.raises(OutlineError, match="gauge port stated lies 500 mm off the surface"):
        place_ports(ground(), CLEAR, gauge_mm=(0, 0, 500))


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_distances_that_cannot_be(value):
    with pytest.raises(QuantityError, match="apart_mm"):
        place_ports(ground(), replace(CLEAR, apart_mm=value))
