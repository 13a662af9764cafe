"""Pictures and words of plies laid by their threads."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import plans
import pytest
import shapes
from PIL import Image

from plyflat.cloth.drape import drape
from plyflat.cloth.draped import draped_flat
from plyflat.cloth.draping import Laying, Tried
from plyflat.cloth.locking import Locking
from plyflat.planned import Piece3D
from plyflat.report import drape as module
from plyflat.report.drape import drape_pictures, drape_words, tried_rows
from plyflat.report.hull import Stage
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


@pytest.fixture(scope="module")
def region():
    v, f = shapes.cap(80, 500.0, triangles=6000)
    middle = v[f].mean(axis=1)
    return region_of(Surface(v, f), middle[:, 2] > np.cos(np.radians(50)) * np.linalg.norm(middle, axis=1))


def laid(region, start, lock):
    return draped_flat(drape(region, start, [1, 0, 0], locking=Locking(lock, lock, 0.7 * lock, 0.7 * lock)))


@pytest.fixture(scope="module")
def ply(region):
    draped = laid(region, [0, 0, 500], 17.0)
    piece = Piece3D(draped.drape.surface, draped.flat, np.zeros(1), table_mm=draped.flat.uv_mm * [1, -1])
    tried = (Tried("as laid", 19.0, 0.03), Tried("4 darts", 9.5, 0.0))
    plain = laid(region, [150, 60, 473], 17.0).drape
    return SimpleNamespace(
        name="P1", layings=(Laying(draped, plain=plain, tried=tried),), draped=((0, draped),), by_threads=True, pieces=(piece,),
        region=region, angle_deg=10.0,
    )


def dome(region, ply):
    """A region of one ply, its warp line along x."""
    line = np.array([[0, 0, 500], [80, 0, 500.0]])
    return SimpleNamespace(name="dome", base=region, plies=(ply,), layers=(), warp_mm=line)


@pytest.fixture(scope="module")
def pictures(ply, region, tmp_path_factory):
    plan = plans.make(tmp_path_factory.mktemp("plan"))
    stage = Stage(plan, dome(region, ply))
    with stage.scene:
        return {p.name: p for p in drape_pictures(stage, ply)}


def test_a_ply_has_its_net_its_shear_before_and_after_and_its_template(pictures):
    assert list(pictures) == [
        "dome_P1_threads", "dome_P1_fibres", "dome_P1_shear-hull", "dome_P1_shear-hull-straight", "dome_P1_A_shear",
    ]  # fmt: skip
    assert [p.about[0] for p in pictures.values()] == [
        "threads", "fibres on hull", "shear on hull", "shear on hull", "shear on the table",
    ]  # fmt: skip
    for p in pictures.values():
        assert Image.open(io.BytesIO(p.png)).size[0] == 1080


def test_locked_parts_are_hatched_where_they_are_and_told(ply, region, pictures, tmp_path):
    stage = Stage(plans.make(tmp_path), dome(region, ply))
    laying = ply.layings[0]
    with stage.scene:
        (straight,), (bent,) = (module._locked_masks(stage, [d]) for d in (laying.plain, laying.draped.drape))
    assert straight.sum() > 2 * bent.sum() > 100
    assert "is past" in pictures["dome_P1_shear-hull"].alt
    assert "locks at 17 degrees" in pictures["dome_P1_shear-hull"].alt


def test_a_ply_of_which_one_piece_is_flattened_shows_the_net_of_the_other_and_says_so(ply, region, tmp_path):
    draped = ply.layings[0].draped
    flattened = Laying(None, "the net covers 80 % of the piece")
    both = SimpleNamespace(
        name="P3", layings=(flattened, ply.layings[0]), draped=((1, draped),), by_threads=False,
        pieces=(ply.pieces[0], ply.pieces[0]), region=region, angle_deg=10.0,
    )  # fmt: skip
    first, second = drape_words(both)
    assert first == "The threads of piece A cannot be laid over it: it is cut by flatten; see the cautions."
    assert second.startswith("Piece B is laid by its threads")
    stage = Stage(plans.make(tmp_path), dome(region, both))
    with stage.scene:
        names = [p.name for p in drape_pictures(stage, both)]
    assert names[-1] == "dome_P3_B_shear"
    assert "dome_P3_A_shear" not in names


def test_what_could_not_be_read_off_the_net_is_told(ply):
    draped = ply.layings[0].draped
    for share, says in ((0.0, False), (0.004, True)):
        told = replace(draped, carried_mm2=share * draped.drape.surface.area_mm2)
        (words,) = drape_words(SimpleNamespace(name="P1", layings=(Laying(told),), draped=((0, told),), by_threads=True))
        assert (f"{told.carried_mm2 / 100:.1f} cm² of it, at corners and slivers, could not be read" in words) == says


def test_the_start_is_given_on_the_table_of_a_mirrored_piece(pictures, ply):
    draped = ply.layings[0].draped
    table = ply.pieces[0].table_mm
    at = module._on_table(draped, table) - table.min(axis=0)
    assert f"{at[0]:.0f} mm from its left end and {at[1]:.0f} mm from its lower edge" in pictures["dome_P1_A_shear"].alt
    # The nearest vertex of the hull to the start lies there too.
    near = np.linalg.norm(draped.drape.surface.vertices_mm - draped.drape.start_mm, axis=1).argmin()
    assert np.linalg.norm(table[near] - module._on_table(draped, table)) < 20


def test_drawn_threads_run_on_the_piece_and_the_first_ones_are_told(ply, region):
    d = ply.layings[0].draped.drape
    for axis, other in ((0, 1), (1, 0)):
        found = list(module._threads(d, axis, 0.0))
        first = [run for is_first, run in found if is_first]
        assert len(first) == 1
        # Great circles through the pole.
        assert np.abs(first[0][:, other]).max() < 1
        assert 8 < len(found) < 30
        assert max(region.surface.locate(run).distance_mm.max() for _, run in found) < 2


def test_the_way_of_the_fibres_is_told_against_the_stated_angle(pictures, ply):
    warp, weft = ply.layings[0].draped.drape.off_deg([1, 0, 0], turn_deg=10.0)
    words = pictures["dome_P1_fibres"].alt
    assert f"at most {np.abs(warp).max():.1f} degrees, the weft at most {np.abs(weft).max():.1f} degrees" in words
    assert "stated angle of 10 degrees" in words
    # The net was laid along x, the ply says 10 degrees from there.
    assert np.median(warp) == pytest.approx(-10, abs=1.5)


def test_arrows_of_fibres_stand_on_the_piece_a_few_and_apart(ply, region, tmp_path):
    drawn = []
    axes = SimpleNamespace(annotate=lambda _, tip, tail, arrowprops: drawn.append((arrowprops["arrowstyle"], tip, tail)))
    stage, d = Stage(plans.make(tmp_path), dome(region, ply)), ply.layings[0].draped.drape
    with stage.scene:
        stage.scene.add(stage.whole)
        (shot,) = stage.shoot()
    taken = []
    module._fibre_arrows(axes, shot, d, stage, taken)
    warps = [(tip, tail) for style, tip, tail in drawn if style == "-|>"]
    assert 30 < len(warps) == len(drawn) / 2 < 120
    middles = np.array([(a + b) / 2 for a, b in warps])
    gaps = np.linalg.norm(middles[:, None] - middles[None], axis=2)[~np.eye(len(middles), dtype=bool)]
    assert gaps.min() > 60
    # Those of a second piece over there keep clear of them.
    count = len(drawn)
    module._fibre_arrows(axes, shot, d, stage, taken)
    assert len(drawn) == count
    # Near the pole the arrow runs as the warp does there.
    k = np.linalg.norm(middles - shot.pixels(d.start_mm), axis=1).argmin()
    way, arrow = np.subtract(*shot.pixels([[100, 0, 500], [0, 0, 500.0]])), np.subtract(*warps[k])
    assert way @ arrow > 0.995 * np.linalg.norm(way) * np.linalg.norm(arrow)


def test_words_and_rows(ply):
    (words,) = drape_words(ply)
    assert "put it down first at (0, 0, 500) mm" in words
    assert "17° at which it locks (given)" in words
    assert "two threads are bent" in words
    # Great circles through the pole of a ball of 500 mm, 436 mm each way on the ply.
    said = dict(re.findall(r"([+-]\d+) mm: (\([^)]*\))", words.split("The first weft thread")[0]))
    assert list(said) == ["-400", "-300", "-200", "-100", "+100", "+200", "+300", "+400"]
    assert said["+200"] == f"({500 * np.sin(0.4):.0f}, 0, {500 * np.cos(0.4):.0f})"
    assert "-100 mm: (0, -99, 490)" in words.split("The first weft thread")[1]
    assert [row[1] for row in tried_rows(ply)] == ["as laid", "4 darts"]
    assert drape_words(SimpleNamespace(layings=())) == []
    refused = SimpleNamespace(name="P2", layings=(Laying(None, "why"),), draped=(), by_threads=False)
    assert "cut by flatten" in drape_words(refused)[0]
    assert tried_rows(refused) == []


@pytest.mark.parametrize(("most", "lock", "top"), [(0.4, 40, 2), (12, 40, 15), (26, 40, 60), (19, 17, 20), (80, 30, 90)])
def test_the_scale_reaches_locking_where_the_shear_comes_near_it(most, lock, top):
    one = SimpleNamespace(most_deg=most, locking=Locking(lock, lock, lock / 2, lock / 2))
    assert module._top([one]) == top


def test_the_way_of_the_fibres_of_a_flattened_ply_is_that_of_its_table(tmp_path):
    plan = plans.make(tmp_path)
    region = plan.regions[0]
    ply = region.plies[0]
    turn = np.radians(25.0)
    table = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    turned = replace(ply, pieces=tuple(replace(p, table_mm=p.flat.uv_mm @ table.T) for p in ply.pieces), angle_deg=5.0)
    stage = Stage(plan, region)
    with stage.scene:
        picture = module.flat_fibre_picture(stage, turned)
        unknown = module.flat_fibre_picture(stage, replace(ply, pieces=tuple(replace(p, table_mm=None) for p in ply.pieces)))
    # A cylinder's development: turned by 25 degrees on the table, the warp lies 25 degrees from the warp line, stated as 5.
    assert "stated angle of 5 degrees: over 99 % of the area under 30.0 degrees, the weft over 99 % of the area under 30.0 degrees" in picture.alt
    assert picture.about == ("fibres on hull", region.name, ply.name)
    assert unknown is None


def test_what_a_value_is_under_over_a_share_of_the_area():
    values, areas = np.array([3.0, 1.0, 90.0, 2.0]), np.array([10.0, 80.0, 0.5, 9.5])
    assert module._under(values, areas) == 3.0
    assert module._under(values, areas, 0.8) == 1.0
    assert module._under(values, areas, 1.0) == 90.0
