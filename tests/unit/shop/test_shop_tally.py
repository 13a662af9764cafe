import dataclasses

import numpy as np
import pytest

from plyflat.job.model import TAPE_G_M
from plyflat.shop.mixing import Fractions, PlyStuff, region_mix
from plyflat.shop.spread import NOTHING, Range
from plyflat.shop.tally import ResinJob, bin_list, resin_list, thrown_resin, usual_mix
from plyflat.shop.waste import Small

JOB = ResinJob(
    fibre_g=800,
    psi_wet=0.5,
    psi_final=0.6,
    loss=0.1,
    ratio=(100, 30),
    peel_ply_m2=0.6,
    price_per_kg=20,
)


@pytest.mark.parametrize("gap", [NOTHING, Range(10.0, 25.0, 90.0)])
def test_the_whole_jobs_range_is_that_of_its_region(gap):
    plies = [PlyStuff("P1", 800.0, 800.0, 200.0, 1.8)]
    region = region_mix(plies, Fractions(0.5, 0.6, 0.1, (100, 30), 1.15), peel_m2=0.6, peel_g_m2=JOB.peel_g_m2, gap_g=gap)
    rows = {q.item: q for q in resin_list(dataclasses.replace(JOB, gap_g=gap))}
    for q, r in ((rows["resin"], region.resin_g), (rows["hardener"], region.hardener_g)):
        assert (q.low, q.amount, q.high) == pytest.approx((r.low, r.usual, r.high))


@pytest.mark.parametrize("gap", [NOTHING, Range(10.0, 25.0, 90.0)])
def test_every_line_lies_in_its_range_and_the_parts_add_up(gap):
    rows = {q.item: q for q in resin_list(dataclasses.replace(JOB, gap_g=gap))}
    gaps = rows["fills gaps under the film"]
    assert (gaps.low, gaps.amount, gaps.high) == pytest.approx((gap.low, gap.usual, gap.high))
    assert all(q.low <= q.amount <= q.high for q in rows.values())
    mixed = rows["resin"].amount + rows["hardener"].amount
    goes = [
        "stays in the laminate",
        "stays in the peel ply",
        "bled into the breather",
        "left in cups and rollers",
        "fills gaps under the film",
    ]
    assert mixed == pytest.approx(sum(rows[k].amount for k in goes))
    assert rows["resin"].low < rows["resin"].amount < rows["resin"].high
    assert rows["resin"].cost == pytest.approx(rows["resin"].amount / 50)


@pytest.mark.reference(
    source="waste of 0.6 m2 of 4 x 200 g/m2 carbon at 60 % fibre by mass, items weighed one by one (58 + 19 + 129 + 79 + 240 g dry)",
    kind="derived",
)
def test_waste_of_a_small_flat_job():
    """A flat panel of 1 by 0.6 m under a bag with the usual margins; the bag is a fifth larger than the tape's line each way."""

    def sheet(margin_m, g_m2, more=1.0):
        return (1.0 + 2 * margin_m) * more * (0.6 + 2 * margin_m) * more * g_m2

    dry = {
        "peel ply": sheet(0.025, 85), "perforated film": sheet(0.040, 26), "breather": sheet(0.075, 150), "bag film": sheet(0.1, 57, 1.2),
        "tape": 1.2 * 2 * (1.2 + 0.8) * 50,
    }  # fmt: skip
    assert list(dry.values()) == pytest.approx([58, 19, 129, 79, 240], abs=0.5)
    job = dataclasses.replace(JOB, fibre_g=480, loss=0.0)
    rows = {q.item: q for q in bin_list({}, dry, thrown_resin(job, 480), 480 / 0.6)}
    # 480 g of fibre wetted at 50 % and pressed to 60 %: 160 g leave the laminate.
    assert rows["resin in peel ply, breather, cups and trimmed edges"].amount == pytest.approx(160, abs=0.5)
    assert rows["waste for each kg of laminate"].amount == pytest.approx(0.86, abs=0.02)
    # One of a thing is one thing.
    single = [q.item for q in bin_list({}, {}, None, 800.0, Small(1, 1, 12.0, 8.0, 0.0))]
    assert single[:2] == ["1 mixing cup", "1 pair of gloves"]
    # Small things add to it: two cups, a pair of gloves, brushes and rags.
    more = {q.item: q for q in bin_list({}, dry, thrown_resin(job, 480), 480 / 0.6, Small(2, 1, 24.0, 8.0, 60.0))}
    assert more["waste for each kg of laminate"].amount == pytest.approx(0.86 + 92 / 800, abs=0.02)
    # So do masking and wiping, each by itself and with its ground.
    small = Small(0, 0, 0.0, 0.0, 0.0, mask_sheet_g=8.0, mask_tape_g=25.0, wipes_g=23.0, solvent_g=47.0)
    itemised = bin_list({}, {}, None, 800.0, small)
    assert [(q.item, q.amount) for q in itemised[:-2]] == [
        ("masking paper or film", 8.0), ("masking tape", 25.0), ("wipes", 23.0), ("solvent, in the wipes and gone as vapour", 47.0),
    ]  # fmt: skip
    assert all(q.basis.startswith("from memory") and q.low < q.amount < q.high for q in itemised[:-2])
    assert itemised[-2].amount == 103.0


@pytest.mark.reference(source="sealant tape of 12 by 3 mm and 1.4 g/cm3, common practice", kind="practice")
def test_mass_of_tape():
    assert pytest.approx(12 * 3 * 1.4, rel=0.01) == TAPE_G_M


@pytest.mark.reference(source="mass balance: all that is mixed ends in the laminate, in gaps or in the bin", kind="derived")
@pytest.mark.parametrize("gap", [NOTHING, Range(10.0, 25.0, 90.0)])
def test_nothing_that_is_mixed_gets_lost(gap):
    job = dataclasses.replace(JOB, gap_g=gap)
    mix, thrown = usual_mix(job), thrown_resin(job, kept_g=700.0)
    in_laminate = 700.0 * (1 - 0.6) / 0.6
    assert thrown.usual + in_laminate + gap.usual == pytest.approx(mix.total_g)
    assert thrown_resin(job, kept_g=800.0).usual == pytest.approx(mix.peel_ply_g + mix.bleed_g + mix.loss_g)


@pytest.mark.reference(source="law of propagation of uncertainty, JCGM 100:2008, 5.1.2, against 400 000 random draws", kind="derived")
def test_the_range_of_what_is_thrown_away_is_that_of_random_draws():
    rng, n = np.random.default_rng(11), 400_000
    psi, loss, heavy = rng.normal(0.5, 0.025, n), rng.normal(0.1, 0.025, n), rng.normal(1, 0.025, n)
    # 800 g as cut, of which 700 stay; wetted at 50 %, pressed to 60 %. Peel ply only shares what leaves.
    fibre = 800 * heavy
    resin = fibre * (1 - psi) / psi * (1 + loss) - fibre * 0.4 / 0.6 * 700 / 800
    cups, gloves, tools = (rng.normal(g, 0.25 * g, n) for g in (48.0, 16.0, 60.0))
    drawn = resin + cups + gloves + tools + 525.0
    row = next(q for q in bin_list({}, {"dry": 525.0}, thrown_resin(JOB, 700.0), 1000.0, Small(4, 2, 48.0, 16.0, 60.0)) if q.item == "in all")
    low, high = np.percentile(drawn, [2.275, 97.725])
    assert (row.amount, row.low, row.high) == pytest.approx((np.median(drawn), low, high), rel=0.015)
