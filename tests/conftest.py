"""Marks that tie a check to its outside source, and the table of sources at the end of a run."""

from __future__ import annotations

import pytest

KINDS = {"published", "derived", "library", "practice", "memory"}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    faults = []
    for item in items:
        for mark in item.iter_markers("reference"):
            if not mark.kwargs.get("source") or mark.kwargs.get("kind") not in KINDS:
                faults.append(f"{item.nodeid}: reference mark needs source= and kind= one of {sorted(KINDS)}")
    if faults:
        raise pytest.UsageError("\n".join(faults))


def pytest_terminal_summary(terminalreporter, exitstatus, config) -> None:
    rows = set()
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, []):
            for source, kind in getattr(report, "reference_sources", []):
                rows.add((kind, source, outcome))
    if rows:
        terminalreporter.section("checked against the outside")
        for kind, source, outcome in sorted(rows):
            terminalreporter.write_line(f"{outcome:6} {kind:9} {source}")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    report.reference_sources = [
        (m.kwargs["source"], m.kwargs["kind"]) for m in item.iter_markers("reference")
    ]
    return report
