from __future__ import annotations

import math
import threading
from collections import Counter

import packing
import pytest
from shapely import Point, Polygon, box
from shapely.affinity import translate

from plyflat.errors import CheckError, FitError, QuantityError, ShapeError, StoppedError
from plyflat.lay import rolls
from plyflat.lay.checks import check_places
from plyflat.lay.grid import Spot
from plyflat.lay.parts import Part, Place
from plyflat.lay.rolls import Filler, lay_on_stock
from plyflat.lay.stock import Flaw, Stock, check_stock, worth_keeping
from plyflat.progress import quiet

FULL = Stock("roll", 1000.0, 5000.0, bought=True)


def lay_out(parts, stocks, **options):
    """Lay out without time, and look each lay over by the plain checks and against flaws and outlines."""
    lays = lay_on_stock(parts, stocks, **{"seconds": 0, **options})
    assert packing.faults(parts, list(lays)) == []
    for lay in lays:
        for place in lay.places:
            assert all(place.outline.intersection(flaw.box).area < 1e-3 for flaw in lay.stock.flaws)
            if lay.stock.outline is not None:
                assert place.outline.difference(lay.stock.outline).area < 1e-3
            assert place.outline.bounds[2] <= lay.stock.length_mm + 1e-6
    return lays


def names(lays):
    return [lay.stock.name for lay in lays]


# ---- which cloth ---------------------------------------------------------------------------------------------------


def test_a_remnant_is_used_first_where_it_saves_cloth():
    remnant = Stock.remnant("offcut", Polygon([(0, 0), (700, 0), (0, 700)]))
    parts = [Part(box(0, 0, 300, 300)), Part(box(0, 0, 800, 900), (0.0,))]
    lays = lay_out(parts, [FULL, remnant])
    assert names(lays) == ["offcut", "roll 1"]
    assert [lay.places[0].part for lay in lays] == [0, 1]


def test_a_remnant_that_saves_nothing_stays_whole():
    # The small piece lies beside the large one on the roll at no cost.
    remnant = Stock.remnant("offcut", Polygon([(0, 0), (700, 0), (0, 700)]))
    parts = [Part(box(0, 0, 300, 90)), Part(box(0, 0, 800, 900), (0.0,))]
    assert names(lay_out(parts, [FULL, remnant])) == ["roll 1"]


def test_narrow_rolls_take_what_fits_and_wide_ones_the_rest():
    stocks = [Stock("narrow", 500.0, 3000.0, begun=True), Stock("wide", 1500.0, 3000.0)]
    parts = [Part(box(0, 0, 400, 1400), (0.0,), name="wide"), Part(box(0, 0, 600, 450), (0.0,), copies=3, name="strip")]
    lays = lay_out(parts, stocks)
    assert {lay.stock.name: {parts[p.part].name for p in lay.places} for lay in lays} == {
        "narrow": {"strip"},
        "wide": {"wide"},
    }


def test_the_roll_that_holds_all_is_cut_into_alone():
    stocks = [Stock("short", 1000.0, 800.0), Stock("long", 1000.0, 4000.0)]
    parts = [Part(box(0, 0, 600, 700), (0.0,), copies=4)]
    assert names(lay_out(parts, stocks)) == ["long"]


def test_begun_rolls_go_before_full_ones():
    stocks = [Stock("full", 1000.0, 9000.0), Stock("begun", 1000.0, 2000.0, begun=True)]
    assert names(lay_out([Part(box(0, 0, 600, 700), (0.0,), copies=3)], stocks)) == ["begun"]


def test_more_is_bought_and_said_to_be():
    lays = lay_out([Part(box(0, 0, 900, 900), copies=3)], [Stock("roll 1", 1000.0, 1000.0), Stock("roll", 1000.0, 1900.0, bought=True)])
    assert [(lay.stock.name, lay.stock.bought, len(lay.places)) for lay in lays] == [
        ("roll 1", False, 1),
        ("roll 2", True, 2),
    ]


def test_cloth_that_is_used_up_is_named():
    with pytest.raises(FitError, match=r"no room on the cloth at hand for 1 piece of 0\.81 m²: .* 'lid'\. .* 1000 mm 0\.81 m or more"):
        lay_on_stock([Part(box(0, 0, 900, 900), copies=2, name="lid")], [Stock("roll 1", 1000.0, 1000.0)], seconds=0)


def test_a_piece_wider_than_all_cloth_says_what_would_help():
    part = Part(box(0, 0, 500, 1300), (0.0, 180.0), name="keel")
    with pytest.raises(FitError, match=r"'keel': it is 1300\.0 mm wide .* 320\.0 mm more .* of wide\. Splice it along the roll into 2") as found:
        lay_on_stock([part], [Stock("narrow", 600.0, 9e3), Stock("wide", 1000.0, 9e3, 10.0)], seconds=0)
    assert found.value.where == "part 'keel'"


# ---- flaws, outlines, sections -------------------------------------------------------------------------------------


def test_pieces_lie_clear_of_flaws_and_use_the_room_between():
    stock = Stock("flawed", 1000.0, 1210.0, flaws=(Flaw(500.0, 0.0, 200.0, 600.0),))
    # Two beside each other before the flaw, one beside it, and one on either side behind it.
    lays = lay_out([Part(box(0, 0, 400, 380), copies=5)], [stock])
    assert len(lays[0].places) == 5


def test_a_flaw_may_lie_in_an_opening():
    frame = box(0, 0, 900, 900) - box(200, 200, 700, 700)
    stock = Stock("flawed", 900.0, 900.0, flaws=(Flaw(400.0, 400.0, 100.0, 100.0),))
    (lay,) = lay_out([Part(frame)], [stock], gap_mm=5)
    assert lay.length_mm == pytest.approx(900.0)


def test_without_the_flaw_the_lay_is_shorter():
    parts, width = packing.instance("marques")
    flawed = Stock("a", width, 120.0, flaws=(Flaw(30.0, 20.0, 12.0, 9.0),))
    (with_flaw,) = lay_out(parts, [flawed])
    (without,) = lay_out(parts, [Stock("a", width, 120.0)])
    assert without.bound_mm <= without.length_mm <= with_flaw.length_mm


def test_no_piece_lies_across_two_sections_of_the_table():
    stock = Stock("roll 1", 1000.0, 5000.0)
    (lay,) = lay_out([Part(box(0, 0, 700, 450), (0.0,), copies=7)], [stock], table_mm=1500.0, gap_mm=4.0)
    assert len(lay.cuts_mm) == 1
    assert all(not place.outline.bounds[0] < cut < place.outline.bounds[2] for cut in lay.cuts_mm for place in lay.places)
    ends = [0.0, *lay.cuts_mm, lay.length_mm]
    assert max(b - a for a, b in zip(ends, ends[1:])) <= 1500.0 + 1e-6


def test_the_gap_on_both_sides_of_a_cut_counts_for_the_table():
    # Two pieces and the gap between take 1404 mm, but 1408 mm from cut to cut.
    stock = Stock("roll 1", 1000.0, 5000.0)
    parts = [Part(box(0, 0, 700, 900), (0.0,), copies=4)]
    (narrow,) = lay_out(parts, [stock], table_mm=1406.0, gap_mm=4.0)
    (enough,) = lay_out(parts, [stock], table_mm=1409.0, gap_mm=4.0)
    assert (len(narrow.cuts_mm), len(enough.cuts_mm)) == (3, 1)


def test_a_piece_longer_than_the_table_is_refused():
    with pytest.raises(FitError, match=r"1800\.0 mm along the roll .* 300\.0 mm more .* the table leaves.* a longer table"):
        lay_on_stock([Part(box(0, 0, 1800, 450), (0.0,))], [FULL], table_mm=1500.0, seconds=0)


def test_one_part_as_long_and_as_wide_as_the_roll():
    (lay,) = lay_out([Part(box(0, 0, 5000, 1000), (0.0,))], [FULL])
    assert lay.use == pytest.approx(1.0)


def test_small_pieces_go_into_the_openings_of_large_ones():
    ring = Point(0, 0).buffer(480) - Point(0, 0).buffer(400)
    parts = [Part(ring, (0.0,)), Part(box(0, 0, 240, 240), (0.0,), copies=3)]
    (lay,) = lay_out(parts, [FULL], gap_mm=4.0)
    assert lay.length_mm == pytest.approx(960.0, abs=0.01)
    opening = Polygon(lay.places[0].outline.interiors[0])
    assert all(opening.contains(place.outline) for place in lay.places[1:])


@pytest.mark.parametrize(
    "outline",
    [
        box(0, 0, 800, 3),
        Polygon([(0, 0), (900, 1), (0, 2)]),
        Polygon([(0, 0), (600, 0), (600, 100), *[(600 - 20 * k, 100 if k % 2 else 20) for k in range(1, 30)], (0, 100)]),
        translate(box(0, 0, 300, 200), 5e6, -7e6),
    ],
    ids=["sliver", "needle", "comb", "far off"],
)
def test_odd_shapes_lie_on_flawed_cloth(outline):
    stock = Stock("flawed", 1000.0, 3000.0, 10.0, (Flaw(300.0, 300.0, 50.0, 50.0),))
    (lay,) = lay_out([Part(outline, (0.0, 180.0), copies=4)], [stock], gap_mm=5.0)
    assert len(lay.places) == 4


# ---- what stays together, what comes first -------------------------------------------------------------------------


def test_a_group_comes_from_one_roll():
    # The short roll is fullest with one of the pair and the strip beside it.
    stocks = [Stock("a", 1000.0, 1000.0), Stock("b", 1000.0, 3000.0)]
    parts = [
        Part(box(0, 0, 900, 600), (0.0,), copies=2, group="port"),
        Part(box(0, 0, 900, 350), (0.0,), group="stem"),
        Part(box(0, 0, 900, 900), (0.0,), copies=2),
    ]

    lays = lay_out(parts, stocks)
    assert {lay.stock.name for lay in lays for place in lay.places if place.part == 0} == {"b"}


@pytest.mark.parametrize(("group", "taken"), [("port", {1: 1}), ("", {0: 1, 1: 1})])
def test_a_roll_takes_a_group_whole_or_not_at_all(group, taken):
    parts = [Part(box(0, 0, 900, 600), (0.0,), copies=2, group=group), Part(box(0, 0, 900, 350), (0.0,))]
    stock, wanted = Stock("a", 1000.0, 1000.0), Counter({0: 2, 1: 1})
    filler = Filler(parts, [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    assert filler._fit(stock, 0.0, wanted, rest=wanted, seconds=0.0).counts == taken


def test_a_group_that_no_roll_holds_is_spread():
    stocks = [Stock("a", 1000.0, 1000.0), Stock("b", 1000.0, 1000.0)]
    lays = lay_out([Part(box(0, 0, 900, 900), copies=2, group="kit")], stocks)
    assert names(lays) == ["a", "b"]


def test_what_is_cut_first_gets_the_cloth_first():
    stocks = [Stock("a", 1000.0, 500.0), Stock("b", 1000.0, 500.0)]
    parts = [Part(box(0, 0, 400, 900), (0.0,), rank=1), Part(box(0, 0, 300, 800), (0.0,), rank=0)]
    lays = lay_out(parts, stocks)
    assert [lay.places[0].part for lay in lays] == [1, 0]


# ---- bad input, stopping, counting ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stock", "error", "words"),
    [
        (Stock("a", 0.0, 100.0), QuantityError, "0 mm wide"),
        (Stock("a", math.nan, 100.0), QuantityError, "nan mm wide"),
        (Stock("a", 100.0, -1.0), QuantityError, "-1 mm long"),
        (Stock("a", 100.0, 100.0, -2.0), QuantityError, "edge margin is -2"),
        (Stock("a", 100.0, 100.0, 50.0), FitError, "leave nothing of 100 mm"),
        (Stock("a", 100.0, 100.0, 0.0, (Flaw(90.0, 0.0, 20.0, 5.0),)), QuantityError, "10 mm outside a roll"),
        (Stock("a", 100.0, 100.0, 0.0, (Flaw(0.0, 0.0, 0.0, 5.0),)), QuantityError, "0 mm along"),
    ],
)
def test_cloth_that_cannot_be_is_refused(stock, error, words):
    with pytest.raises(error, match=words):
        check_stock([stock])


def test_no_cloth_at_all_is_refused():
    with pytest.raises(QuantityError, match="no roll"):
        lay_on_stock([Part(box(0, 0, 9, 9))], [], seconds=0)


@pytest.mark.parametrize(
    ("outline", "words"),
    [
        (Polygon([(0, 0), (10, 10), (10, 0), (0, 10)]), "not plain"),
        (Polygon([(0, 0), (10, 0), (20, 0)]), "not plain|area"),
        (Polygon(), "empty"),
    ],
)
def test_remnants_that_are_no_shape_are_refused(outline, words):
    with pytest.raises(ShapeError, match=words):
        Stock.remnant("offcut", outline)


@pytest.mark.parametrize("options", [{"gap_mm": -1.0}, {"table_mm": 0.0}, {"tries": 0}, {"tries": 3, "seconds": 2.0}])
def test_numbers_that_cannot_be_are_refused(options):
    with pytest.raises(QuantityError):
        lay_on_stock([Part(box(0, 0, 9, 9))], [FULL], **{"seconds": 0, **options})


def test_stopping_before_there_is_a_lay_says_so():
    with pytest.raises(StoppedError):
        lay_on_stock([Part(box(0, 0, 90, 90), copies=9)], [Stock("a", 100.0, 2000.0, flaws=(Flaw(0, 0, 9, 9),))], stop=lambda: True)


def test_stopping_later_keeps_what_there_is():
    parts, width = packing.instance("marques")
    stop = threading.Event()
    stocks = [Stock("a", width, 60.0, flaws=(Flaw(30.0, 20.0, 2.0, 2.0),)), Stock("b", width, 90.0)]
    threading.Timer(2.0, stop.set).start()
    try:
        lays = lay_on_stock(parts, stocks, seconds=60, stop=stop)
    except StoppedError:
        # On a loaded machine the stop comes before the first answer.
        return
    assert packing.faults(parts, list(lays)) == []
    assert all(lay.stopped and not lay.repeatable for lay in lays)


@pytest.mark.parametrize("where", ["_closed_up", "_first_forward", "_tucked", "_finer"])
def test_control_c_at_any_later_time_keeps_the_best_lay(monkeypatch, where):
    def pressed(self, loads):
        raise KeyboardInterrupt

    monkeypatch.setattr(Filler, where, pressed)
    parts = [Part(box(0, 0, 300, 400), copies=3)]
    (lay,) = lay_out(parts, [Stock("a", 1000.0, 2000.0, flaws=(Flaw(0, 0, 9, 9),))], tries=1)
    assert lay.stopped
    assert len(lay.places) == 3


def test_control_c_in_a_second_order_of_things_keeps_the_first(monkeypatch):
    share_out, orders = Filler._share_out, []

    def once(self, order):
        orders.append(order)
        if len(orders) == 2:
            raise KeyboardInterrupt
        return share_out(self, order)

    monkeypatch.setattr(Filler, "_share_out", once)
    stocks = [Stock("a", 1000.0, 900.0), Stock("b", 1000.0, 1900.0)]
    lays = lay_out([Part(box(0, 0, 700, 900), copies=2)], stocks)
    assert len(orders) == 2
    assert all(lay.stopped for lay in lays)
    monkeypatch.setattr(Filler, "_share_out", lambda self, order: once(self, None))
    orders[:] = [None]
    with pytest.raises(StoppedError):
        lay_out([Part(box(0, 0, 700, 900))], stocks)


def test_the_same_count_gives_the_same_lay_and_no_longer_one():
    parts, width = packing.instance("marques")
    found = [lay_out(parts, [Stock("a", width, 200.0)], tries=3, seed=5)[0] for _ in range(2)]
    assert [p.shift_mm for p in found[0].places] == [p.shift_mm for p in found[1].places]
    assert found[0].repeatable
    assert found[0].length_mm <= lay_out(parts, [Stock("a", width, 200.0)], seed=5)[0].length_mm


def test_many_pieces_get_a_rough_answer_first_and_a_finer_one_with_time(monkeypatch):
    monkeypatch.setattr(rolls, "MANY", 10)
    stock = Stock("flawed", 1000.0, 3000.0, flaws=(Flaw(2000.0, 0.0, 50.0, 50.0),))
    # A sixteenth of the width: half a cell too much for cells twice as wide.
    parts = [Part(box(0, 0, 300, 62.5), (0.0,), copies=16)]
    (lay,) = lay_out(parts, [stock])
    assert lay.length_mm > 590.0
    filler = Filler(parts, [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    (load,) = filler._finer(filler._shared_out())
    assert load.lay.length_mm == pytest.approx(300.0, abs=1e-6)
    assert filler._finer([load]) == [load]
    asked = []
    monkeypatch.setattr(Filler, "_finer", lambda self, loads: asked.append(len(loads)) or loads)
    lay_out(parts, [stock])
    assert asked == []
    lay_out(parts, [stock], tries=1)
    assert asked == [1]


@pytest.mark.parametrize(("seconds", "flawed", "asked"), [(20.0, True, []), (20.0, False, [4]), (0.0, False, [None]), (0.0, True, [None])])
def test_a_first_answer_is_quick_where_a_search_follows(monkeypatch, seconds, flawed, asked):
    found, plain = [], rolls.find_lay
    monkeypatch.setattr(rolls, "find_lay", lambda *args, most_quick=None, **o: found.append(most_quick) or plain(*args, **o))
    stock = Stock("a", 1000.0, 3000.0, flaws=(Flaw(0.0, 0.0, 50.0, 50.0),) * flawed)
    filler = Filler([Part(box(0, 0, 300, 400), copies=3)], [stock], 0.0, math.inf, 0, seconds, None, quiet, None)
    filler._shared_out()
    assert found == asked


def test_many_pieces_on_several_rolls_are_put_down_one_by_one_at_first(monkeypatch):
    monkeypatch.setattr(rolls, "find_lay", lambda *args, **options: pytest.fail("searched"))
    stocks = [Stock(name, 1000.0, 3000.0) for name in "abcd"]
    lays = lay_out([Part(box(0, 0, 90, 80), copies=31)], stocks)
    assert sum(len(lay.places) for lay in lays) == 31


def test_cloth_that_does_in_one_order_of_things_alone_is_kept(monkeypatch):
    monkeypatch.setattr(rolls, "MANY", 10)
    stock = Stock("flawed", 1000.0, 3000.0, flaws=(Flaw(2000.0, 0.0, 50.0, 50.0),))
    filler = Filler([Part(box(0, 0, 300, 60), (0.0,), copies=16)], [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    loads = filler._shared_out()

    def used_up(order):
        raise FitError("no room", do="Buy a roll")

    monkeypatch.setattr(filler, "_share_out", used_up)
    assert filler._finer(loads) == loads


def test_the_check_sees_a_piece_in_a_flaw():
    part = Part(box(0, 0, 50, 50))
    place = Place(0, 0, 0.0, (0.0, 0.0), part.outline)
    options = {"width_mm": 100, "gap_mm": 0, "edge_mm": 0, "length_mm": 50}
    check_places([part], [place], **options, shut=box(50, 0, 60, 10))
    with pytest.raises(CheckError, match=r"0\.01 mm into a flaw"):
        check_places([part], [place], **options, shut=box(49.99, 0, 60, 10))


# ---- what is left --------------------------------------------------------------------------------------------------


def test_what_a_roll_keeps_is_left_without_selvedge_and_flaws():
    stock = Stock("roll 1", 1000.0, 3000.0, 10.0, (Flaw(2900.0, 0.0, 100.0, 1000.0),))
    (lay,) = lay_out([Part(box(0, 0, 700, 900), (0.0,))], [stock])
    (left,) = lay.left
    assert left.bounds == pytest.approx((lay.length_mm, 10, 2900, 990), abs=0.01)
    assert left.area == pytest.approx((2900 - lay.length_mm) * 980, rel=1e-6)


def test_what_is_left_of_a_remnant_takes_new_pieces():
    remnant = Stock.remnant("offcut", Polygon([(0, 0), (1000, 0), (1000, 400), (400, 800), (0, 800)]))
    (lay,) = lay_out([Part(box(0, 0, 400, 500), (0.0,))], [remnant], gap_mm=5.0)
    again = [Stock.remnant(f"rest {k}", part) for k, part in enumerate(lay.left)]
    assert lay.used_mm2 == pytest.approx(remnant.outline.area - sum(part.area for part in lay.left))
    (second,) = lay_out([Part(box(0, 0, 500, 300), (0.0,))], again, gap_mm=5.0)
    assert second.stock.name.startswith("rest")


def test_strips_are_not_worth_keeping():
    assert worth_keeping(box(0, 0, 5000, 149)) == ()
    (kept,) = worth_keeping(box(0, 0, 500, 300) | box(500, 0, 900, 60))
    assert kept.bounds == pytest.approx((0, 0, 500, 300))


def test_pieces_on_a_flawed_roll_are_closed_up_to_its_end():
    stock = Stock("flawed", 1000.0, 4000.0, flaws=(Flaw(2000.0, 0.0, 50.0, 50.0),))
    parts = [Part(box(0, 0, 400, 900), (0.0,), copies=2)]
    filler = Filler(parts, [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    loose = filler._load(stock, 0.0, [Spot(0, 0.0, (700.0, 0.0)), Spot(0, 0.0, (1500.0, 60.0))])
    (load,) = filler._closed_up([loose])
    assert loose.lay.length_mm == 1900.0
    assert load.lay.length_mm == pytest.approx(800.0, abs=1000 / 240)


def test_what_is_cut_first_is_offered_before_what_is_larger():
    parts = [Part(box(0, 0, 900, 900), rank=1), Part(box(0, 0, 300, 300))]
    filler = Filler(parts, [FULL], 0.0, math.inf, 0, 0.0, None, quiet, None)
    assert filler._largest(Counter({0: 1, 1: 1}), 8e4) == {1: 1}
    assert filler._largest(Counter({0: 1, 1: 2}), 2e5, over=False) == {1: 2}


def test_what_is_cut_first_lies_nearer_to_the_rolls_end():
    # Both lie one after the other whatever comes first.
    stock = Stock("roll 1", 1000.0, 5000.0)
    for ranks in ((0, 1), (1, 0)):
        parts = [Part(box(0, 0, 700, 900), rank=ranks[0]), Part(box(0, 0, 400, 950), rank=ranks[1])]
        (lay,) = lay_out(parts, [stock], gap_mm=5.0)
        first, last = (lay.places[ranks.index(rank)].outline.bounds for rank in (0, 1))
        assert first[0] == pytest.approx(0.0, abs=1e-6)
        assert last[0] >= first[2] + 5.0 - 1e-6


def test_pieces_that_may_not_be_turned_about_stay_as_they_lie():
    stock = Stock("roll 1", 1000.0, 5000.0)
    parts = [Part(box(0, 0, 700, 900), (0.0,), rank=1), Part(box(0, 0, 400, 950), (0.0,))]
    filler = Filler(parts, [stock], 0.0, math.inf, 0, 0.0, None, quiet, None)
    load = filler._load(stock, 0.0, [Spot(0, 0.0, (0.0, 0.0)), Spot(1, 0.0, (700.0, 0.0))])
    assert filler._first_forward([load]) == [load]
