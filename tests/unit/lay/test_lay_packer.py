"""Child processes of the search: none is left running, whatever happens while they are started."""

import pytest

from plyflat.lay import packer
from plyflat.lay.packer import Item, Packers, Task


def test_children_end_when_a_later_one_cannot_be_started(monkeypatch):
    task = Task((Item([[-3.0, -3.0], [6.0, -3.0], [-3.0, 6.0]], 1, [0.0]),), (100.0, 100.0), 1.0, 60.0, (), 1)
    packers = Packers([task, task])
    start = Packers._start

    def second_stops(self, number, given):
        if number == 1:
            raise KeyboardInterrupt
        start(self, number, given)

    monkeypatch.setattr(packer.Packers, "_start", second_stops)
    with pytest.raises(KeyboardInterrupt):
        packers.__enter__()
    (child,) = packers._children
    assert child.poll() is not None
    assert not any(listener.is_alive() for listener in packers._listeners)
    assert child.stdout.closed
