import io
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import plans
import pytest
import shapes
from PIL import Image

from plyflat.bagging import plan_reach
from plyflat.planned import LayerPlan, RegionPlan
from plyflat.report.bag import (
    as_it_lies,
    beside_px,
    lead_of,
    pleat_rows,
    radius_words,
    reach_pictures,
    reach_words,
    section_picture,
    spot_rows,
    spread,
    wall_rows,
    word_rows,
)
from plyflat.report.film import film_words, state_rows
from plyflat.report.hull import Stage
from plyflat.report.layout import clear_side
from plyflat.report.missing import corner_feeds, missing_picture
from plyflat.report.page import report_html
from plyflat.surface.mesh import Surface
from plyflat.surface.region import Region


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    plan = plans.make(tmp_path_factory.mktemp("job"))
    s = Surface(*shapes.box_pocket(size=(240, 160), step=10.0))
    whole = Region(s, s.boundary_loops, s, np.ones(len(s.faces), bool), np.arange(len(s.vertices_mm)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, _ = plan_reach(plan.job, plan.job.bags["standard"], layers)
    region = RegionPlan("locker <1>", "hull", whole, s.vertices_mm[:2], (), layers, reach=reach)
    stage = Stage(plan, region)
    with stage.scene:
        pictures = list(reach_pictures(stage))
    return plan, region, pictures


def test_there_are_a_map_pleats_and_sections(made):
    _, region, pictures = made
    assert [p.about for p in pictures] == [(k, region.name) for k in ("bridging", "pleats", "corner sections", "film excess")]
    for p in pictures:
        image = Image.open(io.BytesIO(p.png))
        assert image.size[0] == 1080
        assert len(p.png) < 400_000
    assert "at most 16.0 to 32.0 mm" in pictures[0].alt
    assert "pleat 4 at" in pictures[1].alt
    off = re.search(r"corner 1: ([0-9.]+) mm off without pleats, ([0-9.]+) mm with them", pictures[2].alt)
    assert float(off[2]) <= 3.0 < float(off[1])
    assert "at 4 places it folds" in pictures[3].alt


def test_a_lead_runs_over_the_hull_from_its_pleat_right_into_the_corner(made):
    plan, region, _ = made
    reach = region.reach
    stage = SimpleNamespace(lift_mm=0.5)
    for pleat in reach.pleats:
        assert pleat.ends_mm is not None
        for told in (pleat, replace(pleat, ends_mm=None)):
            lead = lead_of(stage, reach, told)
            assert np.linalg.norm(lead[0] - pleat.place_mm) < 2.0
            # Down the wall too, with no leap from the rim to the floor.
            assert np.linalg.norm(np.diff(lead, axis=0), axis=1).max() < 6.0
            assert reach.surface.locate(lead).distance_mm.max() < 1.6
            ends = [pleat.ends_mm] if told.ends_mm else [s.place_mm for s in reach.sections]
            assert min(np.linalg.norm(lead[-1] - q) for q in ends) < 2.0
            assert lead[-1, 2] < -58.0


def test_the_gap_is_drawn_in_the_shades_of_its_legend(made):
    picture = made[2][0]
    pixels = np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB")).astype(int)
    drawing = pixels[: int(0.75 * len(pixels))]
    # The far end of the map is yellow, and stands in the corners of the floor.
    yellow = (drawing[:, :, 0] > 150) & (drawing[:, :, 2] < 110)
    assert yellow.sum() > 30


def test_rows_and_words(made):
    reach = made[1].reach
    (spot,) = spot_rows(reach)
    assert spot[0] == "1"
    assert spot[1].startswith("16.")
    rows = pleat_rows(reach)
    assert [r[0] for r in rows] == ["1", "2", "3", "4"]
    assert {r[1] for r in rows} == {"1"}
    assert {r[5] for r in rows} == {"corner 1"}
    # Every fold ends in a corner of the floor, which names its pleat.
    ends = {r[6]: r[0] for r in rows}
    walls = wall_rows(reach)
    assert sorted(ends) == [r[0] for r in walls] == ["W1", "W2", "W3", "W4"]
    assert [r[6] for r in walls] == [ends[r[0]] for r in walls]
    assert {r[1] for r in walls} == {"1"}
    for r in walls:
        taut, fed = ([float(q) for q in r[k].split(" to ")] for k in (2, 3))
        assert taut == pytest.approx([reach.bridging.radius_mm * q * 0.732 for q in (1, 2)], abs=0.1)
        # Beside it the film hangs rounder by as much as it leaves less open there.
        assert reach.limit_mm < fed[0] < fed[1] / 1.9 < 0.6 * taut[0]
    words = " ".join(reach_words(reach))
    assert "hangs free with a radius of" in radius_words(reach)[0]
    assert radius_words(None) == []
    assert "short at 4 places of the hull: there pleats are wanted, and in excess at 4 places" in words
    assert "Three walls meet at 4 places" in words
    assert reach_words(None) == spot_rows(None) == pleat_rows(None) == wall_rows(None) == []


def test_a_fold_without_a_corner_of_three_walls_names_the_pleat_it_runs_to(made):
    plan = made[0]
    v, f = shapes.wedge(90, length=200, step=8.0)
    whole = Region(Surface(v, f), Surface(v, f).boundary_loops, Surface(v, f), np.ones(len(f), bool), np.arange(len(v)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, notes = plan_reach(plan.job, plan.job.bags["standard"], layers)
    across = {r[0]: r[6] for r in pleat_rows(reach)}
    assert across == {"1": "2", "2": "1"}
    assert wall_rows(reach) == []
    assert not any("three walls" in text for text, _ in notes)
    words = " ".join(reach_words(reach))
    assert "W in the map" not in words
    assert " 0 place" not in words


def test_the_sheet_holds_them(made):
    plan, region, pictures = made
    page = report_html(replace(plan, regions=(region,), rolls=(), day=None), pictures)
    assert "Pleats along the tape" in page
    assert "Places that a film without slack bridges" in page
    assert "Corners where three walls meet" in page
    for p in pictures:
        assert p.title.replace("<", "&lt;").replace(">", "&gt;") in page


def test_a_surface_that_is_reached_everywhere(made):
    plan = made[0]
    v, f = shapes.noisy_sheet(noise=0.0, triangles=800)
    s = Surface(v, f)
    whole = Region(s, s.boundary_loops, s, np.ones(len(f), bool), np.arange(len(v)))
    layers = (LayerPlan("sealant tape", "tape", 100.0, 0.0, 0.0, (), whole, 1000.0),)
    reach, _ = plan_reach(plan.job, plan.job.bags["standard"], layers)
    stage = Stage(plan, RegionPlan("flat", "hull", whole, v[:2], (), layers, reach=reach))
    with stage.scene:
        (only,) = reach_pictures(stage)
    assert "no place" in only.alt
    assert "no more than 3 mm anywhere" in " ".join(reach_words(reach))


def film_as(reach, *, name=None, **changes):
    """The reach with its film lying another way."""
    film = reach.film
    laid = tuple(replace(q, name=name, **changes) for q in film.pleated) if name else film.taut
    return replace(reach, film=replace(film, pleated=laid))


@pytest.mark.parametrize("name", ["joined along the corners", "as a pouch"])
def test_film_without_pleats_is_not_said_to_have_any(made, name):
    region = made[1]
    picture = section_picture(region, film_as(region.reach, name=name))
    assert f"drawn taut and {name}:" in picture.alt
    assert re.search(rf"corner 1: [0-9.]+ mm off drawn taut, [0-9.]+ mm {name}", picture.alt)
    assert "pleat" not in picture.alt
    taut = film_as(region.reach)
    assert as_it_lies(taut.film) is None
    assert re.search(r"corner 1: [0-9.]+ mm off, drawn taut", section_picture(region, taut).alt)


def test_a_film_that_hardens_is_not_said_to_touch_everywhere(made):
    reach = made[1].reach
    none = replace(reach, bridging=replace(reach.bridging, spots=()))
    words = " ".join(reach_words(none))
    assert "anywhere" not in words
    assert f"it stands {reach.film.taut[-1].depth_mm:.1f} mm off" in words
    soft = replace(none, film=replace(none.film, taut=tuple(replace(q, depth_mm=2.0) for q in none.film.taut)))
    assert "no more than 3 mm anywhere" in " ".join(reach_words(soft))
    assert "lacks once it has drawn so far" in " ".join(reach_words(reach))


def test_stretch_is_told_beside_where_the_film_draws_and_breaks(made):
    reach = made[1].reach
    film = reach.film.film
    words = " ".join(film_words(reach))
    assert f"draws from {1 + film.yield_mpa / film.modulus_mpa:.2f} times its length as cut and breaks at 3.00 times" in words
    last = reach.film.taut[-1].stretch
    assert f"drawn taut it is stretched to {last:.2f} times at most ({50 * (last - 1):.0f} % of the way to its break)" in words
    torn = film_as(reach, name="with its pleats", stretch=3.2, bursts=True)
    assert "with its pleats it is stretched to 3.20 times at most and breaks." in " ".join(film_words(torn))
    assert state_rows(torn)[-1][-1] == "3.20, breaks"
    assert state_rows(reach)[1][-1].endswith(", draws")


def test_words_over_a_tape_laid_out_stand_in_rows():
    # The second has no room beside the first, nor the third beside either; the last has room again.
    assert word_rows([0.0, 0.05, 0.08, 0.2], 0.1) == [0, 1, 2, 0]
    assert word_rows([0.2, 0.0, 0.1], 0.1) == [0, 0, 0]
    # Where three rows do not do, the last takes what is left.
    assert word_rows([0.0, 0.01, 0.02, 0.03], 0.1) == [0, 1, 2, 2]


def test_words_stand_where_nothing_else_does():
    busy = np.array([[40.0, -20.0], [40.0, 20.0], [-40.0, 20.0]])
    assert clear_side(np.zeros(2), busy) == (-1, -1)
    assert clear_side(np.zeros(2), -busy) == (1, 1)
    assert clear_side(np.zeros(2), np.empty((0, 2))) == (1, -1)


@pytest.fixture(scope="module")
def missing(made):
    stage = Stage(made[0], made[1])
    with stage.scene:
        return missing_picture(stage, made[1].reach)


def test_film_that_is_missing_is_told_corner_by_corner(made):
    reach = made[1].reach
    fed = reach.film.fed
    lines = corner_feeds(reach, fed)
    assert sum(len(q.along_mm) for q in lines) == len(reach.sections)
    assert max(q.wanted_mm.max() for q in lines) == lines[0].wanted_mm.max() == fed.wanted_mm.max() > 50.0
    for q in lines:
        assert (np.diff(q.along_mm) > 0).all()
        first = next(s for s in reach.sections if (s.place_mm == q.start_mm).all())
        assert first.along_mm == q.along_mm[0]
        assert (q.given_mm >= q.wanted_mm - 0.1).all()


def test_missing_film_is_drawn_in_its_shades_and_stands_on_the_sheet(made, missing):
    plan, region, _ = made
    fed = region.reach.film.fed
    assert f"from 0 to {fed.wanted_mm.max():.0f} mm" in missing.alt
    assert f"to {fed.given_mm.max():.0f} mm given" in missing.alt
    pixels = np.asarray(Image.open(io.BytesIO(missing.png)).convert("RGB")).astype(int)
    drawing = pixels[: len(pixels) // 2]
    # Sections across the floor want most and are yellow; there is no yellow on a hull.
    assert ((drawing[:, :, 0] > 200) & (drawing[:, :, 2] < 110)).sum() > 2000
    page = report_html(replace(plan, regions=(region,), rolls=(), day=None), [missing])
    assert missing.title.replace("<", "&lt;").replace(">", "&gt;") in page


def test_where_no_film_is_missing_nothing_is_drawn(made):
    plan, region, _ = made
    film = region.reach.film
    none = replace(region.reach, film=replace(film, fed=None))
    flat = replace(region.reach, film=replace(film, fed=replace(film.fed, wanted_mm=0 * film.fed.wanted_mm)))
    stage = Stage(plan, region)
    with stage.scene:
        assert missing_picture(stage, none) is None
        assert missing_picture(stage, flat) is None
        assert missing_picture(stage, replace(region.reach, film=None)) is None


def test_numbers_are_pushed_apart():
    near = np.array([[100.0, 50.0], [110.0, 50.0], [110.0, 50.0], [300.0, 50.0]])
    out = spread(near, 46.0)
    far = np.linalg.norm(out[:, None] - out[None], axis=2)
    assert far[~np.eye(4, dtype=bool)].min() > 45.0
    # What stood clear stays.
    assert out[3] == pytest.approx([300.0, 50.0])
    assert np.abs(out - near).max() < 60.0
    assert spread(near[:1], 46.0) == pytest.approx(near[:1])
    # What stays fast pushes, and is not told.
    off = spread(near[:1], 46.0, near[3:] - np.array([190.0, 0.0]))
    assert off.shape == (1, 2)
    assert 110.0 - off[0, 0] == pytest.approx(46.0, abs=1.0)


def test_numbers_beside_places_keep_to_the_picture():
    shot = SimpleNamespace(image=np.zeros((300, 400, 3)), pixels=lambda p: p[:, :2])
    places = np.array([[2.0, 150.0, 0.0], [399.0, 1.0, 0.0], [250.0, 150.0, 0.0]])
    out = beside_px(shot, places)
    assert (out > 20.0).all()
    assert (out < [380.0, 280.0]).all()
    # Where there is room, a number stands outward of its place.
    assert out[2] == pytest.approx([250.0 + 26 * 150 / 72, 150.0])
