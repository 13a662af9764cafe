"""The sums of the day on a plan made by hand: what goes where, what is said, and what is refused."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import plans
import pytest
import stacks

from plyflat import daily
from plyflat.daily import HeatError, check_day, plan_day
from plyflat.errors import PlyflatError
from plyflat.job.reader import job_from_text
from plyflat.shop.tally import ResinJob, resin_list, usual_mix
from plyflat.shop.vacuum import VacuumError

RESIN = """
[resin]
ratio = "100:25"
fibre_mass_fraction = "60 %"
wet_out = "50 %"
pot_life = ["40 min at 20 degC", "20 min at 30 degC"]
open_time = "3 h at 20 degC"
price = "20 EUR/kg"
in_shop = "500 g"
[cure]
full = ["24 h at 20 degC", "4 h at 50 degC"]
off = "10 h at 20 degC"
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return plans.make(tmp_path_factory.mktemp("job"))


def day_of(plan, extra=RESIN, job_text=plans.JOB):
    job = job_from_text(job_text + extra)
    resin = mix = None
    if job.resin:
        stated = ResinJob(1000.0, job.resin.wet_out_fibre_mass_fraction, job.resin.fibre_mass_fraction, 0.1, job.resin.ratio, 1.0)
        resin, mix = resin_list(stated), usual_mix(stated)
    return plan_day(job, plan.regions, plan.rolls, resin or (), mix)


def test_resin_of_each_ply_is_that_of_its_cloth(plan):
    day, _ = day_of(plan)
    region = day.regions[0]
    for ply, mixed in zip(plan.regions[0].plies, region.mix.plies):
        cut_g = sum(t.cut.area * t.copies for t in ply.templates) * 200e-6
        assert mixed.mixed_g.usual == pytest.approx(cut_g * 1.1)
        assert mixed.hardener_g.usual == pytest.approx(cut_g * 1.1 / 5)
    assert region.fibre_g == pytest.approx(region.mix.mixed_g.usual / 1.1)
    assert sum(b.mass_g for b in region.batches) == pytest.approx(region.mix.mixed_g.usual)
    # A ply of two copies is twice as thick.
    assert region.mix.plies[0].thickness_mm.usual == pytest.approx(2 * region.mix.plies[1].thickness_mm.usual)


def test_the_day_runs_from_its_start(plan):
    day, _ = day_of(plan, RESIN + '[clock]\nstart = "13:30"\n')
    region = day.regions[0]
    assert region.start_min == 810.0
    assert [s.what for s in region.steps][:3] == ["mix the first batch", "lay and wet out P1", "lay and wet out P2"]
    assert region.fit.needed_s == pytest.approx(region.steps[-1].end_s)
    assert region.fit.open_s == pytest.approx(3 * 3600)


def test_a_day_that_does_not_fit_is_told_with_what_would_do(plan):
    _, notes = day_of(plan, RESIN.replace("3 h at 20", "40 min at 20"))
    said = next((text, do) for text, where, do in notes if "first resin on the hull" in text)
    assert "stays workable for 40 min" in said[0]
    assert "times slower" in said[1]


def test_without_pot_life_there_are_no_batches_and_without_resin_no_mix(plan):
    day, _ = day_of(plan, RESIN.split("pot_life")[0])
    assert (day.regions[0].batches, day.regions[0].fit) == ((), None)
    bare, _ = day_of(plan, "")
    assert (bare.regions[0].mix, bare.regions[0].bleed, bare.cure) == (None, None, None)
    assert bare.regions[0].pull is not None
    assert bare.small.total_g == 0


def test_vacuum_follows_the_height(plan):
    low, _ = day_of(plan)
    high, notes = day_of(plan, RESIN + '[place]\naltitude = "2600 m"\n')
    assert low.regions[0].pull.gauge_kpa == pytest.approx(80.0, abs=0.1)
    assert high.regions[0].pull.gauge_kpa == pytest.approx(0.79 * high.air_kpa)
    assert any("22 inHg" in text for text, _, _ in notes)
    # Written out in full and read again, the job plans as before.
    job = job_from_text(plans.JOB + RESIN + '[place]\naltitude = "2600 m"\n')
    check_day(job_from_text(job.resolved_toml()))
    with pytest.raises(VacuumError, match="cannot be drawn"):
        day_of(plan, RESIN + '[place]\naltitude = "2600 m"\n[vacuum]\ngauge = "25 inHg"\n')


def test_a_barometer_goes_before_height_and_weather(plan):
    day, _ = day_of(plan, RESIN + '[place]\naltitude = "2600 m"\nair_pressure = "99 kPa"\n')
    assert day.air_kpa == 99.0


def test_a_weak_pump_and_a_hot_bag_are_told(plan):
    _, notes = day_of(plan, RESIN + '[vacuum]\ngauge = "29 inHg"\npump_limit = "5 kPa"\n')
    assert any("never reached" in text for text, _, _ in notes)
    _, notes = day_of(plan, RESIN + 'plan = ["4 h at 20 degC", "4 h at 70 degC"]\n')
    said = next(text for text, where, _ in notes if where == "vacuum" and "boils" in text)
    # Steam tables: 21.3 kPa at 61.4 degC.
    assert 61 <= float(said.split()[3]) <= 62


def test_a_breather_that_is_too_small_and_resin_on_its_way_to_the_port(plan):
    layers = plan.regions[0].layers
    breather = dataclasses.replace(layers[0], kind="breather", material="felt", margin_mm=75.0)
    wet = dataclasses.replace(plan.regions[0], layers=(layers[0], breather, *layers[1:]))
    felt = '[consumable.felt]\nkind = "breather"\nareal_weight = "100 g/m^2"\nroll_width = "1 m"\nroll_length = "9 m"\n'
    thick = RESIN.replace('wet_out = "50 %"', 'wet_out = "30 %"')
    _, notes = day_of(dataclasses.replace(plan, regions=(wet,)), thick + felt)
    assert any("carries vacuum badly" in text for text, _, _ in notes)
    assert any("reach the port" in text and "trap" in do for text, _, do in notes)
    do = next(do for text, _, do in notes if "carries vacuum badly" in text)
    assert "of mixed resin on 100 g of cloth; or lay " in do
    # 600 g/m2 of cloth where both plies lie (one of them twice), not the mean over the larger one.
    stepped = wet.plies[1].area_mm2 > 1.1 * wet.plies[0].area_mm2
    assert stepped
    assert daily._most_fibre_g_m2(job_from_text(plans.JOB + thick + felt), wet) == pytest.approx(600.0, rel=1e-3)
    # Your own weighed square goes before the pores.
    mine, _ = day_of(dataclasses.replace(plan, regions=(wet,)), RESIN + felt + 'holds = "400 g/m^2"\n')
    assert mine.regions[0].bleed.over_all.usual == pytest.approx(mine.regions[0].bleed.breather_g.usual / (breather.area_mm2 * 1e-6 * 400))


def test_cure_by_plan_and_log(plan, tmp_path):
    day, notes = day_of(plan)
    assert day.cure.share == pytest.approx(1.0)
    assert day.cure.off_s == pytest.approx(10 * 3600)
    assert not any(where == "cure" for _, where, _ in notes)
    short, notes = day_of(plan, RESIN + 'plan = "6 h at 20 degC"\nramp = "3 degC/min"\n')
    assert short.cure.share == pytest.approx(0.25)
    assert short.cure.off_s is None
    assert [text for text, where, _ in notes if where == "cure"][0] == "the temperatures planned give 25 % of the full cure"
    (tmp_path / "log.csv").write_text("time (h),part (degC)\n0,20\n0.25,60\n0.5,60\n")
    logged, notes = day_of(plan, RESIN + f'log = "{(tmp_path / "log.csv").as_posix()}"\n')
    assert 0 < logged.cure.log_share < 0.25
    assert any("the log shows heating by 2.7 degC" in text for text, _, _ in notes)
    assert logged.cure.log_glass_transition_c == (70.0, 90.0)
    assert not any("never passes" in text for text, _, _ in notes)
    warmer = RESIN + 'plan = ["10 h at 20 degC", "6 h at 65 degC"]\n'
    _, notes = day_of(plan, warmer + f'log = "{(tmp_path / "log.csv").as_posix()}"\n')
    assert any("never passes 60 degC, and 65 degC was planned: the glass transition comes to about 90 degC" in text for text, _, _ in notes)


def test_a_glass_transition_beyond_the_cure_asks_for_a_post_cure(plan):
    _, notes = day_of(plan, RESIN + 'glass_transition = "90 degC"\n')
    assert any("brings about 30 to 50 degC" in text and "Post-cure at 60 to 80 degC" in do for text, _, do in notes)
    _, notes = day_of(plan, RESIN + 'glass_transition = "90 degC"\nplan = ["8 h at 20 degC", "6 h at 65 degC"]\n')
    assert not any("Post-cure" in do for _, _, do in notes)


def test_sun_in_tiers(plan):
    sunny = RESIN + 'glass_transition = "{} degC"\n[service]\npaint = "black"\n'
    day, notes = day_of(plan, sunny.format(120))
    assert day.sun.tier == "quiet"
    assert not any(where == "service" for _, where, _ in notes)
    _, notes = day_of(plan, sunny.format(100))
    assert any(where == "service" and "85 degC" in text for text, where, _ in notes)
    with pytest.raises(HeatError, match="accept_heat"):
        day_of(plan, sunny.format(70))
    _, notes = day_of(plan, sunny.format(70) + "accept_heat = true\n")
    assert any(where == "service" for _, where, _ in notes)


def test_order_waste_and_reuse(plan):
    day, _ = day_of(plan, RESIN + '[waste]\nreusable_price = "60 EUR/m^2"\n')
    lines = {line.item: line for line in day.order}
    cloth = lines[plans.CLOTH]
    assert cloth.need + cloth.left == pytest.approx(10.0)
    assert cloth.cost == pytest.approx(cloth.need * 38.5)
    resin = lines["resin, resin and hardener"]
    assert resin.buy > 0
    assert resin.in_shop == 500.0
    assert day.reuse.price > 0
    assert day.reuse.uses_to_pay is None  # no price of the film is stated
    assert [c.saves_g for c in day.cuts] == sorted((c.saves_g for c in day.cuts), reverse=True)


def test_every_mark_lies_on_its_tape(plan):
    day, _ = day_of(plan)
    region = day.regions[0]
    assert len(region.tape_marks) == len(plan.regions[0].layers[1].region.loops)
    assert all(0 <= m.metre <= region.tape_m for loop in region.tape_marks for m in loop)


@pytest.mark.parametrize(
    ("extra", "where"),
    [
        ('[place]\naltitude = "2600 m"\n[vacuum]\ngauge = "25 inHg"\n', r"\[vacuum\] gauge: a vacuum of 84"),
        ('log = "none.csv"\n', "none.csv: the log cannot be read"),
        ('[service]\npaint = "puce"\n', r"\[service\]: the paint 'puce' is not listed"),
        ('glass_transition = "60 degC"\n[service]\npaint = "black"\n', r"\[service\]: in the sun"),
    ],
)
def test_what_the_sums_would_refuse_is_refused_before_the_long_work(extra, where):
    with pytest.raises(PlyflatError, match=where):
        check_day(job_from_text(plans.JOB + RESIN + extra))


def test_ratios_that_disagree_are_refused_early():
    liquids = 'ratio_by_volume = "100:25"\npart_density = "1.15 g/cm^3"\nhardener_density = "0.9 g/cm^3"\n[cure]\n'
    with pytest.raises(PlyflatError, match=r"\[resin\] ratio_by_volume: 100:25 by mass"):
        check_day(job_from_text(plans.JOB + RESIN.replace("[cure]\n", liquids)))
    check_day(job_from_text(plans.JOB + RESIN))
    check_day(job_from_text(plans.JOB))


def test_tape_starts_at_its_foremost_point(plan, monkeypatch):
    tape = plan.regions[0].layers[1].region
    loop = tape.loops[0]
    points = tape.surface.vertices_mm[loop]
    first = int(np.argmax(points @ [1.0, 0.0, 0.0]))
    seen = []
    real = daily.tape_marks
    monkeypatch.setattr(daily, "tape_marks", lambda at, normals: seen.append(at) or real(at, normals))
    day_of(plan)
    assert seen[0][0] == pytest.approx(points[first])


def test_ranges_and_margins_are_the_jobs(plan):
    sure = (
        '[ranges]\nwet_out = "0 %"\nloss = "0 %"\nareal_weight = "0 %"\ndensity = "0 %"\nfibre_mass_fraction = "0 %"\n'
        'breather_solid_spread = "0 %"\n'
    )
    mix = day_of(plan, RESIN + sure)[0].regions[0].mix
    assert mix.mixed_g.high == pytest.approx(mix.mixed_g.low)
    assert mix.thickness_mm.high == pytest.approx(mix.thickness_mm.low)
    settled = day_of(plan, RESIN + sure)[0].regions[0].pull.air.settled_l
    assert settled[0] == pytest.approx(settled[2])
    sunny = RESIN + 'glass_transition = "100 degC"\nabove_cure_most = "80 degC"\n[service]\npaint = "black"\nmargin = "{} degC"\n'
    assert day_of(plan, sunny.format(14))[0].sun.tier == "quiet"
    assert day_of(plan, sunny.format(20))[0].sun.tier == "warn"
    assert day_of(plan, sunny.format(20))[0].cure.glass_transition_c == (30, 100)


def test_the_lead_is_that_of_the_port_as_placed(tmp_path):
    made = stacks.make(tmp_path)
    region = made.regions[0]
    fleece = dataclasses.replace(region.layers[0], kind="breather", material="peel ply 85", margin_mm=75.0)
    region = dataclasses.replace(region, layers=(*region.layers, fleece))
    stated = daily._lead_mm(made.job, dataclasses.replace(region, stack=None), 75.0)
    assert stated == made.job.vacuum.lead_mm == 150.0
    # The vacuum port stands 225 mm from the laminate; brought to 100 mm it leaves 25 mm of lead.
    assert daily._lead_mm(made.job, region, 75.0) == 150.0
    near = dataclasses.replace(region.stack.ports[0], way_mm=100.0)
    closer = dataclasses.replace(region, stack=dataclasses.replace(region.stack, ports=(near, region.stack.ports[1])))
    assert daily._lead_mm(made.job, closer, 75.0) == 25.0
    # All tape of the stack is what is bought.
    assert daily.tape_mm([region])["sealant tape"] == pytest.approx(region.stack.tape.total_mm)


def test_the_clock_tells_how_the_film_is_closed(plan):
    def closing(**change):
        layers = tuple(dataclasses.replace(q, **change) if q.kind == "bag film" else q for q in plan.regions[0].layers)
        region = dataclasses.replace(plan.regions[0], layers=layers)
        return [s.what for s in day_of(dataclasses.replace(plan, regions=(region,)))[0].regions[0].steps if s.what.startswith("close")]

    assert closing() == ["close the film on the tape"]
    assert closing(ways=(SimpleNamespace(name="two pieces"),)) == ["close the joined film on the tape"]
    assert closing(ways=(SimpleNamespace(name="envelope"),)) == ["close the pouch"]


def test_a_fraction_that_such_work_does_not_reach_is_told(plan):
    day, notes = day_of(plan)
    low, high = day.regions[0].usual_psi
    # Carbon of 1.80 under a bag: 40 to 55 % of the volume.
    assert (low, high) == pytest.approx((0.511, 0.657), abs=1e-3)
    assert not any("usually ends at" in text for text, _, _ in notes)
    _, notes = day_of(plan, RESIN.replace('"60 %"', '"68 %"'))
    assert any("aims at 68 %" in text and "under a bag usually ends at 51 % to 66 % (from memory)" in text for text, _, _ in notes)
    bare = dataclasses.replace(plan, regions=(dataclasses.replace(plan.regions[0], layers=()),))
    _, notes = day_of(bare)
    assert any("without a bag usually ends at 40 % to 51 %" in text for text, _, _ in notes)


def test_a_tent_is_heated_where_one_is_stated(plan):
    assert day_of(plan)[0].cure.tent is None
    tent = day_of(plan, RESIN + 'plan = ["10 h at 20 degC", "4 h at 50 degC"]\ntent = "6 m^2"\ntent_loss = "2 W/m^2/K"\n')[0].cure.tent
    assert (tent.hold_w, tent.energy_kwh) == (pytest.approx(360.0), pytest.approx(1.8))


def test_holes_of_a_release_film_are_stated_together(plan):
    film = '[consumable.pierced]\nkind = "release film"\nareal_weight = "25 g/m^2"\nroll_width = "1 m"\nroll_length = "9 m"\n'
    layers = plan.regions[0].layers
    release = dataclasses.replace(layers[0], kind="release film", material="pierced")
    with_film = dataclasses.replace(plan, regions=(dataclasses.replace(plan.regions[0], layers=(layers[0], release, *layers[1:])),))
    assert day_of(with_film, RESIN + film)[0].regions[0].open_share is None
    open_ = day_of(with_film, RESIN + film + 'hole = "1.14 mm"\nhole_pitch = "1 in"\n')[0].regions[0].open_share
    assert open_ == pytest.approx(0.00158, rel=3e-3)
    for bad, words in (('hole = "1 mm"\n', "go together"), ('hole = "3 mm"\nhole_pitch = "2 mm"\n', "leave no film")):
        with pytest.raises(PlyflatError, match=rf"\[consumable.pierced\] hole: .*{words}"):
            check_day(job_from_text(plans.JOB + RESIN + film + bad))


CORNER = 'corner = { seed = "600 0 800 mm", laps = ["60 mm", "60 mm"], fillet = { radius = "12 mm"%s } }\n'


def filleted(plan, said, extra=RESIN, *, length_mm=1200.0):
    """The plan's day with a fillet run into its region first."""
    lines = plans.JOB.splitlines(keepends=True)
    text = "".join(CORNER % said if line.startswith("outline") else line for line in lines)
    region = dataclasses.replace(plan.regions[0], fillet=SimpleNamespace(radius_mm=12.0, length_mm=length_mm), putty_g=60.0, putty_stays_g=50.0)
    return plan_day(job_from_text(text + extra), (region,), plan.rolls, (), None)


def test_cloth_waits_until_the_putty_has_gelled(plan):
    day, _ = filleted(plan, ', gels = "90 min at 20 degC"')
    (one,) = day.regions
    # 1.2 m at 0.3 m a minute; mixed at nine, gelled at half past ten, and only then is the first batch mixed.
    assert (one.fillet.start_min, one.fillet.run_s, one.fillet.gels_s) == (540.0, pytest.approx(240.0), pytest.approx(5400.0))
    assert one.start_min == pytest.approx(630.0)
    assert not one.fillet.wet
    assert one.fillet.left_s is None
    # Without a fillet the day starts at nine.
    assert day_of(plan)[0].regions[0].start_min == 540.0


def test_a_putty_of_which_nothing_is_stated_gels_as_the_resin_does(plan):
    (one,) = filleted(plan, "")[0].regions
    assert one.fillet.gels_s == pytest.approx(3 * 3600.0)
    assert one.fillet.basis.startswith("derived: as long as a thin layer")
    day, notes = filleted(plan, "", "")
    assert day.regions[0].fillet.gels_s is None
    assert day.regions[0].start_min == pytest.approx(544.0)
    assert any(where.endswith(", fillet") and "is not known" in text for text, where, _ in notes)


def test_a_warm_shop_gels_putty_sooner(plan):
    said = ', gels = ["90 min at 20 degC", "45 min at 30 degC"]'
    (one,) = filleted(plan, said, RESIN + '[place]\ntemperature = "30 degC"\n')[0].regions
    assert one.fillet.gels_s == pytest.approx(2700.0)


def test_wet_on_wet_the_bag_must_be_down_before_the_putty_sets(plan):
    day, notes = filleted(plan, ', over = "wet", gels = "6 h at 20 degC"')
    (one,) = day.regions
    assert one.start_min == pytest.approx(544.0)
    assert one.fillet.left_s == pytest.approx(6 * 3600.0 - 240.0 - one.steps[-1].end_s)
    assert not any(where.endswith(", fillet") for _, where, _ in notes)
    day, notes = filleted(plan, ', over = "wet", gels = "20 min at 20 degC"')
    assert day.regions[0].fillet.left_s < 0
    assert any("sets after 20 min" in text and where.endswith(", fillet") for text, where, _ in notes)
    # So much putty in a pot goes off before a thin layer does.
    (one,) = filleted(plan, ', over = "wet"')[0].regions
    assert one.fillet.gels_s == pytest.approx(one.pot.at(20.0, 60.0))
    assert one.fillet.gels_s < 3 * 3600.0


def test_fillets_that_must_gel_are_run_before_everything_else(plan):
    # The second region has the fillet: hands are on it for four minutes, and the first region is laid while it gels.
    lines = plans.JOB.splitlines(keepends=True)
    first = plans.JOB[plans.JOB.index("[[region]]") : plans.JOB.index("[cloth")]
    second = first.replace(plans.REGION, "corner aft")
    second = "".join(CORNER % ', gels = "90 min at 20 degC"' if q.startswith("outline") else q for q in second.splitlines(keepends=True))
    text = "".join(lines).replace(first, first + second)
    aft = dataclasses.replace(plan.regions[0], name="corner aft", fillet=SimpleNamespace(radius_mm=12.0, length_mm=1200.0), putty_g=60.0)
    day, _ = plan_day(job_from_text(text + RESIN), (plan.regions[0], aft), plan.rolls, (), None)
    one, two = day.regions
    assert (one.fillet, two.fillet.start_min) == (None, 540.0)
    assert one.start_min == pytest.approx(544.0)
    assert two.start_min == pytest.approx(max(630.0, 544.0 + one.steps[-1].end_s / 60))


def test_times_to_gel_that_cannot_be_are_refused_early():
    text = "".join(CORNER % ', gels = ["30 min at 20 degC", "60 min at 30 degC"]' if q.startswith("outline") else q for q in plans.JOB.splitlines(keepends=True))
    with pytest.raises(PlyflatError, match=r"corner\.fillet gels"):
        check_day(job_from_text(text))


def test_filler_and_paint_are_priced(plan):
    day, _ = day_of(plan, RESIN + '[finish]\nfiller_price = "12 EUR/kg"\npaint_price = "30 EUR/kg"\n')
    lines = {line.item: line for line in day.order}
    finish = day.regions[0].finish
    for item, grams, price in (("filler", finish.filler_g, 12.0), ("paint", finish.paint_g, 30.0)):
        assert lines[item].cost == pytest.approx(grams.usual / 1000 * price)
        assert lines[item].cost_to_buy == pytest.approx(grams.high / 1000 * price)
    unpriced, _ = day_of(plan, RESIN + "[finish]\ncoats = 2\n")
    assert {line.item: line.cost for line in unpriced.order}["paint"] is None


def test_masking_and_wipes_follow_the_areas_that_are_masked_and_cleaned(tmp_path):
    stacked = stacks.make(tmp_path)
    day, _ = day_of(stacked, RESIN + '[waste]\nmasking = "60 g/m^2"\nsolvent = "0 g/m^2"\n')
    finish, small = day.regions[0].finish, day.small
    assert finish.mask_m2 > 0
    assert small.mask_sheet_g == pytest.approx(60 * finish.mask_m2)
    assert small.mask_tape_g == pytest.approx(2 * 3 * finish.mask_m)
    assert (small.wipes_g, small.solvent_g) == (pytest.approx(20 * finish.clean_m2), 0.0)
