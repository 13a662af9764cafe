"""From a job file, fields and a finished plan to the record beside the job, and back to tables of words."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .errors import OutputError, QuantityError
from .job.model import Job
from .job.reader import read_job
from .job.resolved import key_text
from .job.table import OURS, Table, filled, forms_of
from .judging import check_vacuum, judged
from .shop.fields import FIELDS, RecordError, read_field
from .shop.own import PLANNED_ONLY, Own, Taken, own_numbers
from .shop.record import FILE_NAME, OF_THE_JOB, Entry, Record, changes, compared, latest
from .shop.spread import Range

_HEAD = ("number", "at", "job", "region", "session", "kind", "key", "value", "unit", "low", "high", "as written", "job hash")


@dataclass(frozen=True)
class Given:
    """What the builder gives to be recorded.

    Attributes
    ----------
    written : tuple of str
        "field=value" each.
    region : str or None
    session : int or None
        The last one if None.
    results : Path or None
        TOML file: fields at its top for the job or its only region, and tables [region."name"].
    plan_folder : Path or None
        Folder that holds the plan's plan.json.
    """

    written: tuple[str, ...] = ()
    region: str | None = None
    session: int | None = None
    results: Path | None = None
    plan_folder: Path | None = None


def record_path(job: Job) -> Path:
    """Return where the record of a job lies: beside the job file, one for all jobs there.

    Parameters
    ----------
    job : Job
    """
    return job.folder / FILE_NAME


def keep(job_file: Path, given: Given) -> Iterator[str]:
    """Record what is given; a line comes for each region once its rows are on the disk.

    Parameters
    ----------
    job_file : Path
    given : Given

    Yields
    ------
    str

    Raises
    ------
    RecordError
        A field, region or plan that does not fit; nothing of that region is recorded then.
    """
    job, _ = with_own_numbers(read_job(job_file))
    rows = _by_region(job, given)
    planned = _planned(job, given.plan_folder) if given.plan_folder is not None else {}
    places = list(dict.fromkeys([*rows, *planned]))
    if not places:
        return
    with Record(record_path(job)) as record:
        session = given.session or record.last_session(job.name)
        text = job.resolved_toml()
        for region in places:
            fields, plan = rows.get(region, {}), planned.get(region, {})
            record.add(job.name, fields, region=region, session=session, job_text=text, planned=plan)
            said = f"{len(fields)} field{'s' * (len(fields) != 1)}" + (" and the plan" if plan else "")
            yield f"recorded: {said} for {region or 'the job'}, session {session}, in {record.path}"
        yield from judged(job, list(record.entries(job.name)), only=[(job.name, region, session) for region in rows])
    if given.plan_folder is not None:
        yield from _outdated(job, given.plan_folder)


def _outdated(job: Job, folder: Path) -> Iterator[str]:
    """Say where the job has changed since its plan was made."""
    found = changes(_plan(folder)["job"]["resolved_toml"], job.resolved_toml())
    if found:
        yield f"The plan in {folder} was made before the job file changed, or what is taken where it says nothing; plan again:"
        yield from (f"  {line}" for line in found)


def _by_region(job: Job, given: Given) -> dict[str, dict[str, object]]:
    """Fields by region, checked against the job's names."""
    names = [r.name for r in job.regions]
    found: dict[str, dict[str, object]] = {}
    if given.region is not None and given.region not in names:
        raise RecordError(f"the job has no region '{given.region}'", do=f"Use one of {', '.join(names)}.")
    for pair in given.written:
        key, sign, value = pair.partition("=")
        if not sign:
            raise RecordError(f'"{pair}" is no field with its value', do='Write it as resin_weighed="640 g".')
        found.setdefault(_place(names, given.region, key.strip()), {})[key.strip()] = value
    for named, field, said in _results(given.results, names):
        found.setdefault(_place(names, named or given.region, field), {})[field] = said
    for fields in found.values():
        # All of it is looked at before any of it is recorded.
        read = {field: read_field(field, said)[0] for field, said in fields.items()}
        check_vacuum(job, {field: value for field, value in read.items() if value is not None})
    return found


def _place(names: list[str], region: str | None, key: str) -> str:
    if region is not None:
        return region
    if key in OF_THE_JOB:
        return ""
    if len(names) > 1 and key in FIELDS:
        raise RecordError(f"{key}: the job has {len(names)} regions", do=f"Say which with --region: {', '.join(names)}.")
    return names[0]


def _results(path: Path | None, names: list[str]) -> Iterator[tuple[str | None, str, object]]:
    if path is None:
        return
    try:
        data: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as err:
        raise RecordError(f"cannot be read: {err}", where=str(path), do="Check its name, and that it is TOML.") from err
    regions = data.pop("region", {})
    for key, value in data.items():
        yield None, key, value
    if not isinstance(regions, dict):
        raise RecordError("region is no table", where=str(path), do='Write [region."name"] and the fields below it.')
    for name, fields in regions.items():
        if name not in names or not isinstance(fields, dict):
            raise RecordError(f"the job has no region '{name}'", where=str(path), do=f"Use one of {', '.join(names)}.")
        for key, value in fields.items():
            yield name, key, value


def _planned(job: Job, folder: Path) -> dict[str, dict[str, Range]]:
    """Figures of a plan by region."""
    plan = _plan(folder)
    if plan["job"]["name"] != job.name:
        raise RecordError(
            f"this is the plan of '{plan['job']['name']}', not of '{job.name}'", where=str(folder), do="Name the right folder."
        )
    found: dict[str, dict[str, Range]] = {}
    for row in (plan["day"] or {}).get("fields", []):
        if row["key"] in FIELDS or row["key"] in PLANNED_ONLY:
            found.setdefault(row["region"], {})[row["key"]] = Range(row["low"], row["usual"], row["high"])
    return found


def _plan(folder: Path) -> dict[str, Any]:
    """Read a folder's plan.json as far as it is needed here."""
    where = folder / "plan.json"
    try:
        plan: dict[str, Any] = json.loads(where.read_text(encoding="utf-8"))
        ours = plan["made_by"] == "plyflat" and isinstance(plan["job"]["resolved_toml"], str) and "day" in plan
    except (OSError, ValueError, KeyError, TypeError) as err:
        raise RecordError(f"no plan can be read here: {err}", where=str(where), do="Run plyflat plan first, and name its folder.") from err
    if not ours:
        raise RecordError("this plan was made by another program or an older one", where=str(where), do="Run plyflat plan again.")
    return plan


def shown(job_file: Path) -> Iterator[str]:
    """Say what is recorded of a job: plan against actual, what changed since, and the builder's own numbers.

    Parameters
    ----------
    job_file : Path

    Yields
    ------
    str
    """
    job, _ = with_own_numbers(read_job(job_file))
    path = record_path(job)
    if not path.exists():
        yield f"nothing is recorded in {path}; give fields such as resin_weighed=\"640 g\""
        return
    with Record(path) as record:
        rows = list(record.entries(job.name))
        yield from _table(rows)
        yield from judged(job, rows)
        yield from _changed(record, rows, job)
        own = own_numbers(record.entries())
    if own:
        yield "Your own numbers, over all jobs in this record; put them in the job file to work with them:"
        for table in dict.fromkeys(o.key.rsplit(".", 1)[0] for o in own):
            yield f"  [{table}]"
            for o in own:
                if o.key.rsplit(".", 1)[0] == table:
                    yield f"  {o.line}; {o.words}"


def _table(rows: list[Entry]) -> Iterator[str]:
    found = compared(rows)
    if not found:
        yield "nothing is recorded of this job yet"
        return
    yield f"{'':52} {'planned':>26} {'actual':>11} {'off':>7}"
    place = None
    for c in found:
        if (c.region, c.session) != place:
            place = (c.region, c.session)
            yield f"{c.region or 'the job'}, session {c.session}"
        factor, unit = _as_shown(c.key, c.unit)
        p = c.planned.times(factor) if c.planned else None
        plan = f"{p.usual:.4g} ({p.low:.4g} to {p.high:.4g})" if p else ""
        was = "" if c.actual is None else f"{c.actual * factor:.4g}"
        off = "" if c.off is None else f"{100 * c.off:+.0f} %"
        outside = "  outside the plan's range" if c.within is False else ""
        words = f"{c.words}, {unit}" if unit else c.words
        yield f"  {words:50} {plan:>26} {was:>11} {off:>7}{outside}".rstrip()
    for e in rows:
        if e.key == "note":
            yield f"  note of {e.at[:10]}, {e.region or 'the job'}: {e.text}"


def _as_shown(key: str, unit: str) -> tuple[float, str]:
    """Factor and unit in which a field is read best."""
    if unit == "1":
        return 100.0, "%"
    if unit == "s" and not key.endswith("drop_time"):
        return 1 / 60.0, "min"
    return (0.001, "m") if key in ("tape_used", "film_used") else (1.0, unit)


def _changed(record: Record, rows: list[Entry], job: Job) -> Iterator[str]:
    """What differs between the job now and as it was when the rows that count were recorded."""
    now = job.resolved_toml()
    counted = [e for kind in ("planned", "actual") for fields in latest(rows, kind).values() for e in fields.values()]
    for digest in dict.fromkeys(e.job_hash for e in sorted(counted, key=lambda e: e.number)):
        before = record.text_of(digest)
        found = changes(before, now) if before else ()
        if found:
            mine = [e for e in counted if e.job_hash == digest]
            when = min(e.at for e in mine)[:16].replace("T", " ")
            yield f"The job file has changed since {when} UTC, when {len(mine)} of the figures above were recorded (or what is taken where it says nothing has):"
            yield from (f"  {line}" for line in found)


def write_csv(job_file: Path, target: Path) -> int:
    """Write all rows of the record beside a job as CSV, and return their number.

    Parameters
    ----------
    job_file, target : Path

    Raises
    ------
    OutputError
        If there is no record, or the file cannot be written.
    """
    from .export.tables import as_csv

    path = record_path(read_job(job_file))
    if not path.exists():
        raise OutputError("there is no record to write", where=str(path), do="Record something first.")
    with Record(path) as record:
        rows = [_csv_row(e) for e in record.entries()]
    new = target.with_name(f".{target.name}.new")
    try:
        new.write_bytes(as_csv(_HEAD, rows).encode("utf-8"))
        new.replace(target)
    except OSError as err:
        new.unlink(missing_ok=True)
        raise OutputError(f"cannot be written: {err.strerror}", where=str(target), do="Choose another file.") from err
    return len(rows)


def _csv_row(e: Entry) -> tuple[object, ...]:
    unit = _units().get(e.key, "")
    numbers = ["" if v is None else f"{v:.9g}" for v in (e.value, e.low, e.high)]
    return (e.number, e.at, e.job, e.region, e.session, e.kind, e.key, numbers[0], unit, numbers[1], numbers[2], e.text, e.job_hash[:12])


# --- own numbers in the next plan ----------------------------------------------------------------------------------------

#: Tables of the job in which own numbers may stand, each with the field that a key of the record means.
_OWN_FIELDS = {
    "resin.loss": ("resin", "loss"),
    "resin.wet_out": ("resin", "wet_out_fibre_mass_fraction"),
    "resin.fibre_mass_fraction": ("resin", "fibre_mass_fraction"),
    "clock.wet_out": ("clock", "wet_out_m2_min"),
    "vacuum.usual_fall": ("vacuum", "fall_kpa_min"),
    "ranges.wet_out": ("ranges", "wet_out"),
    "ranges.fibre_mass_fraction": ("ranges", "fibre_mass_fraction"),
    "ranges.loss": ("ranges", "loss"),
    "clock.spread": ("clock", "spread"),
}
_PEEL = 'consumable."your peel ply".holds'
_NEVER = {
    'consumable."your breather".holds': "it took that and holds more: weigh a full square",
    "resin.pot_life": "how much was in your pots is not recorded: state it with pot_mass",
}


def with_own_numbers(job: Job) -> tuple[Job, tuple[Taken, ...]]:
    """Put the means of the record beside a job where the job states nothing, if its [own] table asks for it.

    Parameters
    ----------
    job : Job

    Returns
    -------
    Job
        The same where nothing was asked for, or nothing is recorded.
    tuple of Taken
        Every number of the record, with what it replaces or why it does not.

    Raises
    ------
    RecordError
        A file in the record's place that is none.
    """
    path = record_path(job)
    if not job.own.use or not path.exists():
        return job, ()
    with Record(path) as record:
        numbers = own_numbers(record.entries())
    tables: dict[str, Any] = {}
    marks: dict[str, str] = {}
    taken = []
    for own in numbers:
        for key, table, field in _places(job, own):
            now = tables.get(table.split(".")[0], getattr(job, table.split(".")[0]))
            one = _taken(job, own, key, _member(now, table), field)
            taken.append(one)
            if one.used:
                tables[table.split(".")[0]] = _replaced(now, table, field, _read(_member(now, table), field, own.value))
                marks[key] = f"yours, {own.mean_of}"
    return (job.with_own(tables, marks) if tables else job), tuple(taken)


def _places(job: Job, own: Own) -> Iterator[tuple[str, str, str]]:
    """Key, table and field of each place in the job that an own number could stand in; an empty field for none."""
    if own.key in _OWN_FIELDS:
        table, field = _OWN_FIELDS[own.key]
        yield own.key, table, "" if getattr(job, table) is None else field
    elif own.key == _PEEL:
        for name, row in job.consumables.items():
            if row.kind == "peel ply":
                yield f"consumable.{key_text(name)}.holds", f"consumables.{name}", "holds_g_m2"
    else:
        yield own.key, "own", ""


def _member(whole: Any, table: str) -> Any:
    return whole[table.split(".", 1)[1]] if isinstance(whole, dict) else whole


def _replaced(whole: Any, table: str, field: str, value: float) -> Any:
    if isinstance(whole, dict):
        name = table.split(".", 1)[1]
        return {**whole, name: filled(whole[name], **{field: value})}
    return filled(whole, **{field: value})


def _read(table: Table, field: str, text: str) -> float:
    form, _ = forms_of(type(table).model_fields[field])
    return float(form.read(text)) if form else float(text)


def _taken(job: Job, own: Own, key: str, table: Any, field: str) -> Taken:
    """Say whether an own number is used, and what it replaces."""
    if not field:
        return Taken(key, own.value, "", "", own.mean_of, False, _NEVER.get(own.key, "the job has no such table"))
    form, mark = forms_of(type(table).model_fields[field])
    now = getattr(table, field)
    was = "nothing" if now is None else str(form.write(now)) if form else str(now)
    stated = field in table.model_fields_set
    origin = "the job's own word" if stated else "no figure" if now is None else (mark or OURS).text
    why = "the job states it" if stated else ""
    if not why and own.count < job.own.least:
        why = f"it is from {own.count} and [own] asks for {job.own.least}"
    if not why:
        try:
            value = _read(table, field, own.value)
        except QuantityError as err:
            why = str(err.what)
        else:
            if field == "wet_out_fibre_mass_fraction" and value > table.fibre_mass_fraction:
                why = "the job's final share of fibre is less, and the bag presses resin out, not in"
    return Taken(key, own.value, was, origin, own.mean_of, not why, why)


def _units() -> Mapping[str, str]:
    return {**{k: f.unit for k, f in FIELDS.items()}, **PLANNED_ONLY}
