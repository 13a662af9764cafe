"""Which joins run along the load."""

import numpy as np
import pytest
import shapes

from plyflat.cloth.joins import Join, Load, off_load_deg, say_joins
from plyflat.surface import Surface


@pytest.fixture(scope="module")
def tube():
    """A cylinder about z with a radius of 200 mm."""
    return Surface(*shapes.cylinder(radius=200, wrap_deg=200, height=400, triangles=4000))


def helix(pitch_deg, length=250.0):
    """A line on the cylinder at a constant angle to its axis, turning anticlockwise about z."""
    s = np.linspace(0, length, 80)
    turn, z = s * np.sin(np.radians(pitch_deg)) / 200, s * np.cos(np.radians(pitch_deg))
    middle = np.radians(60)
    return np.stack([200 * np.cos(middle + turn), 200 * np.sin(middle + turn), 60 + z], axis=1)


@pytest.mark.reference(source="a helix cuts a cylinder's generators at a constant angle", kind="derived")
@pytest.mark.parametrize("pitch", [0, 20, 45, 75])
def test_a_helix_runs_off_the_axis_by_its_pitch(tube, pitch):
    axis = Load((0.0, 0.0, 1.0))
    assert off_load_deg(tube, helix(pitch), axis) == pytest.approx(pitch, abs=0.5)
    assert off_load_deg(tube, helix(pitch)[::-1], axis) == pytest.approx(pitch, abs=0.5)
    # Seen from outside the helix leans to the right of the axis, and a load turned clockwise leans with it.
    middles = tube.vertices_mm[tube.faces].mean(axis=1)
    assert ((middles * [1, 1, 0]) * tube.face_normals).sum(axis=1).min() > 0
    turned = Load((0.0, 0.0, 1.0), turn_deg=-10.0)
    assert off_load_deg(tube, helix(pitch), turned) == pytest.approx(abs(pitch - 10), abs=0.7)


def test_noise_hardly_turns_a_join(tube):
    line = helix(20) + np.random.default_rng(0).normal(0, 0.3, (80, 3))
    assert off_load_deg(tube, line, Load((0.0, 0.0, 1.0))) == pytest.approx(20, abs=3)


def test_a_load_square_to_the_surface_has_no_direction_on_it(tube):
    assert off_load_deg(tube, helix(10), Load((float(np.cos(np.radians(65))), float(np.sin(np.radians(65))), 0.0))) is None


def test_the_worst_part_of_a_bent_join_counts(tube):
    bent = np.concatenate([helix(5, 100), helix(5, 100)[-1] + helix(60, 100)[1:] - helix(60, 100)[0]])
    off = off_load_deg(tube, bent, Load((0.0, 0.0, 1.0)))
    assert off > 50


def test_every_join_is_named_with_its_reason():
    line = np.zeros((2, 3))
    joins = [Join("J1", "butt", "seam", line, 12.0), Join("A-1", "lap", "roll", line, 81.0), Join("J2", "lap", "cut", line)]
    load = Load((1.0, 0.0, 0.0), within_deg=25.0)
    assert say_joins(joins, load, "butt") == (
        "butted: J1 (up to 12 deg off the load); lapped: A-1 (up to 81 deg off the load), J2 (the load leans out of the "
        "surface); a join is butted where it keeps within 25 deg of the load"
    )
    assert say_joins(joins, None, "lap") == say_joins([], load, "butt") == ""
