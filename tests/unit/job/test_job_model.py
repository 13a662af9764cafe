import math
import pickle
from pathlib import Path

import jobs
import pytest
from pydantic import ValidationError

from plyflat.job.model import FilmLayer, Job, Layer, TapeLayer
from plyflat.job.reader import job_from_text


@pytest.fixture(scope="module")
def full() -> Job:
    return job_from_text(jobs.FULL, folder="/boats")


@pytest.fixture(scope="module")
def small() -> Job:
    return job_from_text(jobs.SMALL + jobs.BAG + jobs.RESIN, folder="/boats")


def test_every_stated_value_arrives_in_the_units_used_inside(full):
    assert (full.version, full.name, full.currency) == (1, "Harbour launch: skeg root and bow panel", "EUR")
    mesh = full.meshes["skeg"]
    assert (mesh.file, mesh.unit, mesh.smooth_mm, mesh.fill_holes_mm) == (Path("/boats/skeg_scan.ply"), "m", 8.0, 60.0)
    check = mesh.check_distance
    assert (check.from_mm, check.to_mm, check.distance_mm, check.tolerance) == ((0, 0, 0), (1200, 0, 0), 1200, 0.005)
    assert (full.boat.forward, full.boat.up) == ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    skeg, bow = full.regions
    assert (skeg.name, skeg.mesh, skeg.bag, skeg.warp) == ("skeg root", "skeg", "standard", ((0, 0, 0), (100, 0, 0)))
    assert (skeg.outline_mm, skeg.tolerance_mm, skeg.seams_mm) == (None, 10.0, ((1200.0, 100.0, -400.0),))
    assert (skeg.tape.colour, skeg.tape.edge, skeg.tape.gap_mm) == ("blue", "inner", 20.0)
    assert skeg.tape.seed_mm == (1200.0, 0.0, -400.0)
    assert [(p.cloth, p.angle_deg, p.grow_mm, p.copies) for p in skeg.plies] == [
        ("carbon twill 200", 0.0, 0.0, 1),
        ("carbon twill 200", 45.0, -20.0, 1),
    ]
    assert bow.outline_mm == ((0.0, 0.0, 0.0), (254.0, 0.0, 0.0), (254.0, 254.0, 0.0))
    cloth = full.cloths["carbon twill 200"]
    assert (cloth.areal_weight_g_m2, cloth.roll_width_mm, cloth.roll_length_mm) == (200.0, 1270.0, 10000.0)
    assert (cloth.price_per_m, cloth.fibre_density_g_cm3, cloth.turns_deg) == (38.5, 1.8, (0.0, 180.0))
    assert (cloth.gap_mm, cloth.edge_mm, cloth.strain_limit, cloth.face_up) == (4.0, 12.0, 0.02, "out")
    peel = full.consumables["peel ply 85"]
    assert (peel.kind, peel.rolls, peel.turns_deg, peel.thickness_mm) == ("peel ply", 2, None, 0.05)
    assert full.consumables["sealant tape"].mass_g_m == 48.0
    resin = full.resin
    assert (resin.density_g_cm3, resin.ratio, resin.loss, resin.price_per_kg) == (1.12, (100.0, 30.0), 0.08, 22.0)
    assert (resin.fibre_mass_fraction, resin.wet_out_fibre_mass_fraction) == (0.55, 0.5)
    laps = full.laps
    assert (laps.join_mm, laps.trim_mm, laps.stagger_mm, laps.notch_every_mm, laps.notch_mm) == (20, 5, 80, 100, 4)
    assert (full.limits.strain, full.limits.over_share, full.limits.pieces) == (0.04, 0.06, 3)
    assert (full.lay.seconds, full.lay.gap_mm, full.lay.edge_mm, full.lay.seed) == (60.0, 6.0, 11.0, 7)


def test_layers_come_in_the_order_they_are_laid(full, small):
    layers = full.bags["standard"].layers()
    assert [kind for kind, _ in layers] == ["peel ply", "release film", "breather", "sealant tape", "bag film"]
    assert [layer.margin_mm for _, layer in layers] == [20.0, 30.0, 70.0, 90.0, 60.0]
    assert [layer.cut for _, layer in layers] == ["shape", "shape", "shape", "length", "shape"]
    assert all(isinstance(layer, Layer) for _, layer in layers)
    tape, film = layers[3][1], layers[4][1]
    assert isinstance(tape, TapeLayer)
    assert tape.overlap_mm == 30.0
    assert isinstance(film, FilmLayer)
    assert film.slack_mm == 10.0
    assert [kind for kind, _ in small.bags["plain"].layers()] == ["peel ply", "breather", "sealant tape", "bag film"]


def test_what_is_left_out_is_filled_in(small):
    cloth = small.cloths["glass"]
    assert (cloth.fibre_density_g_cm3, cloth.rolls, cloth.price_per_m, cloth.turns_deg) == (2.56, 1, None, (0.0, 180.0))
    assert (cloth.gap_mm, cloth.edge_mm, cloth.strain_limit) == (5.0, 10.0, 0.03)
    assert small.regions[0].plies[0].face_up == "in"
    assert (small.regions[0].warp, small.regions[0].bag, small.regions[0].seams_mm) == ("forward", None, ())
    assert small.resin.wet_out_fibre_mass_fraction == 0.5
    assert (small.resin.density_g_cm3, small.resin.loss) == (1.15, 0.1)
    assert small.consumables["tape"].mass_g_m == 50.0
    assert small.consumables["film"].turns_deg == (0.0, 90.0, 180.0, 270.0)
    assert small.consumables["peel"].turns_deg == (0.0, 180.0)
    margins = [layer.margin_mm for _, layer in small.bags["plain"].layers()]
    assert margins == [25.0, 75.0, 100.0, 50.0]
    assert small.bags["plain"].film.cut == "sheet"
    assert small.bags["plain"].over_openings is False
    assert small.meshes["hull"].fill_holes_mm == 50.0
    assert (small.laps.join_mm, small.limits.pieces, small.lay.seconds) == (25.0, 4, 20.0)
    assert (small.boat.forward, small.boat.up) == ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    assert small.currency is None


def test_no_resin_and_no_bag_are_allowed():
    job = job_from_text(jobs.SMALL)
    assert job.resin is None
    assert (job.bags, job.consumables) == ({}, {})


def test_defaults_of_a_cloth_follow_the_job():
    job = job_from_text(jobs.SMALL + '[lay]\ngap = "8 mm"\nedge = "15 mm"\n[limits]\nstrain = "1 %"\n')
    cloth = job.cloths["glass"]
    assert (cloth.gap_mm, cloth.edge_mm, cloth.strain_limit) == (8.0, 15.0, 0.01)


def test_currency_is_that_of_the_first_price():
    job = job_from_text(jobs.changed(jobs.SMALL, ('fibre = "glass"', 'fibre = "glass"\nprice = "9 NOK/m"')))
    assert job.currency == "NOK"


def test_directions_are_unit_vectors():
    job = job_from_text(jobs.SMALL + "[boat]\nforward = [3, 4, 0]\nup = [0, 0.1, 2]\n")
    assert job.boat.forward == (0.6, 0.8, 0.0)
    assert math.hypot(*job.boat.up) == pytest.approx(1.0, abs=1e-15)


def test_a_job_cannot_be_changed(full):
    with pytest.raises(ValidationError):
        full.laps.join_mm = 3.0
    with pytest.raises(ValidationError):
        full.name = "other"


def test_a_job_survives_the_trip_to_a_worker(full):
    twin = pickle.loads(pickle.dumps(full))
    assert twin == full
    assert twin.resolved_toml() == full.resolved_toml()


def test_jobs_differ_where_they_say_something_else(full):
    other = job_from_text(jobs.changed(jobs.FULL, ('join = "20 mm"', 'join = "21 mm"')), folder="/boats")
    assert other != full
    assert job_from_text(jobs.FULL, folder="/elsewhere") != full
