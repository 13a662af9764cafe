"""A film over a taped area, its pleats, and what would help where it bridges."""

import numpy as np
import pytest
import shapes

from plyflat.bag._film_ground import MeshGround
from plyflat.bag.film import Film, lay_film
from plyflat.bag.film_advice import advise_film, bridging_by_layer, corner_gaps_mm, filleted
from plyflat.bag.film_region import Ear, ears_of, quiet_surface, taut_film, with_ears
from plyflat.bag.pleats import Pleat
from plyflat.errors import QuantityError
from plyflat.surface.cut import refine
from plyflat.surface.mesh import Surface

FILM = Film("bag film", 700.0, 0.06, poisson=0.4, yield_mpa=35.0, break_stretch=3.0)
SOFT = Film("soft film", 150.0, 0.05)


def plate(size=200.0, triangles=2000):
    p, f = shapes.rectangle(size, size, triangles)
    return Surface(np.column_stack([p - size / 2, np.zeros(len(p))]), f)


def capped_post(radius=25.0, height=40.0, reach=120.0, around=48):
    """A post closed on top, standing on a round plate."""
    walls = np.linspace(0, 1, 6)[1:]
    profile = [(r, height) for r in radius * np.array([0.5, 1.0])]
    profile += [(radius, height * (1 - t)) for t in walls]
    profile += [(radius + (reach - radius) * t, 0.0) for t in np.linspace(0, 1, 12)[1:]]
    turn = 2 * np.pi * np.arange(around) / around
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(around, z)]) for r, z in profile]
    v = np.vstack([[[0.0, 0.0, height]], *rings])
    i = np.arange(around)
    j = (i + 1) % around
    f = [np.column_stack([np.zeros(around, int), 1 + i, 1 + j])]
    for k in range(len(profile) - 1):
        a, b = 1 + k * around, 1 + (k + 1) * around
        f += [np.column_stack([a + i, b + i, b + j]), np.column_stack([a + i, b + j, a + j])]
    return Surface(v, np.vstack(f))


def test_a_taut_film_over_a_plate_is_the_plate():
    mesh = taut_film(plate(), vertices=400)
    assert np.abs(mesh.points_mm[:, 2]).max() < 1e-6
    assert mesh.rest_areas_mm2.sum() == pytest.approx(200.0**2, rel=1e-3)
    assert 300 < len(mesh.points_mm) < 500


@pytest.mark.reference(source="the taut film between a round edge and a ring is a catenoid", kind="derived")
def test_a_taut_film_over_a_post_is_a_catenoid():
    from scipy.optimize import brentq

    radius, height, reach = 25.0, 40.0, 120.0
    waist = brentq(lambda c: c * (np.arccosh(reach / c) - np.arccosh(radius / c)) - height, 1.0, radius)
    mesh = taut_film(capped_post(radius, height, reach), vertices=1500)
    r = np.hypot(*mesh.points_mm[:, :2].T)
    free = (r > 35) & (r < 110)
    true = height - waist * (np.arccosh(r[free] / waist) - np.arccosh(radius / waist))
    assert np.abs(mesh.points_mm[free, 2] - true).max() < 0.06 * height


def test_the_tape_holds_the_film_or_lets_it_slide():
    held = taut_film(plate(), vertices=200)
    sliding = taut_film(plate(), vertices=200, edge="sliding")
    rim = np.flatnonzero(held.hold.free == 0)
    assert len(rim) > 20
    assert (sliding.hold.free[rim] == 1).all()
    with pytest.raises(ValueError, match="'fixed' or 'sliding'"):
        taut_film(plate(), edge="loose")


def test_an_ear_puts_in_twice_its_height():
    mesh = taut_film(plate(), vertices=600)
    eared = with_ears(mesh, [Ear((-150.0, 20.0, 0.0), (150.0, 20.0, 0.0), 15.0)])
    more = eared.rest_areas_mm2.sum() - mesh.rest_areas_mm2.sum()
    assert more == pytest.approx(2 * 15.0 * 200.0, rel=1e-3)
    assert with_ears(mesh, []) is mesh
    none = with_ears(mesh, [Ear((-150.0, 20.0, 0.0), (150.0, 20.0, 0.0), 0.0)])
    assert np.allclose(none.rest_areas_mm2, mesh.rest_areas_mm2)


def test_ears_that_cannot_be():
    with pytest.raises(QuantityError, match="pleat of -1 mm"):
        Ear((0, 0, 0), (1, 0, 0), -1.0)
    with pytest.raises(QuantityError, match="no length"):
        Ear((0, 0, 0), (0, 0, 0), 1.0)
    mesh = taut_film(plate(), vertices=200)
    with pytest.raises(QuantityError, match="stands square"):
        with_ears(mesh, [Ear((0, 0, 0), (0, 0, 50.0), 5.0)])
    eared = with_ears(mesh, [Ear((-150.0, 0.0, 0.0), (150.0, 0.0, 0.0), 5.0)])
    with pytest.raises(QuantityError, match="before its pleats"):
        with_ears(eared, [Ear((0.0, -150.0, 0.0), (0.0, 150.0, 0.0), 5.0)])


def test_pleats_on_the_tape_become_folds_across_their_corner():
    def pleat(number, at_m, place, height, feeds):
        return Pleat(number, at_m, place, height, height - 5, 5.0, feeds, 80.0, True, number)

    pleats = [
        pleat(1, 0.1, (0.0, 0.0, 0.0), 20.0, "corner 1"),
        pleat(2, 0.3, (100.0, 0.0, 0.0), 30.0, "corner 2"),
        pleat(3, 0.6, (100.0, 100.0, 0.0), 25.0, "corner 1"),
    ]
    assert ears_of(pleats) == (Ear((0.0, 0.0, 0.0), (100.0, 100.0, 0.0), 20.0),)
    four = [pleat(k, 0.1 * k, (float(k), 0.0, 0.0), 10.0, "corner 1") for k in range(1, 5)]
    assert [(e.from_mm[0], e.to_mm[0]) for e in ears_of(four)] == [(1.0, 3.0), (2.0, 4.0)]


def test_noise_of_a_millimetre_invents_no_bridging():
    flat = shapes.rectangle(240.0, 240.0, 12000)
    v = np.column_stack([flat[0], np.zeros(len(flat[0]))])
    rng = np.random.default_rng(2)
    v[:, 2] += rng.normal(0, 1.0, len(v))
    patch = Surface(v, flat[1])
    mesh = taut_film(patch, vertices=800)
    laid = lay_film(mesh, quiet_surface(patch), FILM, pressure_kpa=80.0, tolerance=2e-2)
    inner = mesh.hold.free == 3
    assert laid.gap_mm[inner].mean() < 0.1
    assert (laid.gap_mm[inner] > 1.0).mean() < 0.005


@pytest.mark.reference(source="a ball in a square corner leaves r (sqrt 2 - 1)", kind="derived")
def test_a_fillet_fills_a_corner():
    v, f = shapes.wedge(90.0, length=120.0, first=80.0, second=80.0, step=3.0)
    made = filleted(Surface(v, f), 20.0)
    moved = np.linalg.norm(made.vertices_mm - v, axis=1)
    corner = np.flatnonzero((np.hypot(v[:, 1], v[:, 2]) < 1e-6) & (np.abs(v[:, 0] - 60) < 30))
    assert moved[corner] == pytest.approx(20 * (np.sqrt(2) - 1), rel=0.02)
    assert moved[np.hypot(v[:, 1], v[:, 2]) > 22].max() < 0.05
    with pytest.raises(QuantityError, match="fillet of 0 mm"):
        filleted(made, 0.0)


def test_cures_are_tried_and_ordered_by_what_they_leave():
    patch = capped_post(height=25.0)
    lines = [((-150, y, 0), (150, y, 0)) for y in (-60, 60)] + [
        ((x, -150, 0), (x, 150, 0)) for x in (-60, 60)
    ]
    ears = [Ear(a, b, 9.0) for a, b in lines]
    told = []
    advice = advise_film(
        patch, FILM, pressure_kpa=80.0, offset_mm=1.0, ears=ears, fillet_mm=60.0, others=[SOFT], vertices=300,
        progress=lambda stage, share: told.append((stage, share)),
    )  # fmt: skip
    found = {cure.kind: cure for cure in advice.cures}
    assert set(found) == {"fillet", "pleats", "cut at the corner", "other film"}
    assert not advice.failed
    assert advice.now.worst_mm > 5
    for kind in ("fillet", "pleats", "cut at the corner", "other film"):
        assert found[kind].area_mm2 < advice.now.area_mm2, kind
    areas = [cure.area_mm2 for cure in advice.cures]
    assert areas == sorted(areas)
    assert told[-1] == ("film cures", 1.0)
    # On the hull itself, too, the pleated film comes nearer to the foot of the post.
    foot = np.flatnonzero(
        np.abs(np.hypot(*patch.vertices_mm[:, :2].T) - 25) + np.abs(patch.vertices_mm[:, 2]) < 1e-6
    )
    now, pleated = (
        corner_gaps_mm(patch, c.laid, offset_mm=1.0)[foot].mean() for c in (advice.now, found["pleats"])
    )
    # A taut film draws at the foot, so that pleats save less of the gap than of the stretch.
    assert pleated < 0.8 * now
    assert found["pleats"].laid.most_stretch < 0.9 * advice.now.laid.most_stretch
    assert "9 mm high" in found["pleats"].what
    with pytest.raises(QuantityError, match="limit of 0 mm"):
        advise_film(patch, FILM, pressure_kpa=80.0, limit_mm=0.0)


def test_a_cure_that_fails_is_told():
    advice = advise_film(
        plate(), FILM, pressure_kpa=80.0, vertices=150, fillet_mm=-3.0, cut=True,
    )  # fmt: skip
    assert advice.now.area_mm2 == 0
    assert [f.kind for f in advice.failed] == ["fillet"]
    assert "fillet of -3 mm" in advice.failed[0].why
    assert advice.cures == ()


def test_the_stiffest_layer_bridges_first():
    cloth = Film("outer ply", 5000.0, 0.25, poisson=0.1)
    layers = bridging_by_layer(capped_post(height=25.0), [SOFT, cloth, FILM], pressure_kpa=80.0, vertices=400)
    assert [one.what.split(" drawn")[0] for one in layers] == ["outer ply", "bag film", "soft film"]


def test_a_coarse_film_is_not_cut_by_a_thin_blade():
    v, f, *_ = shapes.box_on_plate((160.0, 12.0, 100.0), plate=400.0)
    hull = refine(Surface(v, f), 10.0).surface
    mesh = taut_film(hull, vertices=500)
    assert mesh.cell_mm > 1.3 * 12
    film = Surface(mesh.points_mm, mesh.faces)
    # How far the hull stands out through the film.
    assert MeshGround(film).look(hull.vertices_mm)[0].max() < 0.5 * mesh.cell_mm
    # No side is long where the flat shape was drawn over the blade.
    sides = np.linalg.norm(
        mesh.points_mm[mesh.faces] - mesh.points_mm[np.roll(mesh.faces, 1, axis=1)], axis=2
    )
    assert sides.max() < 3 * mesh.cell_mm
