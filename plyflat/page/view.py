"""The hull as it is seen and pointed at: copies of a mesh, each for what it is good at.

The full mesh answers where a finger points; one of some hundred thousand triangles is drawn, a coarser one while it is
turned; shortest lines between points run on the finest of them that has few triangles near the line.
"""

from __future__ import annotations

import importlib
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from ..report.style import MAP
from ..surface.mesh import Floats, Ints, Surface
from .joins import Joins
from .shades import COLOURS, Shade
from .ways import Ways

#: Triangles of the copies: drawn when still, drawn while turning, and for long lines.
STILL, TURNING, FAR = 130_000, 30_000, 8_000
#: A press this near a marker takes hold of it, in pixels.
GRIP_PX = 12.0
#: A press that moves less than this before release is a click.
CLICK_PX = 4.0
_HULL, _LINE, _POINT, _REGION, _WARP = "#c9cdd2", "#20304c", "#b3541e", "#3b6ea5", "#6b3fa0"
#: Edge of what is beyond a limit: seen on both ends of the scale.
_LIMIT = "#d4380d"
#: Lines over a shade, most of which is dark.
_THREAD = "#ffffff"
#: How much nearer than filling the picture: some of the hull round a region tells where it is.
_ROOM = 0.7
#: What lies on the hull is moved off it by these shares of its size: depth is told in so many steps, a few tenths of a mm on a boat.
_LIFT_WHOLE, _LIFT_THINNED = 5e-4, 1e-3
#: How far round a place is seen with it, as a share of the mesh.
_ABOUT = 0.08
#: Where the eye stands for each side of the boat, in parts of (forward, port, up).
SIDES = {
    "port": (0.0, 1.0, 0.0),
    "starboard": (0.0, -1.0, 0.0),
    "above": (0.0, 0.0, 1.0),
    "below": (0.0, 0.0, -1.0),
    "ahead": (1.0, 0.0, 0.0),
    "astern": (-1.0, 0.0, 0.0),
}


@dataclass(frozen=True, eq=False)
class Copies:
    """A mesh in the forms the page needs.

    Attributes
    ----------
    full : Surface
    still, turning, far : (vertices, faces)
    still_seen, turning_seen : (n, 3) uint8 array or None
        Colours of their vertices, where the mesh has any.
    """

    full: Surface
    still: tuple[Floats, Ints]
    turning: tuple[Floats, Ints]
    far: tuple[Floats, Ints]
    still_seen: NDArray[np.uint8] | None = None
    turning_seen: NDArray[np.uint8] | None = None


def copies_of(surface: Surface) -> Copies:
    """Return a mesh with its coarser copies.

    Parameters
    ----------
    surface : Surface
    """
    still = _thinned(surface.vertices_mm, surface.faces, STILL)
    turning = _thinned(*still, TURNING)
    seen = [None, None]
    if surface.colors is not None:
        # Tape and pen marks are what a builder looks for on a scan.
        tree = cKDTree(surface.vertices_mm)
        seen = [surface.colors[tree.query(copy[0])[1]] for copy in (still, turning)]
    return Copies(surface, still, turning, _thinned(*turning, FAR), *seen)


def _thinned(v: Floats, f: Ints, most: int) -> tuple[Floats, Ints]:
    import fast_simplification

    if len(f) <= most:
        return v, f
    thin, faces = fast_simplification.simplify(v.astype(np.float32), f.astype(np.int32), target_count=most)
    return thin.astype(float), faces.astype(np.int64)


def load_drawing() -> None:
    """Load the libraries that draw: they take a second, in which no page would answer, unless another thread has done it."""
    importlib.import_module("pyvista.plotting")


class Scene:
    """A mesh with points, the lines that join them and a region on it, drawn off screen.

    Parameters
    ----------
    copies : Copies
    forward, up : (3,) float array
        Of the boat.
    """

    def __init__(self, copies: Copies, *, forward: Sequence[float] = (1, 0, 0), up: Sequence[float] = (0, 0, 1)) -> None:
        import pyvista
        from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator

        self.copies = copies
        f, u = np.array(forward, dtype=float), np.array(up, dtype=float)
        self._axes = np.stack([f, np.cross(u, f), u])
        make: Any = pyvista.Plotter
        self.plotter = make(off_screen=True, window_size=[960, 640], lighting="none")
        self.plotter.add_light(pyvista.Light(light_type="headlight"))
        self.plotter.set_background("white")
        self._still = self._mesh(copies.still, copies.still_seen, "still")
        self._turning = self._mesh(copies.turning, copies.turning_seen, "turning")
        self._turning.SetVisibility(False)
        self.ways = Ways(self.plotter.renderer, {"forward": self._axes[0], "up": self._axes[2]})
        self._locator: Any = vtkStaticCellLocator()
        self._locator.SetDataSet(_poly(copies.full.vertices_mm, copies.full.faces))
        self._joins = Joins([(copies.full.vertices_mm, copies.full.faces), copies.still, copies.turning, copies.far], copies.still)
        # Nothing of this is drawn, so that another thread can do it; the first point to be looked for waits for its end.
        self._ready = threading.Thread(target=self._get_ready, daemon=True)
        self._ready.start()
        self._size = float(np.linalg.norm(np.ptp(copies.full.vertices_mm, axis=0)))
        self.points_mm: Floats = np.zeros((0, 3))
        self.see("port")

    def _get_ready(self) -> None:
        self._locator.BuildLocator()
        self._joins.get_ready()

    def _mesh(self, copy: tuple[Floats, Ints], seen: NDArray[np.uint8] | None, name: str) -> Any:
        poly = _poly(*copy)
        if seen is None:
            return self.plotter.add_mesh(poly, color=_HULL, name=name, reset_camera=False)
        poly.point_data["seen"] = seen
        return self.plotter.add_mesh(poly, scalars="seen", rgb=True, name=name, reset_camera=False, show_scalar_bar=False)

    # -- the eye --------------------------------------------------------------------------------------------------------
    def see(self, side: str) -> None:
        """Look at the whole mesh from a side of the boat.

        Parameters
        ----------
        side : str
            One of `SIDES`.
        """
        way = np.array(SIDES[side]) @ self._axes
        up = self._axes[0] if side in ("above", "below") else self._axes[2]
        middle = self.copies.full.vertices_mm.min(axis=0) / 2 + self.copies.full.vertices_mm.max(axis=0) / 2
        self.plotter.camera_position = [tuple(middle + 2.0 * self._size * way), tuple(middle), tuple(up)]
        self.plotter.reset_camera(bounds=tuple(self.plotter.bounds))

    def turn(self, moving: bool) -> None:
        """Draw the coarse copy while the mesh is turned, the fine one when it is still."""
        self._turning.SetVisibility(moving)
        self._still.SetVisibility(not moving)

    def see_patch(self, patch: Surface) -> None:
        """Look at a part of the mesh square to it, from its air side.

        Parameters
        ----------
        patch : Surface
        """
        weights = patch.face_areas_mm2[:, None]
        way = (weights * patch.face_normals).sum(axis=0) / weights.sum()
        middle = patch.vertices_mm.min(axis=0) / 2 + patch.vertices_mm.max(axis=0) / 2
        # What goes all round has no side of its own: it stays seen from where one stands.
        if np.linalg.norm(way) > 0.1:
            up = self._axes[2] if abs(way @ self._axes[2]) < 0.9 * np.linalg.norm(way) else self._axes[0]
            self.plotter.camera_position = [tuple(middle + self._size * way), tuple(middle), tuple(up)]
        low, high = patch.vertices_mm.min(axis=0), patch.vertices_mm.max(axis=0)
        self.plotter.reset_camera(bounds=tuple(float(x) for pair in zip(low, high) for x in pair))
        self.nearer(_ROOM)

    def turn_by(self, across_deg: float, up_deg: float) -> None:
        """Turn the eye round the middle of what is seen.

        Parameters
        ----------
        across_deg, up_deg : float
            To the right and upwards.
        """
        camera: Any = self.plotter.camera
        camera.Azimuth(across_deg)
        camera.Elevation(up_deg)
        camera.OrthogonalizeViewUp()
        self.plotter.renderer.ResetCameraClippingRange()

    def nearer(self, factor: float) -> None:
        """Come nearer by a factor above one, or go farther off by one below."""
        camera: Any = self.plotter.camera
        camera.Dolly(factor)
        self.plotter.renderer.ResetCameraClippingRange()

    def shift(self, across: float, up: float) -> None:
        """Move what is seen.

        Parameters
        ----------
        across, up : float
            To the right and upwards, as shares of the picture's width and height.
        """
        camera: Any = self.plotter.camera
        wide, high = self.plotter.render_window.GetSize()
        eye, aim, top = (np.array(x) for x in (camera.GetPosition(), camera.GetFocalPoint(), camera.GetViewUp()))
        way = aim - eye
        right = np.cross(way, top)
        right /= np.linalg.norm(right)
        top = np.cross(right, way) / np.linalg.norm(way)
        tall_mm = 2.0 * float(np.linalg.norm(way)) * np.tan(np.radians(camera.GetViewAngle()) / 2.0)
        move = -tall_mm * (across * wide / high * right + up * top)
        camera.SetPosition(*(eye + move))
        camera.SetFocalPoint(*(aim + move))
        self.plotter.renderer.ResetCameraClippingRange()

    def mm_per_pixel(self, point_mm: Floats) -> float:
        """Return how many mm a pixel spans at a point: what a click can be trusted to."""
        a = self._to_pixels(point_mm)
        side = self.plotter.camera.GetViewUp()
        b = self._to_pixels(np.asarray(point_mm) + np.asarray(side))
        return 1.0 / max(float(np.hypot(*(b - a))), 1e-9)

    # -- pointing -------------------------------------------------------------------------------------------------------
    def pick(self, x: float, y: float) -> Floats | None:
        """Return the point on the full mesh under a place in the picture; None beside it.

        Parameters
        ----------
        x, y : float
            Share of the picture's width and height, from its lower left corner.
        """
        from vtkmodules.vtkCommonCore import mutable, reference

        near, far = self._ray(x, y)
        t, at, local = mutable(0.0), [0.0] * 3, [0.0] * 3
        sub, cell = reference(0), reference(0)
        self._ready.join()
        hit = self._locator.IntersectWithLine(near, far, 0.0, t, at, local, sub, cell)
        return np.array(at) if hit else None

    def _ray(self, x: float, y: float) -> tuple[list[float], list[float]]:
        renderer = self.plotter.renderer
        wide, high = self.plotter.render_window.GetSize()
        ends = []
        for depth in (0.0, 1.0):
            # A pixel's middle, not its corner.
            renderer.SetDisplayPoint(x * wide + 0.5, y * high + 0.5, depth)
            renderer.DisplayToWorld()
            w = np.array(renderer.GetWorldPoint())
            ends.append(list(w[:3] / w[3]))
        return ends[0], ends[1]

    def _to_pixels(self, point_mm: Sequence[float] | Floats) -> Floats:
        renderer = self.plotter.renderer
        renderer.SetWorldPoint(*(float(c) for c in point_mm), 1.0)
        renderer.WorldToDisplay()
        return np.array(renderer.GetDisplayPoint()[:2])

    def grip(self, x: float, y: float) -> int | None:
        """Return the number of the marker under a place in the picture; None where there is none in sight."""
        wide, high = self.plotter.render_window.GetSize()
        here = np.array([x * wide, y * high])
        off = [float(np.hypot(*(self._to_pixels(p) - here))) for p in self.points_mm]
        if not off or min(off) > GRIP_PX:
            return None
        nearest = int(np.argmin(off))
        seen = self.pick(*(self._to_pixels(self.points_mm[nearest]) / (wide, high)))
        hidden = seen is None or np.linalg.norm(seen - self.points_mm[nearest]) > 0.02 * self._size
        return None if hidden else nearest

    # -- points and what they bound -------------------------------------------------------------------------------------
    def show_points(self, points_mm: Floats, *, closed: bool, joined: bool = True, rings: Sequence[Floats] = ()) -> None:
        """Show points, and the shortest lines that join them.

        Parameters
        ----------
        points_mm : (k, 3) float array
        closed : bool
            Whether the last is joined to the first.
        joined : bool
            Whether there are lines at all.
        rings : sequence of (j, 3) float arrays
            More points, numbered on; the lines of each go round and end where they began.
        """
        import pyvista

        own = np.asarray(points_mm, dtype=float).reshape(-1, 3)
        self.points_mm = np.concatenate([own, *rings])
        for name in ("points", "joins"):
            self.plotter.remove_actor(name, reset_camera=False)
        if not len(self.points_mm):
            return
        self.plotter.add_mesh(
            pyvista.PolyData(self.points_mm), name="points", color=_POINT, point_size=14, render_points_as_spheres=True,
            lighting=False, reset_camera=False, pickable=False,
        )
        pairs = _pairs(own, closed) if joined else []
        lines = [self.join(a, b) for a, b in (*pairs, *(pair for ring in rings for pair in _pairs(ring, True)))]
        if lines:
            self._lines(lines, "joins", _LINE)

    def show_warp(self, points_mm: Floats | None) -> None:
        """Show a warp line that is said by two points, or take it away.

        Parameters
        ----------
        points_mm : (2, 3) float array or None
        """
        self.plotter.remove_actor("warp", reset_camera=False)
        if points_mm is not None:
            self._lines([self.join(points_mm[0], points_mm[1])], "warp", _WARP)

    def join(self, a: Floats, b: Floats) -> Floats:
        """Return the shortest line along the hull between two points, (k, 3), mm; for the eye, on what is drawn."""
        self._ready.join()
        return self._joins.line(np.asarray(a), np.asarray(b))

    def show_region(self, vertices_mm: Floats | None, faces: Ints | None, loops_mm: Sequence[Floats] = ()) -> None:
        """Show a region, or take the one that is shown away.

        Parameters
        ----------
        vertices_mm : (n, 3) float array or None
        faces : (m, 3) int array or None
        loops_mm : sequence of (k, 3) float arrays
        """
        for name in ("region", "edges"):
            self.plotter.remove_actor(name, reset_camera=False)
        if vertices_mm is None or faces is None:
            return
        lifted = Surface(vertices_mm, faces)
        poly = _poly(vertices_mm + self._lift_mm * lifted.vertex_normals, faces)
        self.plotter.add_mesh(poly, name="region", color=_REGION, opacity=0.55, reset_camera=False, pickable=False)
        if loops_mm:
            self._lines([np.concatenate([loop, loop[:1]]) for loop in loops_mm], "edges", _REGION)

    def show_shade(self, shade: Shade | None) -> None:
        """Show values on a part of the hull in place of the region's colour, or take them away.

        Parameters
        ----------
        shade : Shade or None
        """
        for name in ("shade", "beyond", "thick", "thin", "dots"):
            self.plotter.remove_actor(name, reset_camera=False)
        region = self.plotter.actors.get("region")
        if region is not None:
            region.SetVisibility(shade is None)
        if shade is None:
            return
        surface = Surface(shade.vertices_mm, shade.faces)
        poly = _poly(surface.vertices_mm + 1.5 * self._lift_mm * surface.vertex_normals, surface.faces)
        poly.point_data["value"] = shade.values
        # Colours must be read off a legend: they are lit evenly.
        self.plotter.add_mesh(
            poly, scalars="value", cmap=MAP, clim=(0.0, shade.top), n_colors=COLOURS, ambient=0.75, diffuse=0.3, show_scalar_bar=False,
            name="shade", reset_camera=False, pickable=False,
        )  # fmt: skip
        if shade.limit is not None and shade.values.max() > shade.limit:
            edge = poly.contour([shade.limit], scalars="value")
            self._drawn(edge, "beyond", _LIMIT, 3.0)
        for lines, name, wide in ((shade.thin_mm, "thin", 1.5), (shade.thick_mm, "thick", 4.0)):
            if lines:
                self._lines(self._lifted(lines, surface), name, _THREAD, wide)
        if shade.dots:
            self._numbers(shade.dots, "dots")

    def show_faults(self, places_mm: Floats) -> None:
        """Number places of the mesh, or with none take the numbers away.

        Parameters
        ----------
        places_mm : (k, 3) float array
        """
        self.plotter.remove_actor("faults", reset_camera=False)
        if len(places_mm):
            self._numbers([(str(k), place) for k, place in enumerate(places_mm, start=1)], "faults")

    def see_place(self, place_mm: Floats) -> None:
        """Look at a place of the mesh square to it, from near by."""
        found = self.copies.full.locate(place_mm)
        near = self.copies.full.sub(np.linalg.norm(self.copies.full.vertices_mm[self.copies.full.faces[:, 0]] - found.points_mm[0], axis=1) < _ABOUT * self._size)[0]
        if len(near.faces):
            self.see_patch(near)

    def _lifted(self, lines_mm: Sequence[Floats], surface: Surface) -> list[Floats]:
        """Lines on a part of the hull, moved off it by as much as its shade is."""
        return [line + 2.0 * self._lift_mm * surface.face_normals[surface.locate(line).face] for line in lines_mm]

    def _numbers(self, dots: Sequence[tuple[str, Floats]], name: str) -> None:
        self.plotter.add_point_labels(
            np.array([at for _, at in dots]), [word for word, _ in dots], name=name, font_size=16, text_color=_LINE, shape_color="white",
            shape_opacity=0.85, margin=3, point_size=10, point_color=_LINE, render_points_as_spheres=True, always_visible=True, reset_camera=False, pickable=False,
        )  # fmt: skip

    @property
    def _lift_mm(self) -> float:
        """How far what lies on the hull is moved off it: what is drawn strays from the mesh where it was thinned."""
        return (_LIFT_WHOLE if len(self.copies.still[1]) == len(self.copies.full.faces) else _LIFT_THINNED) * self._size

    def _lines(self, lines: Sequence[Floats], name: str, colour: str, wide: float = 3.0) -> None:
        import pyvista

        # Lifted a little towards the air, since they run on another copy than the one that is drawn.
        poly = pyvista.PolyData()
        cells: list[int] = []
        count = 0
        for line in lines:
            cells += [len(line), *range(count, count + len(line))]
            count += len(line)
        poly.points = np.concatenate(lines)
        poly.lines = np.array(cells)
        # Pieces of a wide line are drawn bluntly: a dot where they meet leaves no gap there.
        poly.verts = np.column_stack([np.ones(count, dtype=int), np.arange(count)]).ravel()
        self._drawn(poly, name, colour, wide)

    def _drawn(self, lines: Any, name: str, colour: str, wide: float) -> None:
        actor = self.plotter.add_mesh(lines, name=name, color=colour, line_width=wide, point_size=wide, lighting=False, reset_camera=False, pickable=False)
        mapper = actor.GetMapper()
        mapper.SetResolveCoincidentTopologyToPolygonOffset()
        mapper.SetRelativeCoincidentTopologyLineOffsetParameters(-4.0, -8.0)
        mapper.SetRelativeCoincidentTopologyPointOffsetParameter(-8.0)

    def close(self) -> None:
        """Free the window it is drawn in."""
        self._ready.join()
        self.plotter.close()


def _pairs(p: Floats, closed: bool) -> list[tuple[Floats, Floats]]:
    """Each point with the one that follows."""
    return list(zip(p, np.roll(p, -1, axis=0)))[: len(p) if closed and len(p) > 2 else max(len(p) - 1, 0)]


def _poly(vertices_mm: Floats, faces: Ints) -> Any:
    import pyvista

    poly: Any = pyvista.PolyData
    return poly.from_regular_faces(np.ascontiguousarray(vertices_mm), np.ascontiguousarray(faces))


