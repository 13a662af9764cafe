"""What really happened, kept beside the job: rows are only ever added, and what is acknowledged is on the disk.

One file holds all jobs of a folder. It is an SQLite database in WAL mode with full synchronisation: a transaction that
was acknowledged outlives the end of the program and of the machine, and one that was not leaves no trace.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from ..errors import OutputError
from .fields import FIELDS, RecordError, read_field
from .spread import Range

#: The file's name, beside the job file.
FILE_NAME = "plyflat_record.sqlite"
#: Fields that may belong to the whole job and to no region.
OF_THE_JOB = ("temperature", "humidity", "cost", "note")
_APPLICATION, _VERSION = 0x706C7966, 1
_WAIT_S = 10.0
_SCHEMA = """
CREATE TABLE IF NOT EXISTS job_text (hash TEXT PRIMARY KEY, job TEXT NOT NULL, at TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS entry (
  id INTEGER PRIMARY KEY AUTOINCREMENT, at TEXT NOT NULL, job TEXT NOT NULL, region TEXT NOT NULL, session INTEGER NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('planned', 'actual')), key TEXT NOT NULL, value REAL, low REAL, high REAL,
  text TEXT NOT NULL, job_hash TEXT NOT NULL REFERENCES job_text (hash));
CREATE INDEX IF NOT EXISTS entry_of ON entry (job, region, session, kind, key, id);
CREATE TRIGGER IF NOT EXISTS entry_stays BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'rows are only added'); END;
CREATE TRIGGER IF NOT EXISTS entry_holds BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'rows are only added'); END;
CREATE TRIGGER IF NOT EXISTS text_stays BEFORE DELETE ON job_text BEGIN SELECT RAISE(ABORT, 'rows are only added'); END;
CREATE TRIGGER IF NOT EXISTS text_holds BEFORE UPDATE ON job_text BEGIN SELECT RAISE(ABORT, 'rows are only added'); END;
"""


@dataclass(frozen=True)
class Entry:
    """One row.

    Attributes
    ----------
    number : int
        Rises by the order of recording.
    at : str
        Moment of recording, UTC, ISO 8601.
    job, region : str
        The region is empty for what belongs to the whole job.
    session : int
        Counts from 1; the same job done again is another session.
    kind : {"planned", "actual"}
    key : str
    value, low, high : float or None
        In the field's unit; the range for planned figures only.
    text : str
        As it was written.
    job_hash : str
        Of the job as it stood then.
    """

    number: int
    at: str
    job: str
    region: str
    session: int
    kind: str
    key: str
    value: float | None
    low: float | None
    high: float | None
    text: str
    job_hash: str


class Record:
    """The record file, open; use it in a ``with`` block.

    Parameters
    ----------
    path : path
        Made if it is not there.

    Raises
    ------
    OutputError
        If the file cannot be made, opened or written.
    RecordError
        If it is something else, or made by a newer program.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._db = self._opened()

    def _opened(self) -> sqlite3.Connection:
        try:
            db = sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)
        except sqlite3.Error as err:
            raise self._refused(err) from err
        try:
            # Asked in this order, another program that makes the file meanwhile is seen whole or not at all.
            fresh = not db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            known, version = (int(db.execute(f"PRAGMA {p}").fetchone()[0]) for p in ("application_id", "user_version"))
            if not fresh and (known != _APPLICATION or version > _VERSION):
                raise RecordError(
                    "this file holds something else, or was made by a newer program", where=str(self.path), do="Move it away."
                )
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA foreign_keys = ON")
            if fresh:
                # One transaction for all of it: whoever is stopped here leaves an empty file or a whole one.
                ready = f"PRAGMA application_id = {_APPLICATION}; PRAGMA user_version = {_VERSION};"
                db.executescript(f"BEGIN IMMEDIATE; {_SCHEMA} {ready} COMMIT;")
        except RecordError:
            db.close()
            raise
        except sqlite3.Error as err:
            db.close()
            raise self._refused(err) from err
        return db

    def _refused(self, err: sqlite3.Error) -> Exception:
        if "not a database" in str(err):
            return RecordError("this file is no record", where=str(self.path), do="Move it away.")
        return OutputError(f"the record cannot be written: {err}", where=str(self.path), do="Check the folder and its room.")

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None) -> None:
        """Close the file."""
        self._db.close()

    def add(
        self,
        job: str,
        written: Mapping[str, object],
        *,
        region: str = "",
        session: int = 1,
        job_text: str = "",
        planned: Mapping[str, Range] | None = None,
    ) -> int:
        """Add rows; when this returns, they are on the disk. All of them are added, or none.

        Parameters
        ----------
        job : str
        written : mapping of str to str
            Field to what was written, with its unit.
        region : str
        session : int
        job_text : str
            The job as it stands, every value explicit.
        planned : mapping of str to Range, optional
            Figures of the plan, in the fields' units.

        Returns
        -------
        int
            Number of the last row.

        Raises
        ------
        RecordError
            Something written that cannot be; nothing is added then.
        OutputError
            If the disk refuses.
        """
        if session < 1:
            raise RecordError(f"session {session} is below 1", do="Count sessions from 1.")
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        digest = hashlib.sha256(job_text.encode()).hexdigest()
        rows: list[tuple[Any, ...]] = []
        for key, given in written.items():
            value, text = read_field(key, given)
            rows.append((now, job, region, session, "actual", key, value, None, None, text, digest))
        for key, r in (planned or {}).items():
            rows.append((now, job, region, session, "planned", key, r.usual, r.low, r.high, "", digest))
        if not rows:
            raise RecordError("there is nothing to record", do="Give fields with their values, such as resin_weighed=\"640 g\".")
        try:
            return self._write(job, job_text, digest, now, rows)
        except sqlite3.Error as err:
            raise self._refused(err) from err

    def _write(self, job: str, text: str, digest: str, now: str, rows: list[tuple[Any, ...]]) -> int:
        last = 0
        self._db.execute("BEGIN IMMEDIATE")
        with contextlib.ExitStack() as undo:
            # Whatever keeps a row from being written, Ctrl-C too, none of them stays.
            undo.callback(self._roll_back)
            self._db.execute("INSERT OR IGNORE INTO job_text VALUES (?, ?, ?, ?)", (digest, job, now, text))
            for row in rows:
                found = self._db.execute(
                    "INSERT INTO entry (at, job, region, session, kind, key, value, low, high, text, job_hash) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    row,
                )
                last = found.lastrowid or 0
            self._db.execute("COMMIT")
            undo.pop_all()
        return last

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("ROLLBACK")

    def entries(self, job: str | None = None) -> Iterator[Entry]:
        """Yield the rows in the order they were recorded.

        Parameters
        ----------
        job : str, optional
            Of one job only.
        """
        where, with_ = ("WHERE job = ?", (job,)) if job is not None else ("", ())
        for row in self._db.execute(
            f"SELECT id, at, job, region, session, kind, key, value, low, high, text, job_hash FROM entry {where} ORDER BY id", with_
        ):
            yield Entry(*row)

    def last_session(self, job: str) -> int:
        """Return the highest session of a job; 1 where nothing is recorded."""
        return int(self._db.execute("SELECT coalesce(max(session), 1) FROM entry WHERE job = ?", (job,)).fetchone()[0])

    def text_of(self, digest: str) -> str:
        """Return the job's text as it stood when a row was recorded."""
        row = self._db.execute("SELECT text FROM job_text WHERE hash = ?", (digest,)).fetchone()
        return str(row[0]) if row else ""

    def is_sound(self) -> bool:
        """Whether the file passes SQLite's own check."""
        return bool(self._db.execute("PRAGMA integrity_check").fetchone()[0] == "ok")


Place = tuple[str, str, int]


def latest(entries: Iterable[Entry], kind: str) -> dict[Place, dict[str, Entry]]:
    """Return the last row of each field by (job, region, session): a later row corrects an earlier one.

    Parameters
    ----------
    entries : iterable of Entry
    kind : {"planned", "actual"}
    """
    found: dict[Place, dict[str, Entry]] = {}
    for e in entries:
        if e.kind == kind:
            found.setdefault((e.job, e.region, e.session), {})[e.key] = e
    return found


@dataclass(frozen=True)
class Compared:
    """Plan against what happened, for one field.

    Attributes
    ----------
    region : str
    session : int
    key, words, unit : str
    planned : Range or None
    actual : float or None
    off : float or None
        (actual - planned) / planned.
    within : bool or None
        Whether it lies in the plan's range.
    """

    region: str
    session: int
    key: str
    words: str
    unit: str
    planned: Range | None
    actual: float | None
    off: float | None
    within: bool | None


def compared(entries: Iterable[Entry]) -> tuple[Compared, ...]:
    """Set the plan against what happened.

    Parameters
    ----------
    entries : iterable of Entry
        Of one job.
    """
    rows = list(entries)
    planned, actual = latest(rows, "planned"), latest(rows, "actual")
    out = []
    for place in sorted({*planned, *actual}):
        for key, field in FIELDS.items():
            p, a = planned.get(place, {}).get(key), actual.get(place, {}).get(key)
            if key != "note" and (p or a):
                out.append(_compared(place, key, field.words, field.unit, p, a))
    return tuple(out)


def _compared(place: Place, key: str, words: str, unit: str, p: Entry | None, a: Entry | None) -> Compared:
    expected = None
    if p is not None and p.value is not None and p.low is not None and p.high is not None:
        expected = Range(p.low, p.value, p.high)
    found = a.value if a is not None else None
    off = within = None
    if expected is not None and found is not None:
        off = (found - expected.usual) / expected.usual if expected.usual else None
        within = expected.low <= found <= expected.high
    return Compared(place[1], place[2], key, words, unit, expected, found, off, within)


def changes(before: str, after: str) -> tuple[str, ...]:
    """Say what differs between two texts of a job file, key by key.

    Parameters
    ----------
    before, after : str
        TOML, every value explicit.
    """
    old, new = _flat(tomllib.loads(before)), _flat(tomllib.loads(after))
    out = []
    for key in sorted({*old, *new}):
        if key not in new:
            out.append(f"{key}: was {old[key]}, is gone")
        elif key not in old:
            out.append(f"{key}: is new, {new[key]}")
        elif old[key] != new[key]:
            out.append(f"{key}: was {old[key]}, is {new[key]}")
    return tuple(out)


def _flat(value: Any, path: str = "") -> dict[str, str]:
    if isinstance(value, dict):
        return {k: v for key, inner in value.items() for k, v in _flat(inner, f"{path}.{key}" if path else key).items()}
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return {k: v for n, inner in enumerate(value, 1) for k, v in _flat(inner, f"{path}[{n}]").items()}
    return {path: repr(value)}
