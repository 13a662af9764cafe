"""Shaded views of a hull without a window, and where its points come to lie in the picture."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..surface.mesh import Floats, Surface
from .style import HULL, PAPER

#: Meshes above this are thinned before drawing.
MANY_TRIANGLES = 200_000
_THINNED_TO = 120_000
#: A picture is turned about where the boat's up side points down in it by more than this, as a sine.
_UPSIDE_DOWN = 0.05
_LIGHTING = {"ambient": 0.35, "diffuse": 0.65, "specular": 0.0}


@dataclass(frozen=True, eq=False)
class View:
    """A way of looking, without perspective.

    Attributes
    ----------
    centre_mm : (3,) float array
        In the middle of the picture.
    right, up, back : (3,) float arrays
        Unit vectors; ``back`` points to the eye.
    half_width_mm, half_height_mm : float
        From the middle of the picture to what must still be in it.
    """

    centre_mm: Floats
    right: Floats
    up: Floats
    back: Floats
    half_width_mm: float
    half_height_mm: float

    def scale(self, width: int, height: int) -> float:
        """Return mm for a pixel of a picture of a size in pixels."""
        return max(2 * self.half_width_mm / width, 2 * self.half_height_mm / height)


@dataclass(frozen=True, eq=False)
class Shot:
    """A rendered view.

    Attributes
    ----------
    image : (h, w, 3) uint8 array
    depth_mm : (h, w) float array
        Distance from the eye; NaN where nothing was hit.
    view : View
    eye_mm : (3,) float array
    scale_mm : float
        Of a pixel.
    """

    image: NDArray[np.uint8]
    depth_mm: Floats
    view: View
    eye_mm: Floats
    scale_mm: float

    def pixels(self, points_mm: Floats) -> Floats:
        """Return the (k, 2) columns and rows at which (k, 3) points come to lie."""
        h, w = self.image.shape[:2]
        away = np.atleast_2d(points_mm) - self.view.centre_mm
        scale = 1.0 / self.scale_mm
        return np.stack([0.5 * w + scale * (away @ self.view.right), 0.5 * h - scale * (away @ self.view.up)], axis=1)

    def seen(self, points_mm: Floats, *, slack_mm: float) -> NDArray[np.bool_]:
        """Return which of (k, 3) points are in the picture and not hidden."""
        h, w = self.image.shape[:2]
        column, row = np.round(self.pixels(points_mm)).astype(int).T
        inside = (column >= 0) & (column < w) & (row >= 0) & (row < h)
        depth = self.depth_mm[np.clip(row, 0, h - 1), np.clip(column, 0, w - 1)]
        distance = (self.eye_mm - np.atleast_2d(points_mm)) @ self.view.back
        return inside & (np.isnan(depth) | (distance <= depth + slack_mm))


def look_at(surface: Surface, *, forward: Floats, up: Floats, tilt_deg: float, side: int) -> View:
    """Return a view square to a surface's mean normal, then tilted to one side, with the surface filling it.

    Parameters
    ----------
    surface : Surface
    forward, up : (3,) float arrays
        Of the boat; up comes to lie upward in the picture where it can.
    tilt_deg : float
    side : int
        +1 or -1.
    """
    normal = _unit(surface._cross.sum(axis=0), fallback=up)
    right, rise = _upright(normal, forward, up)
    a = np.radians(tilt_deg)
    back = _unit(np.cos(a) * normal + side * np.sin(a) * rise, fallback=normal)
    right = _unit(right - (right @ back) * back, fallback=right)
    rise = np.cross(back, right)
    if rise @ up < -_UPSIDE_DOWN:
        # As one sees it who has walked round to the other side: the boat does not stand on its head.
        right, rise = -right, -rise
    points = surface.vertices_mm
    x, y = points @ right, points @ rise
    middle = 0.5 * (x.min() + x.max()) * right + 0.5 * (y.min() + y.max()) * rise + (points @ back).mean() * back
    wide, high = x.max() - x.min(), y.max() - y.min()
    margin = 0.09 * float(max(wide, high))
    return View(middle, right, rise, back, 0.5 * float(wide) + margin, 0.5 * float(high) + margin)


def _unit(v: Floats, *, fallback: Floats) -> Floats:
    size = np.linalg.norm(v)
    return v / size if size > 1e-9 else np.asarray(fallback, dtype=float)


def _upright(normal: Floats, forward: Floats, up: Floats) -> tuple[Floats, Floats]:
    """Right and upward directions square to a normal: what is level on the boat is level, its up side up."""
    if abs(normal @ up) < 0.9:
        right = _unit(np.cross(up, normal), fallback=forward)
        return right, np.cross(normal, right)
    # Square to a bottom or a deck, up has no say in the picture: then the boat's length is level, forward to the right.
    right = _unit(forward - (forward @ normal) * normal, fallback=forward)
    return right, np.cross(normal, right)


def seen_share(surface: Surface, view: View) -> float:
    """Return the share of a surface's area that faces the eye."""
    facing = surface.face_normals @ view.back > 0.15
    return float(surface.face_areas_mm2[facing].sum() / surface.area_mm2)


def thinned(surface: Surface, *, most: int = MANY_TRIANGLES) -> Surface:
    """Return a mesh light enough to draw: itself, or one with fewer triangles that looks the same.

    Parameters
    ----------
    surface : Surface
    most : int
        Meshes with no more triangles are returned as they are.
    """
    if len(surface.faces) <= most:
        return surface
    import fast_simplification

    share = 1.0 - min(_THINNED_TO, most) / len(surface.faces)
    points, faces = fast_simplification.simplify(
        surface.vertices_mm.astype(np.float32), surface.faces.astype(np.int32), share
    )
    return Surface(points.astype(np.float64), faces.astype(np.int64))


def lifted(surface: Surface, by_mm: float) -> Surface:
    """Return a surface moved a little to the air side, so that it is drawn over the hull and not in it."""
    return Surface(surface.vertices_mm + by_mm * surface.vertex_normals, surface.faces)


class Scene:
    """Things to draw, and an off-screen window to draw them in.

    Use it in a ``with`` statement. ``add`` and ``line`` may be undone together by ``clear``.
    """

    def __init__(self, width: int, height: int) -> None:
        # Without a display the first choice of window only complains; the drawing is the same.
        if not os.environ.get("DISPLAY") and os.name == "posix":
            os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
        import pyvista

        self._kit: Any = pyvista
        plotter: Any = pyvista.Plotter
        self._plotter: Any = plotter(off_screen=True, window_size=[width, height], lighting="none")
        self._plotter.set_background(PAPER)
        self._plotter.add_light(pyvista.Light(light_type="headlight"))

    def __enter__(self) -> Scene:
        return self

    def __exit__(self, kind: type | None, err: BaseException | None, trace: TracebackType | None) -> None:
        self._plotter.close()

    def clear(self) -> None:
        """Remove everything that was added."""
        self._plotter.renderer.clear_actors()

    def add(
        self,
        surface: Surface,
        *,
        colour: str = HULL,
        values: Floats | None = None,
        span: tuple[float, float] = (0.0, 1.0),
        shades: str | None = None,
        shaded: bool = True,
    ) -> None:
        """Add a surface, in one colour or by a value of each triangle.

        Parameters
        ----------
        surface : Surface
        colour : str
        values : (m,) float array, optional
        span : tuple of float
            Values at the ends of the colour map.
        shades : str, optional
            Name of the colour map.
        shaded : bool
            False draws the bare colour.
        """
        cells = self._mesh(surface)
        look: dict[str, Any] = {"lighting": shaded, **_LIGHTING}
        if values is None:
            self._plotter.add_mesh(cells, color=colour, smooth_shading=shaded, **look, render=False)
            return
        # Colours must be read off a legend: light them evenly.
        look.update(ambient=0.8, diffuse=0.25)
        cells.cell_data["value"] = values
        look.update(cmap=shades, clim=span, show_scalar_bar=False, render=False)
        self._plotter.add_mesh(cells, scalars="value", **look)

    def add_above(self, surface: Surface, values: Floats, limit: float, *, colour: str) -> None:
        """Add the part of a surface where a value of each vertex is above a limit, in a bare colour.

        Parameters
        ----------
        surface : Surface
        values : (n,) float array
        limit : float
        colour : str
        """
        cells = self._mesh(surface)
        cells.point_data["value"] = values
        part = cells.clip_scalar(scalars="value", value=limit, invert=False)
        if part.n_cells:
            self._plotter.add_mesh(part, color=colour, lighting=False, render=False)

    def _mesh(self, surface: Surface) -> Any:
        return self._kit.PolyData.from_regular_faces(surface.vertices_mm, surface.faces)

    def line(self, points_mm: Floats, *, colour: str, width: float, closed: bool = False) -> None:
        """Add a line of a width in pixels.

        Parameters
        ----------
        points_mm : (k, 3) float array
        colour : str
        width : float
        closed : bool
        """
        points = np.concatenate([points_mm, points_mm[:1]]) if closed else points_mm
        lines = self._kit.lines_from_points(points)
        self._plotter.add_mesh(lines, color=colour, line_width=width, lighting=False, render=False)

    def shoot(self, view: View, reach_mm: float, *, depth: bool = True) -> Shot:
        """Render a view.

        Parameters
        ----------
        view : View
        reach_mm : float
            A distance beyond everything that is drawn, from the view's centre.
        depth : bool
            Whether it will be asked what is hidden; finding that out takes as long as the picture.
        """
        eye = view.centre_mm + reach_mm * view.back
        camera = self._plotter.camera
        camera.position, camera.focal_point, camera.up = eye, view.centre_mm, view.up
        camera.parallel_projection = True
        width, height = self._plotter.window_size
        scale = view.scale(width, height)
        camera.parallel_scale = 0.5 * height * scale
        camera.clipping_range = (0.0, 2.0 * reach_mm)
        self._plotter.render()
        # ``screenshot`` alone returns what was rendered before the camera moved.
        image = np.array(self._plotter.screenshot(return_img=True))[:, :, :3]
        far = -np.asarray(self._plotter.get_image_depth(), dtype=float) if depth else np.full(image.shape[:2], np.nan)
        return Shot(image, far, view, eye, scale)


def corner_values(surface: Surface, values: Floats) -> Floats:
    """Return values of triangles averaged by area at the vertices.

    Parameters
    ----------
    surface : Surface
    values : (m,) float array

    Returns
    -------
    (n,) float array
    """
    weights = surface.face_areas_mm2
    total = np.zeros(len(surface.vertices_mm))
    area = np.zeros(len(surface.vertices_mm))
    for k in range(3):
        total += np.bincount(surface.faces[:, k], weights * values, minlength=len(total))
        area += np.bincount(surface.faces[:, k], weights, minlength=len(total))
    return total / np.where(area > 0, area, 1.0)


def reach_of(surfaces: Sequence[Surface], centre_mm: Floats) -> float:
    """Return a distance from a point beyond every vertex, mm."""
    far = max(float(np.linalg.norm(s.vertices_mm - centre_mm, axis=1).max()) for s in surfaces)
    return 1.5 * far + 1.0
