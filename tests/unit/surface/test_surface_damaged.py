"""Damaged meshes: each ends as a sound region or as an error that names the place; more of them in scripts/damage.py."""

import sys
from pathlib import Path

import numpy as np
import pytest

from plyflat.surface import Surface, cut_region
from plyflat.surface._slits import split_at_points

SCRIPTS = Path(__file__).resolve().parents[3] / "scripts"


@pytest.fixture(scope="module")
def damage():
    """The script, importable from child processes too: they take over the path."""
    sys.path.append(str(SCRIPTS))
    import damage

    yield damage
    sys.path.remove(str(SCRIPTS))


@pytest.fixture(scope="module")
def child(damage):
    """A process to work in, so that a crash of native code or a hang is seen as such."""
    child = damage.Child()
    yield child
    child.close()


@pytest.mark.parametrize("seed", range(2000, 2040))
def test_a_damaged_mesh_gives_a_sound_region_or_says_where_not(child, seed):
    outcome = child.run(seed)
    assert outcome.faults == [], outcome.name


def test_the_seeds_damage_every_kind_on_every_shape(damage):
    cases = [damage.make(seed) for seed in range(2000, 2040)]
    assert {k for c in cases for k in c.kinds} == set(damage.KINDS)
    assert {c.base.name for c in cases} == {b.__name__ for b in damage.BASES}
    assert {c.route for c in cases} == set(damage.ROUTES)


def test_a_child_that_dies_or_hangs_is_told(damage, monkeypatch):
    child = damage.Child()
    try:
        child.process.kill()
        child.process.join()
        assert "died" in child.run(1).faults[0]
        assert child.run(2060).result == "region"
        monkeypatch.setattr(damage, "LIMIT_S", 1e-6)
        assert "no answer" in child.run(2060).faults[0]
    finally:
        child.close()


@pytest.mark.parametrize("route", ["stl", "ply", "obj"])
def test_files_are_written_as_they_are_read_back(damage, route, tmp_path):
    from plyflat.surface import load_surface

    case = damage.make(2000)
    case.mesh.v, case.mesh.f = case.base.v, case.base.f
    damage.write(case.mesh, tmp_path / f"sound.{route}")
    back = load_surface(tmp_path / f"sound.{route}", unit="mm")
    assert back.area_mm2 == pytest.approx(Surface(case.base.v, case.base.f).area_mm2, rel=1e-5)


@pytest.mark.parametrize("name", ["sphere", "box", "cylinder", "foil", "sheet"])
def test_the_sound_shapes_have_the_area_they_say(damage, name):
    """The sheet's waves make it larger than its outline's flat area."""
    damage.make(0)
    base = getattr(damage, name)(np.random.default_rng(3))
    region = cut_region(Surface(base.v, base.f), base.outlines, seed_mm=base.seed_mm)
    assert damage.region_faults(region) == []
    assert region.area_mm2 == pytest.approx(base.area_mm2, rel=0.06 if name == "sheet" else 2e-3)


def test_a_region_that_is_not_sound_is_told(damage):
    sheet = Surface([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0]], [[0, 1, 2], [0, 2, 3]])

    class Wrong:
        surface, loops, parent = sheet, (np.array([0, 1, 2]),), sheet
        vertex_of, area_mm2 = np.arange(4), 100.0

    assert damage.region_faults(Wrong) == ["loops that are not the boundary"]


def test_a_side_with_several_points_on_it_is_split_at_each():
    """One long side below, four short ones above: after the split they share all their points."""
    x = np.linspace(0, 40, 5)
    v = np.vstack([np.c_[x, 0 * x, 0 * x], [[20, -20, 0], [20, 30, 0]]])
    f = np.array([[5, 4, 0], [0, 1, 6], [1, 2, 6], [2, 3, 6], [3, 4, 6]])
    out, points = split_at_points(v, f, 1e-3)
    assert sorted(points.tolist()) == [1, 2, 3]
    whole = Surface(v, out)
    assert len(whole.boundary_loops) == 1
    assert whole.area_mm2 == pytest.approx(40 * 20 / 2 + 40 * 30 / 2)


def test_sides_that_only_pass_near_each_other_stay_as_they_are():
    """A point on a side whose own rims run square to it belongs to another sheet."""
    v = np.array([[0, 0, 0], [40, 0, 0], [20, -20, 0], [20, 0, 0], [20, 5, 30], [20, -5, 30]], dtype=float)
    f = np.array([[0, 2, 1], [3, 4, 5]])
    out, points = split_at_points(v, f, 1e-3)
    assert not len(points)
    np.testing.assert_array_equal(out, f)
