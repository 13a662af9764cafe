"""Arrows forward and up on the boat in the corner of a picture, which turn with what is seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..surface.mesh import Floats

#: An arrow that lies square to the view, its head both ways, what is left free at the edges and the height of a line, in pixels.
ARROW_PX, HEAD_PX, EDGE_PX, LINE_PX = 52.0, (13.0, 5.0), 10.0, 20.0
#: An arrow shorter than this share points along the view and is said in words.
_ALONG = 0.3
#: Arrows that turn from each other by less than this, as a sine, have their words on the sides that are turned away.
_CLOSE = 0.6
_LETTER_PX = 9.0
_INK = (0x1C / 255, 0x27 / 255, 0x33 / 255)


@dataclass(frozen=True, eq=False)
class Arrow:
    """A direction as it is seen.

    Attributes
    ----------
    name : str
    word : str
        What stands beside it: its name, and whether it points towards the eye or away where it has no arrow.
    foot, tip, middle : (2,) float array
        Of the arrow and of its word, pixels from the lower left corner.
    """

    name: str
    word: str
    foot: Floats
    tip: Floats
    middle: Floats

    @property
    def drawn(self) -> bool:
        """Whether there is an arrow beside the word."""
        return bool(np.any(self.foot != self.tip))


def seen_ways(ways: Mapping[str, Floats], *, right: Floats, up: Floats, view: Floats) -> list[Arrow]:
    """Return directions as arrows from one foot in the lower left corner of a picture.

    Parameters
    ----------
    ways : mapping of str to (3,) float array
        Unit vectors by their names; two at most.
    right, up, view : (3,) float array
        Unit vectors to the right and upwards in the picture and away from the eye.
    """
    flat = {name: np.array([way @ right, way @ up]) for name, way in ways.items()}
    names = sorted((n for n in flat if np.hypot(*flat[n]) >= _ALONG), key=lambda n: float(np.hypot(*flat[n])))
    along = [n for n in ways if n not in names]
    tips = {n: ARROW_PX * flat[n] for n in names}
    words = {n: tips[n] + _beyond(n, flat[n]) for n in names}
    if len(names) == 2:
        short, other = (flat[n] / np.hypot(*flat[n]) for n in names)
        turn = other[0] * short[1] - other[1] * short[0]
        if abs(turn) < _CLOSE and other @ short > 0:
            aside = np.array([-other[1], other[0]]) * (-1.0 if turn < 0 else 1.0)
            words[names[0]] = tips[names[0]] + _beyond(names[0], aside)
    # The foot stands where arrows and words just clear the corner.
    left = min([0.0, *(float(words[n][0]) - _half(n) for n in names)])
    low = min([0.0, *(float(words[n][1]) - LINE_PX / 2 for n in names)])
    foot = np.array([EDGE_PX - left, EDGE_PX + len(along) * LINE_PX - low])
    found = [Arrow(n, n, foot, foot + tips[n], foot + words[n]) for n in names]
    for k, name in enumerate(along):
        word = f"{name}: {'away from you' if ways[name] @ view > 0 else 'towards you'}"
        at = np.array([EDGE_PX + _half(word), EDGE_PX + (len(along) - k - 0.5) * LINE_PX])
        found.append(Arrow(name, word, at, at, at))
    return found


def _half(word: str) -> float:
    return 0.5 * _LETTER_PX * len(word)


def _beyond(word: str, way: Floats) -> Floats:
    """From the tip of an arrow to the middle of its word."""
    unit = way / np.hypot(*way)
    return np.asarray((5.0 + abs(unit[0]) * _half(word) + abs(unit[1]) * LINE_PX / 2) * unit)


class Ways:
    """Those arrows in a picture, put anew before each time it is drawn.

    Parameters
    ----------
    renderer : vtkRenderer
    ways : mapping of str to (3,) float array
        Unit vectors by their names.
    """

    def __init__(self, renderer: Any, ways: Mapping[str, Floats]) -> None:
        self._renderer, self._ways = renderer, dict(ways)
        self._lines, self._words = _shape(renderer), [_word(renderer) for _ in ways]
        self.arrows: list[Arrow] = []
        renderer.AddObserver("StartEvent", lambda *_: self.put())

    def put(self) -> None:
        """Put the arrows as the eye now sees them."""
        camera = self._renderer.GetActiveCamera()
        view = np.array(camera.GetDirectionOfProjection())
        right = np.cross(view, camera.GetViewUp())
        right = right / np.linalg.norm(right)
        self.arrows = seen_ways(self._ways, right=right, up=np.cross(right, view), view=view)
        for arrow, word in zip(self.arrows, self._words):
            word.SetInput(arrow.word)
            word.SetDisplayPosition(*(round(float(c)) for c in arrow.middle))
        _draw([a for a in self.arrows if a.drawn], self._lines)


def _shape(renderer: Any) -> Any:
    from vtkmodules.vtkCommonDataModel import vtkPolyData
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkPolyDataMapper2D

    shape: Any = vtkPolyData()
    mapper: Any = vtkPolyDataMapper2D()
    mapper.SetInputData(shape)
    actor: Any = vtkActor2D()
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*_INK)
    actor.GetProperty().SetLineWidth(2.5)
    renderer.AddViewProp(actor)
    return shape


def _word(renderer: Any) -> Any:
    from vtkmodules.vtkRenderingCore import vtkTextActor

    word: Any = vtkTextActor()
    look = word.GetTextProperty()
    look.SetColor(*_INK)
    look.SetFontSize(15)
    look.BoldOn()
    look.SetJustificationToCentered()
    look.SetVerticalJustificationToCentered()
    # Legible over the hull too.
    look.SetBackgroundColor(1.0, 1.0, 1.0)
    look.SetBackgroundOpacity(0.7)
    renderer.AddViewProp(word)
    return word


def _draw(arrows: list[Arrow], shape: Any) -> None:
    import pyvista

    points: list[Floats] = []
    lines: list[int] = []
    heads: list[int] = []
    for arrow in arrows:
        way = (arrow.tip - arrow.foot) / np.hypot(*(arrow.tip - arrow.foot))
        neck, aside = arrow.tip - HEAD_PX[0] * way, HEAD_PX[1] * np.array([-way[1], way[0]])
        at = len(points)
        points += [arrow.foot, neck, arrow.tip, neck + aside, neck - aside]
        lines += [2, at, at + 1]
        heads += [3, at + 2, at + 3, at + 4]
    placed = np.column_stack([np.array(points).reshape(-1, 2), np.zeros(len(points))])
    make: Any = pyvista.PolyData
    shape.ShallowCopy(make(placed, faces=np.array(heads, dtype=int), lines=np.array(lines, dtype=int)))
