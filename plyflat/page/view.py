"""The hull as it is seen and pointed at: three copies of a mesh, each for what it is good at.

The full mesh answers where a finger points; one of some hundred thousand triangles is drawn, a coarser one while it is
turned; shortest lines between points run on one of their own, since a drawn copy may have flaws that do not show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from ..surface.coarsen import coarsen
from ..surface.mesh import Floats, Ints, Surface
from .ways import Ways

#: Triangles of the copies: drawn when still, drawn while turning, and the most for shortest lines.
STILL, TURNING, LINES = 130_000, 30_000, 400_000
#: A press this near a marker takes hold of it, in pixels.
GRIP_PX = 12.0
#: A press that moves less than this before release is a click.
CLICK_PX = 4.0
_HULL, _LINE, _POINT, _REGION, _WARP = "#c9cdd2", "#20304c", "#b3541e", "#3b6ea5", "#6b3fa0"
#: How much nearer than filling the picture: some of the hull round a region tells where it is.
_ROOM = 0.7
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
    still, turning, lines : (vertices, faces)
    """

    full: Surface
    still: tuple[Floats, Ints]
    turning: tuple[Floats, Ints]
    lines: tuple[Floats, Ints]


def copies_of(surface: Surface) -> Copies:
    """Return a mesh with its coarser copies.

    Parameters
    ----------
    surface : Surface
    """
    # Lines need a copy that is still one surface, which quick thinning does not promise; careful thinning takes longer
    # than finding lines on the whole mesh, until that is very large.
    whole = coarsen(surface, faces=LINES // 4, stray_mm=np.inf).surface if len(surface.faces) > LINES else surface
    return Copies(surface, _thinned(surface, STILL), _thinned(surface, TURNING), (whole.vertices_mm, whole.faces))


def _thinned(surface: Surface, most: int) -> tuple[Floats, Ints]:
    import fast_simplification

    v, f = surface.vertices_mm, surface.faces
    if len(f) <= most:
        return v, f
    thin, faces = fast_simplification.simplify(v.astype(np.float32), f.astype(np.int32), target_count=most)
    return thin.astype(float), faces.astype(np.int64)


class Scene:
    """A mesh with points, the lines that join them and a region on it, drawn off screen.

    Parameters
    ----------
    copies : Copies
    forward, up : (3,) float array
        Of the boat.
    """

    def __init__(self, copies: Copies, *, forward: Sequence[float] = (1, 0, 0), up: Sequence[float] = (0, 0, 1)) -> None:
        import potpourri3d
        import pyvista
        from vtkmodules.vtkCommonDataModel import vtkStaticCellLocator

        self.copies = copies
        f, u = np.array(forward, dtype=float), np.array(up, dtype=float)
        self._axes = np.stack([f, np.cross(u, f), u])
        make: Any = pyvista.Plotter
        self.plotter = make(off_screen=True, window_size=[960, 640], lighting="none")
        self.plotter.add_light(pyvista.Light(light_type="headlight"))
        self.plotter.set_background("white")
        self._still = self._mesh(copies.still, "still")
        self._turning = self._mesh(copies.turning, "turning")
        self._turning.SetVisibility(False)
        self.ways = Ways(self.plotter.renderer, {"forward": self._axes[0], "up": self._axes[2]})
        self._locator: Any = vtkStaticCellLocator()
        self._locator.SetDataSet(_poly(copies.full.vertices_mm, copies.full.faces))
        self._locator.BuildLocator()
        self._solver = potpourri3d.EdgeFlipGeodesicSolver(*copies.lines)
        self._size = float(np.linalg.norm(np.ptp(copies.full.vertices_mm, axis=0)))
        self.points_mm: Floats = np.zeros((0, 3))
        self.see("port")

    def _mesh(self, copy: tuple[Floats, Ints], name: str) -> Any:
        poly, full = _poly(*copy), self.copies.full
        if full.colors is None:
            return self.plotter.add_mesh(poly, color=_HULL, name=name, reset_camera=False)
        # Tape and pen marks are what a builder looks for on a scan.
        poly.point_data["seen"] = full.colors[cKDTree(full.vertices_mm).query(copy[0])[1]]
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
        """Return the shortest line along the hull between two points, (k, 3), mm; for the eye, on the coarse copy."""
        v = self.copies.lines[0]
        start, end = (int(np.linalg.norm(v - p, axis=1).argmin()) for p in (a, b))
        if start == end:
            return np.stack([a, b])
        path = self._solver.find_geodesic_path(start, end)
        return np.concatenate([[a], path[1:-1], [b]])

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
        # What is drawn strays from the mesh where it was thinned.
        lift_mm = (1e-4 if len(self.copies.still[1]) == len(self.copies.full.faces) else 1e-3) * self._size
        poly = _poly(vertices_mm + lift_mm * lifted.vertex_normals, faces)
        self.plotter.add_mesh(poly, name="region", color=_REGION, opacity=0.55, reset_camera=False, pickable=False)
        self._lines([np.concatenate([loop, loop[:1]]) for loop in loops_mm], "edges", _REGION)

    def _lines(self, lines: Sequence[Floats], name: str, colour: str) -> None:
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
        actor = self.plotter.add_mesh(poly, name=name, color=colour, line_width=3, reset_camera=False, pickable=False)
        mapper = actor.GetMapper()
        mapper.SetResolveCoincidentTopologyToPolygonOffset()
        mapper.SetRelativeCoincidentTopologyLineOffsetParameters(-4.0, -8.0)

    def close(self) -> None:
        """Free the window it is drawn in."""
        self.plotter.close()


def _pairs(p: Floats, closed: bool) -> list[tuple[Floats, Floats]]:
    """Each point with the one that follows."""
    return list(zip(p, np.roll(p, -1, axis=0)))[: len(p) if closed and len(p) > 2 else max(len(p) - 1, 0)]


def _poly(vertices_mm: Floats, faces: Ints) -> Any:
    import pyvista

    poly: Any = pyvista.PolyData
    return poly.from_regular_faces(np.ascontiguousarray(vertices_mm), np.ascontiguousarray(faces))


