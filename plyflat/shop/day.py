"""The sums of the day, as they are handed from the plan to report and files."""

from __future__ import annotations

from dataclasses import dataclass

from .bleed import Bleed
from .clock import Batch, FilletDay, Fit, PotLife, Step, Work
from .cure import Profile, Tent
from .finish import Finish
from .leaks import Mark
from .mixing import RegionMix, Spreads
from .own import Taken
from .spread import Range
from .sun import Sun
from .thickness import Thickness
from .vacuum import Pull, Tube
from .waste import Cut, OrderLine, Reuse, Small


@dataclass(frozen=True)
class RegionDay:
    """The day of one region.

    Attributes
    ----------
    name : str
    start_min : float
        Minutes after midnight at which its first batch is mixed.
    fibre_g, kept_g : float
        Cloth as cut, and what of it stays on the hull.
    mix : RegionMix or None
        None where no resin is stated.
    usual_psi : tuple of float or None
        Fibre mass fractions, least and most, that work of this kind usually ends at.
    volume_ml : tuple of float or None
        Resin and hardener by volume; None where no density is stated.
    bleed : Bleed or None
    pull : Pull or None
        None where there is no bag.
    tape_m : float
    tape_marks : tuple of tuple of Mark
        For each loop of the tape.
    peel_m2, breather_m2, film_m2 : float
    work : Work
    pot : PotLife or None
        None where no pot life is stated.
    batches : tuple of Batch
    steps : tuple of Step
    fit, fit_slow : Fit or None
        At the usual speeds of working, and at the slow end of them.
    gap_g : Range
        Resin that fills what the film leaves open over the hull.
    gap_basis : str
        What that is worked out from.
    putty_g : Range
        Putty to mix for the fillet, and what of it stays:
    putty_stays_g : float
    thick : Thickness
        Where cloth is sheared or pushed together.
    finish : Finish
    tubes : tuple of Tube
        What the job states as hollow.
    lead_g_m : Range
        What a metre of the lead to the port takes up.
    open_share : float or None
        Of the release film, where its holes are stated.
    fillet : FilletDay or None
        When its fillet is run and has gelled; None where there is none.
    """

    name: str
    start_min: float
    fibre_g: float
    kept_g: float
    mix: RegionMix | None
    usual_psi: tuple[float, float] | None
    volume_ml: tuple[float, float] | None
    bleed: Bleed | None
    pull: Pull | None
    tape_m: float
    tape_marks: tuple[tuple[Mark, ...], ...]
    peel_m2: float
    breather_m2: float
    film_m2: float
    work: Work
    pot: PotLife | None
    batches: tuple[Batch, ...]
    steps: tuple[Step, ...]
    fit: Fit | None
    fit_slow: Fit | None
    gap_g: Range
    gap_basis: str
    putty_g: Range
    putty_stays_g: float
    thick: Thickness
    finish: Finish
    tubes: tuple[Tube, ...]
    lead_g_m: Range
    open_share: float | None
    fillet: FilletDay | None = None


@dataclass(frozen=True)
class CureDay:
    """How the resin hardens.

    Attributes
    ----------
    profile : Profile
        As planned.
    basis : str
        Where its speed comes from, with its mark.
    share : float
        Of the full cure at the end of the plan.
    off_s : float or None
        When it may come off by the data sheet, from the start of the plan; None where not stated or never reached.
    fastest_c_min, ramp_limit_c_min : float
    glass_transition_c : tuple of float
        Range after this cure.
    log : Profile or None
        Temperatures as they were.
    log_share : float or None
    log_off_s : float or None
    log_glass_transition_c : tuple of float or None
        Range after the hottest of the log.
    tent : Tent or None
        What heats it, where the job states a tent.
    """

    profile: Profile
    basis: str
    share: float
    off_s: float | None
    fastest_c_min: float
    ramp_limit_c_min: float
    glass_transition_c: tuple[float, float]
    log: Profile | None
    log_share: float | None
    log_off_s: float | None
    log_glass_transition_c: tuple[float, float] | None
    tent: Tent | None


@dataclass(frozen=True)
class Day:
    """Everything about the day of a job.

    Attributes
    ----------
    air_kpa, temperature_c, humidity : float
    hottest_c : float
        Highest temperature planned under vacuum.
    void_kpa : float
        Least resin pressure against voids of moisture at the hottest of the plan.
    regions : tuple of RegionDay
    cure : CureDay or None
    sun : Sun or None
    small : Small
    cuts : tuple of Cut
    reuse : Reuse or None
    order : tuple of OrderLine
    own : tuple of Taken
        The builder's own numbers that went before defaults.
    """

    air_kpa: float
    temperature_c: float
    hottest_c: float
    humidity: float
    void_kpa: float
    regions: tuple[RegionDay, ...]
    cure: CureDay | None
    sun: Sun | None
    small: Small
    cuts: tuple[Cut, ...]
    reuse: Reuse | None
    order: tuple[OrderLine, ...]
    own: tuple[Taken, ...] = ()


def planned_fields(day: RegionDay, spreads: Spreads) -> dict[str, Range]:
    """Figures of a region's plan that the record sets against what happened, in the units of the record's fields.

    Parameters
    ----------
    day : RegionDay
    spreads : Spreads
    """

    def sure(value: float) -> Range:
        return Range(value, value, value)

    out = {
        "fibre_mass": Range.about(day.fibre_g, spreads.areal),
        "peel_ply_area": sure(day.peel_m2),
        "breather_area": sure(day.breather_m2),
        "ply_area": sure(sum(a for _, a in day.work.plies_m2)),
    }
    if day.tape_m > 0:
        out["tape_used"] = Range(day.tape_m * 1000.0, day.tape_m * 1000.0, day.tape_m * 1150.0)
    if day.mix is not None:
        mix = day.mix
        out |= {"resin_weighed": mix.resin_g, "hardener_weighed": mix.hardener_g, "laminate_mass": mix.mass_g}
        out |= {"laminate_thickness": mix.thickness_mm, "fibre_kept": sure(day.kept_g)}
    if day.pull is not None:
        out["gauge"] = Range(day.pull.gauge_kpa, day.pull.gauge_kpa, day.pull.air_kpa)
        out["drop"] = Range(0.0, day.pull.drop_kpa, day.pull.drop_kpa)
        out["drop_time"] = sure(day.pull.drop_s)
        out |= {f"dry_{key}": out[key] for key in ("gauge", "drop", "drop_time")}
        out["air_volume"] = Range(*day.pull.air.settled_l)
    if day.pot is not None and day.batches:
        out["pot_life"] = Range.about(day.batches[0].pot_life_s, 0.25)
    if day.fit is not None and day.fit_slow is not None:
        wet = next((s.start_s for s in day.steps if s.what.startswith("lay ") and "wet out" not in s.what), day.steps[-1].end_s)
        slower = day.fit_slow.needed_s / day.fit.needed_s
        out["wet_out_time"] = Range(wet / slower, wet, wet * slower)
        if day.pull is not None:
            # The leak hunt comes after full vacuum; its time is kept whole, slow or not.
            down, latest = (f.needed_s - day.work.leak_hunt_s for f in (day.fit, day.fit_slow))
            out["bag_down_time"] = Range(down * down / latest, down, latest)
    return out
