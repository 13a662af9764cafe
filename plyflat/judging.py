"""What recorded figures say by themselves: the ratio as weighed, the drop test, and how hot the part became."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from .daily import SHORT_C, air_kpa
from .job.model import Job
from .shop.cure import glass_transition_c
from .shop.fields import RecordError
from .shop.mixing import RATIO_SPREAD, hardener_off
from .shop.record import Entry, Place, latest
from .shop.vacuum import INHG_KPA, drop_marks, leak_pa_m3_s, standard_l_min
from .units import say_percent

#: What is judged here, of the fields of a region.
_JUDGED = ("resin_weighed", "hardener_weighed", "dry_drop", "dry_drop_time", "drop", "drop_time", "hottest")


def check_vacuum(job: Job, values: Mapping[str, float]) -> None:
    """Refuse a vacuum that no air could press with, before it is recorded.

    Parameters
    ----------
    job : Job
    values : mapping of str to float
        What was written, by field.

    Raises
    ------
    RecordError
        A gauge deeper than the air is heavy, or a fall deeper than the gauge.
    """
    for dry in ("dry_", ""):
        _check_vacuum(air_kpa(job), dry, values.get(f"{dry}gauge"), values.get(f"{dry}drop"))


def _check_vacuum(air: float, dry: str, gauge: float | None, drop: float | None) -> None:
    if gauge is not None and gauge > air:
        raise RecordError(
            f"{dry}gauge: a vacuum of {gauge:.4g} kPa ({gauge / INHG_KPA:.1f} inHg) cannot be where the air has {air:.4g} kPa "
            f"({air / INHG_KPA:.1f} inHg)",
            do="Read the gauge again, or state the shop's height, weather or barometer in [place].",
        )
    if drop is not None and gauge is not None and drop > gauge:
        raise RecordError(
            f"{dry}drop: the vacuum cannot fall by {drop:.4g} kPa from {gauge:.4g} kPa", do="Write by how much it fell, not where it ended."
        )


def judged(job: Job, rows: list[Entry], *, only: list[Place] | None = None) -> Iterator[str]:
    """Say what the figures that count say of each region and session.

    Parameters
    ----------
    job : Job
    rows : list of Entry
        Of this job.
    only : list of (str, str, int), optional
        Job, region and session of those that are told; all if left out.

    Yields
    ------
    str
    """
    planned, actual = latest(rows, "planned"), latest(rows, "actual")
    said: list[str] = []
    for place, fields in sorted(actual.items()):
        if only is not None and place not in only:
            continue
        values = {k: e.value for k, e in fields.items() if k in _JUDGED and e.value is not None}
        about = f"{place[1] or 'the job'}, session {place[2]}"
        said += [f"  {about}: {line}" for line in (*_ratio(job, values), *_drops(values, _litres(planned, place)), *_heat(job, values))]
    if said:
        yield "What these figures say:"
        yield from said


def _litres(planned: Mapping[Place, Mapping[str, Entry]], place: Place) -> float | None:
    """Air under the bag by the plan that was recorded for this session, else for the region's last one before."""
    sessions = [p for p in planned if p[:2] == place[:2] and p[2] <= place[2] and "air_volume" in planned[p]]
    return planned[max(sessions, key=lambda p: p[2])]["air_volume"].value if sessions else None


def _ratio(job: Job, v: Mapping[str, float]) -> Iterator[str]:
    if job.resin is None or min(v.get("resin_weighed", 0.0), v.get("hardener_weighed", 0.0)) <= 0:
        return
    resin, hardener = v["resin_weighed"], v["hardener_weighed"]
    first, second = job.resin.ratio
    off = hardener_off(resin, hardener, job.resin.ratio)
    ratio = f"{resin:.4g} g of resin to {hardener:.4g} g of hardener is {first:g}:{first * hardener / resin:.3g}, the job's ratio {first:g}:{second:g}"
    if abs(off) <= RATIO_SPREAD:
        yield f"{ratio}: within {say_percent(RATIO_SPREAD)}"
        return
    yield (
        f"{ratio}: {say_percent(abs(off))} too {'much' if off > 0 else 'little'} hardener. A wrong ratio never hardens as it should: weigh a "
        "set sample for hardness, ask the resin's data sheet, and load nothing on it until you know"
    )


def _drops(v: Mapping[str, float], litres: float | None) -> Iterator[str]:
    for dry, what in (("dry_", "in the dry run "), ("", "")):
        if f"{dry}drop" in v and f"{dry}drop_time" in v:
            yield what + _drop(v[f"{dry}drop"], v[f"{dry}drop_time"], litres)


def _drop(drop_kpa: float, seconds: float, litres: float | None) -> str:
    marks = [(passes, f"{what} ({source})") for what, source, passes in drop_marks(drop_kpa, seconds)]
    told = [f"{word} {' and '.join(w for ok, w in marks if ok is want)}" for want, word in ((True, "good enough for"), (False, "not for"))
            if any(ok is want for ok, _ in marks)]  # fmt: skip
    leak = "the leak is not told, for no plan with this bag's volume is recorded; give --plan"
    if litres is not None:
        q = leak_pa_m3_s(litres, drop_kpa, seconds)
        leak = f"in {litres:.3g} l that is a leak of {q:.3f} Pa m³/s, {standard_l_min(q):.3f} l/min of air"
    return f"a fall of {drop_kpa:.3g} kPa in {seconds:.0f} s is {'; '.join(told)}; {leak}"


def _heat(job: Job, v: Mapping[str, float]) -> Iterator[str]:
    if "hottest" not in v or job.resin is None:
        return
    cure = job.cure
    above = (cure.above_cure_least_c, max(cure.above_cure_least_c, cure.above_cure_most_c))
    low, high = glass_transition_c(v["hottest"], limit_c=cure.glass_transition_limit_c, above_c=above)
    planned = max((c for _, c in cure.plan or ()), default=None)
    cool = f"; {planned:.0f} degC was planned" if planned is not None and v["hottest"] < planned - SHORT_C else ""
    yield f"at {v['hottest']:.0f} degC the glass transition comes to about {low:.0f} to {high:.0f} degC (from memory), if it was held long enough{cool}"
