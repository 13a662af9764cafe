"""The picture in the page, and the mouse or finger over it."""

from __future__ import annotations

from typing import Any

import numpy as np

from .actions import Page, told
from .view import CLICK_PX, Scene


class View:
    """The picture and the mouse over it.

    Parameters
    ----------
    area : trame_rca RemoteControlledArea
    """

    def __init__(self, area: Any) -> None:
        self.area = area
        self._page: Page | None = None
        self._scene: Scene | None = None
        self._handler: Any = None
        self._count = 0
        self._from: tuple[float, float] | None = None
        self._held: int | None = None
        self._turning = False
        self._kept: Any = None

    def use(self, page: Page, scene: Scene) -> str:
        """Show a scene; its picture is sent anew.

        Parameters
        ----------
        page : Page
        scene : Scene

        Returns
        -------
        str
            A name for what is shown, which changes with the scene: the browser then tells the size anew.
        """
        if scene is not self._scene:
            self._page, self._scene = page, scene
            self._count += 1
            self._listen(scene)
            self._handler = self.area.create_view_handler(
                scene.plotter.render_window, encoder="jpeg", target_fps=20, interactive_quality=60, still_quality=92
            )
        self._handler.update()
        return f"picture {self._count}"

    def _listen(self, scene: Scene) -> None:
        from vtkmodules.vtkInteractionStyle import vtkInteractorStyleTrackballCamera
        from vtkmodules.vtkRenderingCore import vtkRenderWindowInteractor

        style: Any = vtkInteractorStyleTrackballCamera()
        interactor = scene.plotter.render_window.GetInteractor() or vtkRenderWindowInteractor()
        if interactor.GetRenderWindow() is None:
            interactor.SetRenderWindow(scene.plotter.render_window)
        interactor.SetInteractorStyle(style)
        self._kept = (style, interactor)
        style.AddObserver("LeftButtonPressEvent", lambda *_: self._press(scene, style, interactor))
        style.AddObserver("MouseMoveEvent", lambda *_: self._move(scene, style, interactor))
        style.AddObserver("LeftButtonReleaseEvent", lambda *_: self._release(scene, style, interactor))
        # Letters typed over the picture are no commands.
        style.AddObserver("CharEvent", lambda *_: None)

    def _press(self, scene: Scene, style: Any, interactor: Any) -> None:
        self._from, self._turning = _place(scene, interactor), False
        self._held = scene.grip(*self._from)
        if self._held is None:
            style.OnLeftButtonDown()

    def let_go(self) -> None:
        """Forget a press: what began as a click or a turn has become something else."""
        if self._scene is not None and self._turning:
            self._scene.turn(False)
        if self._kept is not None:
            self._kept[0].OnLeftButtonUp()
        self._from, self._held, self._turning = None, None, False

    def _move(self, scene: Scene, style: Any, interactor: Any) -> None:
        if self._from is None or self._held is not None:
            return
        wide, high = scene.plotter.render_window.GetSize()
        x, y = _place(scene, interactor)
        far = np.hypot((x - self._from[0]) * wide, (y - self._from[1]) * high) > CLICK_PX
        if far and not self._turning:
            scene.turn(True)
            self._turning = True
            if self._page is not None:
                self._page.eye_set()
        if self._turning:
            style.OnMouseMove()

    def _release(self, scene: Scene, style: Any, interactor: Any) -> None:
        at, held, turned, start = _place(scene, interactor), self._held, self._turning, self._from
        style.OnLeftButtonUp()
        self._from, self._held, self._turning = None, None, False
        scene.turn(False)
        page = self._page
        if page is not None:
            if held is not None:
                told(page.state, page.moved)(held, *at)
            elif start is not None and not turned:
                told(page.state, page.clicked)(*at)
        self._handler.update()


def _place(scene: Scene, interactor: Any) -> tuple[float, float]:
    """Where the pointer is, as shares of the picture's width and height from its lower left corner."""
    wide, high = scene.plotter.render_window.GetSize()
    x, y = interactor.GetEventPosition()
    return x / wide, y / high
