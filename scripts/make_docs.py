"""Write the parts of the documentation that are made from the code: ``python scripts/make_docs.py [--check]``.

The table of outside checks in DEVELOPERS.md comes from the tests' reference marks; the JSON Schema of job files comes from
the model. With ``--check`` nothing is written, and the exit code says whether all of it is current.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
START, END = "<!-- outside checks: made by scripts/make_docs.py -->", "<!-- end of outside checks -->"


class _Marks:
    """Collects the reference marks of all tests."""

    def __init__(self) -> None:
        self.tests: dict[tuple[str, str], set[str]] = defaultdict(set)

    def pytest_collection_finish(self, session: pytest.Session) -> None:
        for item in session.items:
            for mark in item.iter_markers("reference"):
                name = item.nodeid.split("[")[0].replace("tests/", "", 1)
                self.tests[mark.kwargs["kind"], mark.kwargs["source"]].add(name)


def outside_checks() -> str:
    """Return the table of outside checks as Markdown."""
    marks = _Marks()
    code = pytest.main(["--collect-only", "-q", "-q", str(ROOT / "tests")], plugins=[marks])
    if code:
        raise SystemExit(f"the tests could not be collected (pytest exit code {int(code)})")
    rows = ["| kind | source | tests |", "|---|---|---|"]
    for (kind, source), tests in sorted(marks.tests.items()):
        rows.append(
            f"| {kind} | {source.replace('|', '/')} | {'<br>'.join(f'`{t}`' for t in sorted(tests))} |"
        )
    return "\n".join(rows)


def wanted() -> dict[Path, str]:
    """Return every made file with the text it should hold."""
    from plyflat.job.schema import schema_text

    guide = ROOT / "DEVELOPERS.md"
    head, rest = guide.read_text(encoding="utf-8").split(START)
    tail = rest.split(END)[1]
    return {
        guide: f"{head}{START}\n{outside_checks()}\n{END}{tail}",
        ROOT / "plyflat" / "job" / "schema.json": schema_text(),
    }


def main() -> int:
    """Write or check."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--check", action="store_true")
    check = ask.parse_args().check
    stale = [p for p, text in wanted().items() if not p.exists() or p.read_text(encoding="utf-8") != text]
    if check:
        for path in stale:
            print(
                f"{path.relative_to(ROOT)} is not current; run: python scripts/make_docs.py", file=sys.stderr
            )
        return 1 if stale else 0
    for path, text in wanted().items():
        path.write_text(text, encoding="utf-8")
    print("written" if stale else "all current")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
