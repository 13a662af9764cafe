"""A film over plane sections against closed forms of wedges and trenches."""

import numpy as np
import pytest
import shapes

from plyflat.bag.corners import corner_sections, hollow_lines
from plyflat.bag.film import Film
from plyflat.bag.section_film import filled, lay_over_section, length_mm, stuck, tension_n_per_mm
from plyflat.bag.wedge import area_factor, depth_factor, frictionless_radius_mm, sticking_radius_mm
from plyflat.surface.mesh import Surface

FILM = Film("elastic", 700.0, 0.06)
DRAWS = Film("nylon", 700.0, 0.05, yield_mpa=35.0, hardening_mpa=15.0)


def section_of(angle, walls=200.0):
    surface = Surface(*shapes.wedge(angle, length=80, first=walls, second=walls, step=8.0))
    return corner_sections(surface, hollow_lines(surface), allowed_mm=7.0)[0]


@pytest.mark.reference(source="length of a film in a wedge: L (1 + p r / E t) = a + b - missing(r)", kind="derived")
@pytest.mark.parametrize("angle", [60, 90, 120, 150])
def test_radius_in_a_wedge(angle):
    s = section_of(angle)
    found = lay_over_section(s, FILM, pressure_kpa=90.0)
    true = frictionless_radius_mm(
        angle, walls_mm=s.path_mm, rest_mm=s.taut_path_mm, pressure_kpa=90.0, stiffness_n_per_mm=42.0
    )
    assert found.radius_mm == pytest.approx(true, rel=4e-3)
    assert found.depth_mm == pytest.approx(true * depth_factor(angle), rel=0.01)
    assert found.area_mm2 == pytest.approx(true**2 * area_factor(angle), rel=0.02)
    assert found.tension_n_per_m == pytest.approx(90.0 * found.radius_mm)


@pytest.mark.reference(source="length of a film in a wedge: L (1 + p r / E t) = a + b - missing(r)", kind="derived")
def test_slack_makes_the_radius_smaller_as_its_length_says():
    s = section_of(90)
    radii = []
    for slack in (0.0, 40.0, 80.0):
        found = lay_over_section(s, FILM, pressure_kpa=90.0, slack_mm=slack)
        true = frictionless_radius_mm(
            90, walls_mm=s.path_mm, rest_mm=s.taut_path_mm + slack, pressure_kpa=90.0, stiffness_n_per_mm=42.0
        )
        assert found.radius_mm == pytest.approx(true, rel=6e-3)
        radii.append(found.radius_mm)
    assert radii == sorted(radii, reverse=True)
    # More than there is way: it lies everywhere and the rest folds.
    full = lay_over_section(s, FILM, pressure_kpa=90.0, slack_mm=150.0)
    assert full.tension_n_per_m == 0.0
    assert full.stretch < 1.0
    assert full.depth_mm < 0.2


@pytest.mark.reference(source="r = sigma t / p of a film that draws, by hand", kind="derived")
def test_a_film_that_nothing_feeds_draws_at_its_yield():
    s = section_of(90)
    found = stuck(s, DRAWS, pressure_kpa=87.5)
    assert found.radius_mm == pytest.approx(20.0)
    assert found.depth_mm == pytest.approx(20.0 * depth_factor(90), rel=0.005)
    # One that slides has drawn farther and is harder by what it hardened, no more.
    free = lay_over_section(s, DRAWS, pressure_kpa=87.5)
    hardened = 1e3 * tension_n_per_mm(DRAWS, free.stretch) / 87.5
    assert free.radius_mm == pytest.approx(hardened, rel=4e-3)
    assert 20.0 < free.radius_mm < 24.0


@pytest.mark.reference(source="a film stuck to two walls: `sticking_radius_mm`", kind="derived")
def test_a_film_that_slides_leaves_less_than_one_that_sticks():
    free = lay_over_section(section_of(90), FILM, pressure_kpa=90.0)
    assert free.radius_mm < sticking_radius_mm(90, wall_mm=200.0, pressure_kpa=90.0, stiffness_n_per_mm=42.0)


@pytest.mark.reference(source="an arc of radius T / p from edge to edge of a trench, by hand", kind="derived")
def test_a_film_hangs_into_a_deep_trench():
    hull = np.array([[-150.0, 0], [-20, 0], [-20, -60], [20, -60], [20, 0], [150, 0]])
    way = filled(hull, 30.0)
    sag = 30.0 - np.sqrt(30.0**2 - 20.0**2)
    assert -way[:, 1].min() == pytest.approx(sag, rel=0.01)
    assert length_mm(way) == pytest.approx(260.0 + 60.0 * np.arcsin(20.0 / 30.0), rel=1e-3)


@pytest.mark.reference(source="gap of a film of radius r over a fillet rho: (r - rho)(1 / sin(a / 2) - 1)", kind="derived")
@pytest.mark.parametrize("fillet", [5.0, 12.0])
def test_a_fillet_takes_its_own_radius_off(fillet):
    found = lay_over_section(section_of(90), DRAWS, pressure_kpa=87.5, fillet_mm=fillet)
    assert found.depth_mm == pytest.approx((found.radius_mm - fillet) * depth_factor(90), rel=0.02)


def test_a_bag_in_two_pieces_lies_on_both_walls():
    found = lay_over_section(section_of(90), FILM, pressure_kpa=90.0, taped_at_corner=True)
    assert found.depth_mm < 0.1
