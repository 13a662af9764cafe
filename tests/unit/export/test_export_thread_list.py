"""The list of a ply's threads as points on the hull."""

from __future__ import annotations

import csv
from types import SimpleNamespace

import numpy as np
import pytest
import shapes

from plyflat.cloth.drape import drape
from plyflat.cloth.draped import draped_flat
from plyflat.cloth.draping import Laying
from plyflat.export.threads import THREAD_HEAD, every_which, thread_runs, write_threads
from plyflat.surface.mesh import Surface

RADIUS = 1000.0


@pytest.fixture(scope="module")
def draped():
    v, f = shapes.cap(30, RADIUS, triangles=6000)
    return draped_flat(drape(Surface(v, f), [0, 0, RADIUS], [1, 0, 0]))


def ply_of(draped, plain):
    laying = Laying(draped, plain=plain)
    return SimpleNamespace(name="P1", layings=(Laying(None, "no net"), laying), draped=((1, draped),))


@pytest.fixture
def rows(draped, tmp_path):
    region = SimpleNamespace(name='bow "dome"', plies=(ply_of(draped, draped.drape), SimpleNamespace(name="P2", layings=(), draped=())))
    (path,) = write_threads(SimpleNamespace(regions=(region,)), tmp_path)
    assert path == tmp_path / "fibres" / "threads.csv"
    with path.open(newline="", encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    assert tuple(found[0]) == THREAD_HEAD
    return found


def _lines(rows):
    """Points, lengths along and what is said of each thread, by its number."""
    out = {}
    for row in rows:
        line = out.setdefault(int(row["thread"]), {"said": row, "points": [], "along": []})
        line["points"].append([float(row[f"{c} (mm)"]) for c in "xyz"])
        line["along"].append(float(row["along it (mm)"]))
        assert int(row["point"]) == len(line["points"])
        assert (row["region"], row["ply"], row["piece"]) == ('bow "dome"', "P1", "B")
    return out


def test_every_thread_keeps_its_length_and_lies_on_the_hull(rows, draped):
    lines = _lines(rows)
    assert list(lines) == list(range(1, len(lines) + 1))
    for line in lines.values():
        points = np.array(line["points"])
        # The mesh lies within its sagitta of the ball.
        assert np.abs(np.linalg.norm(points, axis=1) - RADIUS).max() < 1.0
        steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
        assert steps == pytest.approx(np.diff(line["along"]), rel=2e-3)
        # Nothing beyond the edge of the piece.
        assert points[:, 2].min() > RADIUS * np.cos(np.radians(30)) - 1.0


@pytest.mark.parametrize(("way", "across"), [("warp", 1), ("weft", 0)])
def test_the_first_threads_are_great_circles_from_which_the_others_are_counted(rows, way, across):
    lines = [q for q in _lines(rows).values() if q["said"]["warp or weft"] == way]
    (first,) = [q for q in lines if q["said"]["first thread"]]
    points = np.array(first["points"])
    assert first["said"]["first thread"] == "bent"
    assert float(first["said"]["off the first thread (mm)"]) == 0.0
    assert np.abs(points[:, across]).max() < 1.0
    along = points[:, 1 - across]
    assert along == pytest.approx(RADIUS * np.sin(np.array(first["along"]) / RADIUS), abs=1.0)
    # Each other one crosses the other first thread at its distance off, to the left of the warp and ahead of the weft.
    for line in lines:
        crossing = np.array(line["points"])[np.abs(line["along"]).argmin()]
        off = float(line["said"]["off the first thread (mm)"])
        if min(map(abs, line["along"])) == 0:
            assert crossing[across] == pytest.approx(RADIUS * np.sin(off / RADIUS), abs=1.0)
    assert len({q["said"]["off the first thread (mm)"] for q in lines}) > 8


def test_first_threads_that_are_straight_are_said_to_be(draped, tmp_path):
    region = SimpleNamespace(name="dome", plies=(ply_of(draped, None),))
    write_threads(SimpleNamespace(regions=(region,)), tmp_path)
    with (tmp_path / "fibres" / "threads.csv").open(newline="", encoding="utf-8") as file:
        assert {row["first thread"] for row in csv.DictReader(file)} == {"", "straight"}


def test_without_such_a_ply_there_is_no_list(tmp_path):
    region = SimpleNamespace(name="dome", plies=(SimpleNamespace(name="P1", layings=(), draped=()),))
    assert write_threads(SimpleNamespace(regions=(region,)), tmp_path) == []
    assert list(tmp_path.iterdir()) == []


def test_the_threads_taken_lie_evenly(draped):
    every = every_which(draped.drape) * draped.drape.net.spacing_mm
    off = sorted({run.off_mm for run in thread_runs(draped.drape, 0)})
    assert np.diff(off) == pytest.approx(every)
