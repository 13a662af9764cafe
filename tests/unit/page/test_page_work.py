"""Work in a process of its own: what it tells, that it can be stopped, how it ends when it goes wrong."""

import os
import signal
import time

import pytest

from plyflat.errors import MeshError
from plyflat.page.work import BEHIND, PATIENCE_S, Standby, Task


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


def answers(kept, question):
    if question == "die":
        os._exit(9)
    if question == "fail":
        raise MeshError("no good")
    if question == "odd":
        raise ZeroDivisionError
    if question == "slow":
        yield "rough"
        time.sleep(60)
    yield "rough"
    yield kept + question


@pytest.fixture(scope="module")
def standby():
    asked = Standby(answers, 40)
    yield asked
    asked.stop()
    assert not asked._process.is_alive()


def _answer(asked):
    told, end = [], time.monotonic() + 60
    while asked.busy and time.monotonic() < end:
        told += asked.news()
        time.sleep(0.01)
    return [(t.kind, t.content) for t in told]


def test_one_process_answers_again_and_again_the_roughest_first(standby):
    standby.ask(2)
    assert _answer(standby) == [("part", "rough"), ("part", 42), ("done", None)]
    process = standby._process
    standby.ask("fail")
    assert _answer(standby) == [("fault", "no good")]
    standby.ask("odd")
    assert "internal fault (ZeroDivisionError)" in _answer(standby)[0][1]
    standby.ask(3)
    assert _answer(standby)[1] == ("part", 43)
    assert standby._process is process


def test_only_the_newest_question_is_answered(standby):
    process = standby._process
    for k in range(20):
        standby.ask(k)
    assert _answer(standby)[-2:] == [("part", 59), ("done", None)]
    assert standby._process is process
    standby.ask(1)
    standby.drop()
    assert not standby.busy
    standby.ask(4)
    assert _answer(standby) == [("part", "rough"), ("part", 44), ("done", None)]


def test_a_question_that_takes_long_is_given_up_for_the_next(standby):
    standby.ask("slow")
    while not standby.news():
        time.sleep(0.02)
    process = standby._process
    time.sleep(PATIENCE_S)
    standby.ask(1)
    assert not process.is_alive()
    assert _answer(standby)[1] == ("part", 41)


def test_a_process_that_dies_says_so_and_is_started_again(standby):
    standby.ask("die")
    assert "without an answer" in _answer(standby)[0][1]
    standby.ask(1)
    assert _answer(standby)[1] == ("part", 41)


def test_a_process_that_dies_while_nothing_is_asked_is_started_again(standby):
    standby.ask(1)
    _answer(standby)
    standby._process.kill()
    standby._process.join()
    standby.ask(2)
    assert _answer(standby) == [("part", "rough"), ("part", 42), ("done", None)]


def dies(kept, question):
    yield kept


class Unreadable:
    """Ends the process that reads it."""

    def __init__(self, size):
        self.body = bytes(size)

    def __reduce__(self):
        return os._exit, (9,)


def test_processes_that_die_before_they_are_ready_are_given_up():
    asked = Standby(dies, [bytes(10_000_000), Unreadable(1)])
    start = time.monotonic()
    asked.ask("?")
    told = _answer(asked)
    asked.stop()
    assert "without an answer" in told[-1][1]
    assert len(told) == 1
    assert time.monotonic() - start < 30


def test_what_is_kept_is_handed_over_while_the_page_goes_on():
    start = time.monotonic()
    asked = Standby(answers, bytes(50_000_000))
    made = time.monotonic() - start
    asked.ask(b"!")
    assert _answer(asked)[1] == ("part", bytes(50_000_000) + b"!")
    # The new process has to load its modules before it reads: without a thread that is waited for.
    assert made < 0.25 * (time.monotonic() - start)
    asked.stop()


def test_what_is_being_answered_is_given_up_at_once(standby):
    standby.ask("slow")
    while not standby.news():
        time.sleep(0.02)
    process = standby._process
    standby.give_up()
    assert not process.is_alive()
    assert not standby.busy
    standby.ask(3)
    assert _answer(standby) == [("part", "rough"), ("part", 43), ("done", None)]
    kept = standby._process
    standby.give_up()
    assert standby._process is kept


def writes(*, progress):
    raise OSError(28, "No space left on device", "plan.json")


def test_a_file_that_cannot_be_written_is_no_inner_fault():
    told = _until_over(Task(writes))
    assert [(t.kind, t.content) for t in told] == [("fault", "a file cannot be read or written: [Errno 28] No space left on device: 'plan.json'")]


def niceness(kept):
    yield os.nice(0) - kept


@pytest.mark.skipif(not hasattr(os, "nice"), reason="niceness is of POSIX")
@pytest.mark.parametrize("behind", [False, True])
def test_what_works_behind_lets_the_rest_go_first(behind):
    standby, told = Standby(niceness, os.nice(0), behind=behind), []
    standby.ask()
    end = time.monotonic() + 60
    while standby.busy and time.monotonic() < end:
        told += standby.news()
        time.sleep(0.02)
    standby.stop()
    assert told[0].content == (min(BEHIND, 19 - os.nice(0)) if behind else 0)


def test_ctrl_c_is_for_the_page_alone(capfd):
    before = signal.getsignal(signal.SIGINT)
    task, asked = Task(sleeps), Standby(answers, 40)
    assert signal.getsignal(signal.SIGINT) is before
    while not task.news():
        time.sleep(0.02)
    for process in (task._process, asked._process):
        os.kill(process.pid, signal.SIGINT)
    asked.ask(2)
    assert _answer(asked)[-2:] == [("part", 42), ("done", None)]
    assert task.news() == []
    assert not task.over
    task.stop()
    asked.stop()
    assert "KeyboardInterrupt" not in capfd.readouterr().err


def lingers(kept, seconds):
    time.sleep(seconds)
    yield seconds


def test_a_question_that_had_just_begun_is_given_up_too_when_it_takes_long():
    standby, told = Standby(lingers, None), []
    standby.ask(120.0)
    while not standby._at_work:
        standby.news()
        time.sleep(0.02)
    standby.ask(0.0)
    end = time.monotonic() + 60
    while standby.busy and time.monotonic() < end:
        told += standby.news()
        time.sleep(0.02)
    standby.stop()
    assert [t.content for t in told if t.kind == "part"] == [0.0]
