"""Work in a process of its own: what it tells, that it can be stopped, how it ends when it goes wrong."""

import os
import time

import pytest

from plyflat.errors import MeshError
from plyflat.page.work import Task


def counts(most, *, progress):
    for k in range(most):
        progress("counting", (k + 1) / most)
    return most


def sleeps(*, progress):
    progress("asleep", 0.0)
    time.sleep(60)


def fails(kind, *, progress):
    if kind == "die":
        os._exit(9)
    raise MeshError("the mesh is no good", where="hull") if kind == "own" else ZeroDivisionError("odd")


def _until_over(task):
    told, end = [], time.monotonic() + 60
    while not task.over and time.monotonic() < end:
        told += task.news()
        time.sleep(0.02)
    return told


def test_progress_comes_before_the_answer():
    told = _until_over(Task(counts, 3))
    assert [t.kind for t in told] == ["progress"] * 3 + ["done"]
    assert told[0].content == ("counting", 1 / 3)
    assert told[-1].content == 3


def test_it_is_stopped_at_once():
    task = Task(sleeps)
    while not task.news():
        time.sleep(0.02)
    start = time.monotonic()
    task.stop()
    assert time.monotonic() - start < 5
    assert task.over
    assert task.news() == []
    task.stop()


@pytest.mark.parametrize(("kind", "said"), [("own", "hull: the mesh is no good"), ("other", "internal fault (ZeroDivisionError)"), ("die", "without an answer")])
def test_a_fault_is_told_in_words_for_the_builder(kind, said):
    told = _until_over(Task(fails, kind))
    assert [t.kind for t in told] == ["fault"]
    assert said in told[0].content
