"""The bag of a patch across a square corner, through a job file, where every length is known."""

from __future__ import annotations

import re

import jobs
import numpy as np
import pytest
import shapes
import trimesh

from plyflat.errors import FitError, JobError, OutlineError, QuantityError, ShapeError
from plyflat.job.reader import job_from_text
from plyflat.placing import place
from plyflat.planned import PlyPlan
from plyflat.stacking import bag_layers, corner_ground, plan_stack
from plyflat.surface.load import load_surface

JOB = (
    jobs.head(
        "corner", "corner.ply", 'bag = "standard"', 'warp = ["0 0 0 mm", "100 0 0 mm"]',
        jobs.outline((200, 80, 0), (440, 80, 0), (440, 0, 60), (200, 0, 60)), region="patch",
    )
    + jobs.PLY + jobs.GLASS + jobs.PEEL_PLY + jobs.BREATHER.replace("consumable.breather", "consumable.fleece")
    + jobs.changed(jobs.TAPE, ("consumable.tape", "consumable.putty"), ("15 m", "1500 mm")) + jobs.FILM
    + """\
[bag.standard]
peel_ply = { material = "peel", margin = "20 mm" }
breather = { material = "fleece", margin = "40 mm" }
tape = { material = "putty", margin = "80 mm", overlap = "25 mm", mask = "30 mm" }
film = { material = "film", margin = "30 mm" }
[vacuum]
lead = "60 mm"
[resin]
ratio = "100:25"
fibre_mass_fraction = "60 %"
wet_out = "50 %"
"""
    + jobs.QUICK
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("corner")
    trimesh.Trimesh(*shapes.wedge(90, length=640, first=320, second=320, step=20.0), process=False).export(out / "corner.ply")
    return out


@pytest.fixture(scope="module")
def placed(folder):
    job = job_from_text(JOB, folder=folder)
    return place(job, job.regions[0], {"hull": load_surface(folder / "corner.ply", unit="mm")}, others={})


def layered(placed, folder, text):
    """The corner ground and the layers by kind."""
    job = job_from_text(text, folder=folder)
    bag = job.bags["standard"]
    ground = corner_ground(job, bag, placed.beyond)
    layers = bag_layers(job, job.regions[0], bag, placed.beyond, 0.0, (), ground)
    return job, ground, layers


def stacked(placed, folder, text):
    """The stack by itself, without plies and pleats worked out."""
    job, ground, layers = layered(placed, folder, text)
    ply = PlyPlan("P1", "glass", 0.0, 0.0, placed.plies[0].area_mm2, 0.0, placed.plies[0], (), (), None)
    return job, *plan_stack(job, job.regions[0], placed, (ply,), layers, ground, None)


def asked(way, extra=""):
    return JOB.replace('margin = "20 mm" }', f'margin = "20 mm", corner = "{way}"{extra} }}')


def test_the_radius_is_the_films_tension_over_the_pressure(placed, folder):
    job, ground, _ = layered(placed, folder, JOB)
    # 35 MPa times 0.05 mm over 79 % of the air's pressure.
    assert ground.radius_mm == pytest.approx(35e3 * 0.05 / (0.79 * 101.325))
    assert not ground.stated
    (line,) = ground.tight
    assert line.turn_deg == pytest.approx(90.0, abs=1.0)
    _, stated, _ = layered(placed, folder, JOB.replace("[bag.standard]", '[bag.standard]\ncorner_radius = "3 mm"'))
    assert (stated.radius_mm, stated.stated, stated.tight) == (3.0, True, ())


def test_a_layer_in_one_piece_across_the_corner_is_told(placed, folder):
    _, stack, layers, notes = stacked(placed, folder, JOB)
    # Both walls meet along the patch and its margin of 20 or 40 mm at both ends.
    assert [(c.layer, c.way, c.cut_mm) for c in stack.crossings] == [("peel ply", "through", 0), ("breather", "through", 0)]
    assert [c.length_mm for c in stack.crossings] == pytest.approx([280.0, 320.0], abs=0.5)
    (text, do), *_ = notes
    assert text.startswith("peel ply, breather run in one piece across corner 1, 0.40 m long near (320, 0, 0) mm")
    assert "the film alone follows no less than 22 mm" in text
    assert 'corner = "slit" or "lap"' in do
    assert all(layer.cuts_mm == () for layer in layers)


def test_a_slit_layer_is_two_pieces_edge_to_edge(placed, folder):
    _, stack, layers, notes = stacked(placed, folder, asked("slit"))
    peel = layers[0]
    first, second = peel.templates
    assert (peel.corner, len(peel.cuts_mm)) == ("slit", 1)
    assert first.laps == second.laps == ()
    assert first.net.area + second.net.area == pytest.approx(peel.area_mm2, rel=1e-3)
    # 280 mm along the corner; 100 mm up one wall and 80 mm up the other.
    assert sorted(round(t.cut.bounds[3] - t.cut.bounds[1]) for t in peel.templates) == [80, 100]
    assert stack.crossings[0].cut_mm == pytest.approx(280.0, abs=0.5)
    assert not any("peel ply" in text for text, _ in notes)
    assert any("breather" in text for text, _ in notes)
    order = " ".join(stack.order)
    assert "Begin at corner 1, where it is cut and lies edge to edge, and work outwards" in order


def test_a_lapped_layer_goes_over_by_what_is_asked(placed, folder):
    _, stack, layers, _ = stacked(placed, folder, asked("lap", ', corner_lap = "30 mm"'))
    (lap,) = [q for t in layers[0].templates for q in t.laps]
    assert lap.area == pytest.approx(280 * 30, rel=0.01)
    assert layers[0].lap_area_mm2 == pytest.approx(lap.area)
    assert stack.crossings[0].lap_mm == 30.0
    assert "lapped by 30 mm" in " ".join(stack.order)


def test_laps_that_friction_holds_and_slits_that_draw_back_are_told(placed, folder):
    from types import SimpleNamespace

    from plyflat.bag.film_states import LayerReach

    job, ground, layers = layered(placed, folder, asked("lap", ', corner_lap = "40 mm"'))
    ply = PlyPlan("P1", "glass", 0.0, 0.0, placed.plies[0].area_mm2, 0.0, placed.plies[0], (), (), None)
    through = LayerReach("peel ply", "peel", 90.0, 14.0, (0.0, 0.0, 0.0), 1.0, "", "through", 36.0)
    cut = LayerReach("peel ply", "peel", 9.0, 0.0, (0.0, 0.0, 0.0), 1.0, "", "cut", 4.2, 1.0, 40.0, 52.0, 27.9)
    whole = LayerReach("breather", "fleece", 4.0, 1.3, (0.0, 0.0, 0.0), 1.0, "", "through", 1.3)
    film = SimpleNamespace(layers=(through, cut, whole))
    reach = SimpleNamespace(film=film, limit_mm=3.0, pleats=(), corners=(), sections=(), tapes_mm=(), tuck_kpa=15.0, feed_mm=300.0)
    _, _, notes = plan_stack(job, job.regions[0], placed, (ply,), layers, ground, reach)
    told = dict(notes)
    held = next(t for t in told if t.startswith("peel ply is lapped by 40 mm in the corners, and friction"))
    assert "longer than 28 mm more than 3 mm off; this one up to 4.2 mm" in held
    assert told[held].startswith('State corner_lap = "25 mm"')
    short = next(t for t in told if "draw back from the line by up to 52 mm" in t)
    assert 'corner_lap = "55 mm"' in told[short]
    assert any("laid taut they stay off it by up to: breather 1 mm" in t for t in told)


def test_the_tape_is_all_it_is_laid_for(placed, folder):
    _, stack, layers, _ = stacked(placed, folder, JOB)
    run = stack.tape
    (loop,) = run.loops_mm
    # The patch of 240 by 140 mm unfolds flat; its outline moved out by 80 mm has round corners.
    assert loop == pytest.approx(2 * (240 + 140) + 2 * np.pi * 80, rel=2e-3)
    assert [k for k, _ in stack.tape_corners_m] == [0, 0]
    assert run.corners_mm == 2 * 50.0
    assert run.pleats_mm == 0.0
    assert run.tongues_mm == pytest.approx(2 * sum(p.tongue_mm for p in stack.ports))
    # A roll of 1.5 m ends once on the way.
    assert run.overlaps_mm == 2 * 25.0
    assert run.total_mm == pytest.approx(1.1 * run.laid_mm)
    assert run.rolls == 2
    # The tape crosses the corner where the corner's line leaves what it surrounds.
    line = np.concatenate([stack.tape_mm[0], stack.tape_mm[0][:1]])
    s = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    for _, metre in stack.tape_corners_m:
        x, y, z = (np.interp(1000 * metre, s, line[:, k]) for k in range(3))
        assert max(y, z) < 12.0
        assert min(abs(x - 120), abs(x - 520)) < 3.0


def test_masking_lies_between_two_outlines(placed, folder):
    _, stack, _, _ = stacked(placed, folder, JOB)
    # From the tape's outer edge, 12 mm outside its line: the outline's length times the width, and the corners' share of a ring.
    assert stack.mask.width_mm == 30 - 12
    assert stack.mask.area_mm2 == pytest.approx(2 * (240 + 140) * 18 + np.pi * (110**2 - 92**2), rel=0.01)
    assert stack.mask.length_mm == pytest.approx(stack.mask.area_mm2 / 18)
    _, bare, _, _ = stacked(placed, folder, JOB.replace('mask = "30 mm"', 'mask = "0 mm"'))
    assert bare.mask is None
    assert not bare.order[0].startswith("Clean the hull. Mask")


def test_ports_get_leads_and_tongues_to_cut(placed, folder):
    _, stack, layers, _ = stacked(placed, folder, JOB)
    vacuum, gauge = stack.ports
    # The breather reaches 40 mm, and the lead is 60 mm long.
    assert vacuum.way_mm == gauge.way_mm == 100.0
    breather = next(layer for layer in layers if layer.kind == "breather")
    leads = [t for t in breather.templates if t.piece.startswith("L")]
    # 50 mm under the breather, and half a base of 50 mm beyond the port's middle.
    assert [t.cut.bounds for t in leads] == [pytest.approx((0, 0, 60 + 50 + 25, 50))] * 2
    film = next(layer for layer in layers if layer.kind == "bag film")
    tongues = [t for t in film.templates if t.piece.startswith("T")]
    # As long as the tongue with the film's margin at its end, as wide as the lead with that margin at both sides.
    assert tongues[0].cut.bounds[2:] == pytest.approx(sorted((vacuum.tongue_mm + 30, 50 + 60), reverse=True))


def test_stated_ports_are_checked_in_the_plan(placed, folder):
    text = JOB.replace('bag = "standard"\n', 'bag = "standard"\nports = { vacuum = "320 40 0 mm", thin = ["320 0 100 mm"] }\n')
    _, stack, _, notes = stacked(placed, folder, text)
    assert stack.ports[0].stated
    said = [t for t, _ in notes if t.startswith("vacuum port at (320, 40, 0) mm")]
    assert any("it stands on the laminate" in t for t in said)
    assert any("from an inside corner, where 60 mm are wanted" in t for t in said)
    assert any("from a thin skin, where 150 mm are wanted" in t for t in said)
    with pytest.raises(OutlineError, match="gauge port stated lies"):
        stacked(placed, folder, JOB.replace('bag = "standard"\n', 'bag = "standard"\nports = { gauge = "320 300 300 mm" }\n'))


def test_film_from_a_narrow_roll_is_joined_and_its_tape_counted(placed, folder):
    text = JOB.replace('thickness = "0.05 mm"\nroll_width = "1500 mm"', 'thickness = "0.05 mm"\nroll_width = "200 mm"')
    _, stack, layers, notes = stacked(placed, folder, text)
    film = next(layer for layer in layers if layer.kind == "bag film").film
    assert len(film.edges_mm) > 1
    assert stack.tape.film_joins_mm == film.tape_mm > 0
    assert any("of taped join lie over the laminate" in text for text, _ in notes)
    # It is made up before the clock of the resin runs.
    assert stack.order[0].startswith("Before any resin is mixed, tape the film together on a table from")


def cut_as(way, extra=""):
    text = 'film = { material = "film", margin = "30 mm" }'
    assert text in JOB
    priced = JOB.replace('kind = "bag film"', 'kind = "bag film"\nprice = "2 EUR/m"').replace('kind = "sealant tape"', 'kind = "sealant tape"\nprice = "0.5 EUR/m"')
    return priced.replace(text, f'film = {{ material = "film", margin = "30 mm", cut = "{way}"{extra} }}')


def test_film_in_two_pieces_meets_along_the_corner(placed, folder):
    _, stack, layers, _ = stacked(placed, folder, cut_as("two pieces", ', seam = "20 mm"'))
    film = next(layer for layer in layers if layer.kind == "bag film")
    assert film.film is None
    assert film.joined is film.ways[0]
    (seam,) = film.joined.seams
    # The patch of 240 by 140 mm unfolds flat; the corner runs on through 80 mm of tape and 30 of film at both ends.
    assert seam.what == "corner 1, A to B"
    assert seam.length_mm == pytest.approx(240 + 2 * (80 + 30), abs=1.0)
    assert stack.tape.film_joins_mm == seam.length_mm
    sheets = [t for t in film.templates if not t.piece.startswith("T")]
    # Each wall's share and the seam: 80 or 60 mm up the wall and 110 beyond.
    assert sorted(round(t.cut.bounds[3]) for t in sheets) == pytest.approx([60 + 110 + 20, 80 + 110 + 20], abs=2)
    order = " ".join(stack.order)
    assert stack.order[0].startswith("Before any resin is mixed, make up the film. Piece A: a sheet of")
    assert "Join A and B along corner 1" in order
    assert "its seams right in the corners" in order


def test_the_ways_to_cut_the_film_stand_side_by_side(placed, folder):
    _, stack, _, _ = stacked(placed, folder, cut_as("sheet"))
    sheet, two, pouch = stack.costs
    assert (sheet.name, two.name, pouch.name) == ("sheet", "two pieces", "envelope")
    assert pouch.pieces == 0
    assert "open along 1 edge" in pouch.what
    assert [q.least for q in (sheet, two, pouch)].count(True) == 1
    # Film off a roll of 1.5 m at 2 EUR/m, and tape at 0.5.
    long, wide = (float(q) for q in re.search(r"a sheet of (\d+) by (\d+) mm in one piece", sheet.what).groups())
    # Both sides go on the roll: laid across it, the sheet takes its shorter one.
    assert max(long, wide) < 1500
    taken = min(long, wide)
    assert sheet.cost == pytest.approx((2 * taken + 0.5 * sheet.tape_mm) / 1000, rel=1e-3)
    assert sheet.waste_mm2 == pytest.approx(1500 * taken - sheet.film_mm2, rel=0.01)
    (loop,) = stack.tape.loops_mm
    assert sheet.tape_mm == pytest.approx(loop + 2 * 50)
    assert two.tape_mm == pytest.approx(loop + 2 * 50 + 460, abs=1.0)
    _, other, _, _ = stacked(placed, folder, cut_as("two pieces"))
    assert other.costs[0].name == "two pieces"
    assert {(q.name, round(q.film_mm2)) for q in other.costs} == {(q.name, round(q.film_mm2)) for q in stack.costs}


def test_a_pouch_round_the_part_is_sealed_upon_itself(placed, folder):
    _, stack, layers, _ = stacked(placed, folder, cut_as("envelope", ', girth = "1400 mm", slack = "100 mm"'))
    film = next(layer for layer in layers if layer.kind == "bag film")
    # The mesh is 640 mm long the way of the warp line; slack goes both ways. Folded over an end it has one end to close.
    assert film.joined.seams_mm == pytest.approx(2 * 740 + 750)
    assert stack.tape.loops_mm == stack.ports == stack.tape_mm == ()
    assert stack.tape.film_joins_mm == film.joined.seams_mm
    assert stack.mask is None
    (sheet,) = film.templates
    assert len(sheet.folds) == 1
    order = " ".join(stack.order)
    assert "Lay no tape on the part" in order
    assert "Put the part in, fold first, and close the last seam, end, 0.75 m." in order
    assert "Lay the film over all" not in order
    assert "listen along the seams" in order
    with pytest.raises(ShapeError, match="open along 1 edge"):
        stacked(placed, folder, cut_as("envelope"))


def test_film_is_not_cut_in_pieces_where_no_corner_parts_it(placed, folder):
    text = cut_as("two pieces").replace("[bag.standard]", '[bag.standard]\ncorner_radius = "3 mm"')
    with pytest.raises(FitError, match="no tight inside corner parts the area under the film of region 'patch'"):
        stacked(placed, folder, text)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (('film = { material = "film", margin = "30 mm" }', 'film = { material = "film", cut = "tube" }'), "cut"),
        (('film = { material = "film", margin = "30 mm" }', 'film = { material = "film", seam = "1 mm" }'), "seam"),
        (('film = { material = "film", margin = "30 mm" }', 'film = { material = "film", girth = "wide" }'), "girth"),
        (('film = { material = "film", margin = "30 mm" }', 'film = { material = "film", girth = "900 mm" }'), "it belongs to a pouch"),
        (('margin = "20 mm" }', 'margin = "20 mm", corner = "cut" }'), "corner"),
        (('margin = "20 mm" }', 'margin = "20 mm", corner_lap = "0 mm" }'), "corner_lap"),
        (('mask = "30 mm"', 'mask = "-1 mm"'), "mask"),
        (('mask = "30 mm"', "mask = 30"), "mask"),
        (("[bag.standard]", '[bag.standard]\ncorner_radius = "0 mm"'), "corner_radius"),
        (("[bag.standard]", '[bag.standard]\nports = { clear = "near" }'), "clear"),
        (('bag = "standard"\n', 'bag = "standard"\nports = { vacuum = "1 2 mm" }\n'), "vacuum"),
        (('bag = "standard"\n', 'ports = { vacuum = "1 2 3 mm" }\n'), "no bag"),
        (('film = { material = "film", margin = "30 mm" }', 'film = { material = "film", join = "5 mm" }'), "join"),
        (('overlap = "25 mm"', 'overlap = "25 mm", spare = "150 %"'), "spare"),
    ],
)
def test_what_cannot_be_is_refused_with_its_key(line, says):
    assert line[0] in JOB
    with pytest.raises(JobError, match=says):
        job_from_text(JOB.replace(*line))


def test_a_tape_roll_shorter_than_its_overlap_is_refused(placed, folder):
    with pytest.raises(QuantityError, match="used up by an overlap of 300 mm"):
        stacked(placed, folder, JOB.replace('overlap = "25 mm"', 'overlap = "300 mm"').replace('"1500 mm"\n[consumable.film]', '"200 mm"\n[consumable.film]'))


def test_ports_are_mirrored_with_their_region():
    text = JOB.replace('bag = "standard"\n', 'bag = "standard"\nports = { vacuum = "520 120 0 mm", thin = ["320 300 0 mm"] }\n')
    both = text.replace("[cloth.glass]", '[[region]]\nname = "other side"\nmesh = "hull"\nbag = "standard"\nmirror_of = "patch"\n[cloth.glass]')
    other = job_from_text(both).regions[1].ports
    assert other.vacuum_mm == pytest.approx((520.0, -120.0, 0.0))
    assert other.gauge_mm is None
    assert other.thin_mm == (pytest.approx((320.0, -300.0, 0.0)),)
