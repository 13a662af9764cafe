"""The ways to cut a film over shapes whose every length is known."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import shapes

from plyflat.bag.layers import TightLine
from plyflat.cloth.template import check_template
from plyflat.enveloping import Ask, film_ways, pouch_words
from plyflat.errors import FitError
from plyflat.surface.mesh import Surface
from plyflat.surface.region import region_of


def asked(surface, *, cut="sheet", tight=(), roll=1500.0, **film):
    """A film over all of a surface, its job told by hand."""
    keys = {"seam_mm": 20.0, "join_mm": 50.0, "margin_mm": 30.0, "slack_mm": 0.0, "girth_mm": None, "cut": cut, "material": "film", **film}
    job = SimpleNamespace(consumables={"film": SimpleNamespace(roll_width_mm=roll, roll_length_mm=20000.0)})
    bag = SimpleNamespace(film=SimpleNamespace(**keys), tape=SimpleNamespace(margin_mm=60.0))
    region = region_of(surface, np.ones(len(surface.faces), dtype=bool), name="r")
    return Ask(job, SimpleNamespace(name="r"), bag, region, np.array([1.0, 0.0, 0.0]), tuple(tight))


@pytest.fixture(scope="module")
def post():
    v, f, *_ = shapes.post_through(shapes.round_section(40.0), height=120.0, size=600.0, step=12.0)
    return Surface(v, f)


def foot(radius=40.0):
    turn = np.linspace(0, 2 * np.pi, 121)
    line = radius * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    return TightLine("corner 1", line, 2 * np.pi * radius, 4.0, 90.0, True)


def test_a_sheet_round_a_post_has_an_opening_and_a_slit_to_it(post):
    (sheet, *_), size, _ = film_ways(asked(post))
    # From edge to edge: the plate, both sides of the post, and its width where it ends.
    assert size.length_mm == pytest.approx(600 + 2 * 120, abs=2.0)
    (slit,) = sheet.seams
    radius = 40 + 20 / np.pi
    assert slit.length_mm == pytest.approx(840 / 2 - radius, abs=2.0)
    (template,) = sheet.templates
    # The opening is cut to the edge: one line to cut, as wide as the post and what the seam takes.
    assert len(template.cut.interiors) == 0
    assert 840**2 - template.cut.area == pytest.approx(np.pi * radius**2 + slit.length_mm, rel=0.05, abs=5000)
    (step,) = sheet.steps
    assert "near (-0, 0, 120) mm" in step.replace("(0,", "(-0,")
    assert "join the slit flat from the opening outwards, 0.37 m" in step


def test_strips_of_a_narrow_roll_go_round_a_post_too(post):
    (sheet, *_), _, made = film_ways(asked(post, roll=520.0))
    assert len(sheet.templates) == len(made.edges_mm) == 2
    radius = 40 + 20 / np.pi
    for t in sheet.templates:
        check_template(t)
    gone = made.length_mm * made.width_mm - sum(t.net.area for t in sheet.templates)
    assert gone == pytest.approx(np.pi * radius**2, rel=0.05)
    # Cut through, the slit would part the strip that most of the opening lies on: it is drawn there.
    slit = next(q.length_mm for q in sheet.seams if q.what.startswith("slit"))
    drawn = [line.length for t in sheet.templates for line in t.joins]
    assert drawn.count(pytest.approx(slit, abs=1.0)) == 2
    assert sheet.steps[-1].endswith("cut it once the strips are joined.")


def test_a_roll_that_no_sheet_comes_off_is_named_with_what_would_do(post):
    with pytest.raises(FitError, match=r"^region 'r', 'film': no strips of a roll 40 mm wide .* Use a roll wider than the overlap of its joins, 50 mm"):
        film_ways(asked(post, roll=40.0))


def test_a_sleeve_round_a_post_meets_the_sheet_along_its_foot(post):
    ways, _, _ = film_ways(asked(post, cut="two pieces", tight=[foot()]))
    two = ways[0]
    assert two.name == "two pieces"
    sides = [q for q in two.seams if q.what.startswith("piece")]
    assert [q.length_mm for q in sides] == pytest.approx([120.0], abs=12.0)
    assert two.seams[-1].length_mm == pytest.approx(2 * np.pi * 40)
    flat = next(t for t in two.templates if t.cut.interiors)
    # A hole 20 mm inside the foot, whose film stands up.
    hole = flat.cut.interiors[0]
    assert max(hole.bounds[2] - hole.bounds[0], hole.bounds[3] - hole.bounds[1]) == pytest.approx(2 * (40 - 20), abs=2.0)
    assert "its four quarters first" in two.steps[-1]


def test_a_closed_part_goes_into_a_pouch_of_its_girth():
    part = Surface(*shapes.box((800.0, 300.0, 100.0), steps=8))
    # A sheet needs an edge; the pouch alone is asked for.
    ask = asked(part, cut="envelope", slack_mm=50.0)
    from plyflat.enveloping import _pouch_round

    pouch = _pouch_round(ask)
    assert "800 mm round and 900 mm long" in pouch.what
    # 800 mm round and 50 of slack, laid flat 425 mm; 900 and 50 long: folded along a side it has a side and two ends to close.
    assert pouch.seams_mm == pytest.approx(950 + 2 * 425)
    assert len(pouch.templates) == 1
    assert pouch.steps[-1] == "Put the part in, fold first, and close the last seam, end 2, 0.42 m."


def test_words_of_a_pouch_say_its_sheet_and_fold():
    from plyflat.bag.envelope import pouches

    one, *_ = pouches(100.0, 300.0, sealed=1, seam_mm=10.0, roll_width_mm=500.0, roll_length_mm=9000.0)
    assert pouch_words(one) == "a pouch from one sheet of 320 by 220 mm, folded along a side"
