"""A region on its hull that can be turned in the report: the scene as data, and the viewer that draws it.

The scene is made from VTK's own objects by trame-vtk's serialisers, without a server or a window; the viewer is the one
page that trame-vtk carries for such data. It goes into the report once, each region's data beside it.
"""

from __future__ import annotations

import base64
import gzip
import io
import json
import os
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from ..progress import Tell, quiet
from ..surface.mesh import Floats, Surface
from .bag import _over, lead_of
from .hull import Stage, _dense
from .scene import lifted, thinned
from .style import FAINT, HULL, INK, TINT, steps
from .words import on_hull

if TYPE_CHECKING:
    from ..planned import LayerPlan, Plan, PlyPlan, RegionPlan
    from ..surface.region import Region

#: No scene has more triangles: a phone turns so many without a stutter.
MOST_TRIANGLES = 40_000
_NEAR, _FAR, _PATCH = 14_000, 4_000, 8_000
#: What is left for lines, marks and the caps of tubes, in points along lines: a tube of four sides takes eight triangles a point.
_LINE_POINTS, _SIDES = 1_300, 4
_LEAST_POINTS = 12
#: The hull is shown finely within this many sizes of the region about its middle.
_ABOUT = 0.9
#: A line's thickness and a mark's, shares of the region's size.
_THICK, _MARK = 0.0028, 0.008
#: Places to choose from for the name of a line.
_SPOTS = 24
#: Places are told to a sixteenth of a mm, which packs to half of what floats do.
_GRAIN_PER_MM = 16.0
#: How the serialisers name an object: its address in 16 figures, quoted or inside a reference.
_ADDRESS = re.compile(r"(?<=[\"{])[0-9a-f]{16}(?=[\"}-])")
#: Where a region's data goes in the viewer's page.
PLACE = "/*scene*/null"


@dataclass(frozen=True)
class Legend:
    """One line of a scene in words.

    Attributes
    ----------
    name : str
    colour : str
    """

    name: str
    colour: str


@dataclass(frozen=True)
class Turnable:
    """A region on its hull as data for the viewer.

    Attributes
    ----------
    region : str
    data : str
        JSON without markup: the scene, the names in it with their places, the boat's ways forward and up, the number of triangles.
    triangles : int
    legend : tuple of Legend
    """

    region: str
    data: str
    triangles: int
    legend: tuple[Legend, ...]

    @property
    def megabytes(self) -> float:
        """What it adds to the report, 1e6 bytes."""
        return len(self.data) / 1e6


@dataclass(frozen=True, eq=False)
class _Line:
    """A line over the hull with its name.

    Attributes
    ----------
    name, told : str
        The name at the line, and the words of the legend.
    parts_mm : tuple of (k, 3) float arrays
    colour : str
    thick : float
        Times the common thickness.
    closed : bool
    """

    name: str
    told: str
    parts_mm: tuple[Floats, ...]
    colour: str
    thick: float = 1.0
    closed: bool = True


@dataclass(frozen=True, eq=False)
class _Dot:
    """A place on the hull with its name."""

    name: str
    told: str
    place_mm: Floats
    colour: str


def turnables(plan: Plan, *, progress: Tell | None = None) -> tuple[Turnable, ...]:
    """Return a scene for each region of a plan.

    Parameters
    ----------
    plan : Plan
    progress : callable, optional
        Called with a stage and the share done.
    """
    tell = progress or quiet
    made = []
    for region in plan.regions:
        made.append(turnable(plan, region))
        tell("turning", len(made) / len(plan.regions))
    return tuple(made)


def turnable(plan: Plan, region: RegionPlan) -> Turnable:
    """Return a region on its hull with the edges of its plies and layers, its pleats and ports.

    Parameters
    ----------
    plan : Plan
    region : RegionPlan
    """
    stage = Stage(plan, region)
    with stage.scene:
        lines, dots = [*_lines(stage)], [*_dots(stage)]
        scene = _Scene(stage)
        for part, colour in _hull(stage):
            scene.add(part, colour)
        points = sum(len(q.parts_mm) for q in lines)
        for line in lines:
            scene.line(line, max(_LINE_POINTS // max(points, 1), _LEAST_POINTS))
        for dot in dots:
            scene.dot(dot)
        view = stage.views[0]
        told = {
            "triangles": scene.triangles, "half_mm": [view.half_width_mm, view.half_height_mm],
            "ways": [{"text": text, "way": way.tolist()} for text, way in (("forward", stage.forward), ("up", stage.up))],
            "names": _names(stage, lines, dots), "scene": scene.packed(),
        }  # fmt: skip
    legend = dict.fromkeys([*(Legend(q.told, q.colour) for q in lines), *(Legend(q.told, q.colour) for q in dots)])
    # No mark-up may begin within the data of a page.
    return Turnable(region.name, json.dumps(told).replace("<", "\\u003c"), scene.triangles, tuple(legend))


# -- what is shown --------------------------------------------------------------------------------------------------------


def _hull(stage: Stage) -> Iterator[tuple[Surface, str]]:
    """The hull, fine about the region and coarse far from it, and the region over it."""
    whole = stage.whole
    middle = whole.vertices_mm[whole.faces].mean(axis=1)
    base = stage.base.vertices_mm
    away = np.linalg.norm(middle - 0.5 * (base.min(axis=0) + base.max(axis=0)), axis=1)
    near = away < _ABOUT * stage.size_mm
    for part, most in ((near, _NEAR), (~near, _FAR)):
        if part.any():
            yield _light(whole.sub(part)[0], most), HULL
    yield _light(lifted(stage.base, stage.lift_mm), _PATCH), TINT


def _light(surface: Surface, most: int) -> Surface:
    return thinned(surface, most=most)


def _lines(stage: Stage) -> Iterator[_Line]:
    region = stage.region
    layers = [(q, q.region) for q in on_hull(region) if q.region is not None]
    shades = steps(len(region.plies) + len(layers) + 1)
    for ply, shade in zip(region.plies, shades):
        yield _Line(ply.name, _ply_told(ply), stage.edge(ply.region), shade)
    for (layer, where), shade in zip(layers, shades[len(region.plies) :]):
        yield _layer_line(stage, layer, where, shade)
    if region.fillet is not None:
        edges = tuple(stage.raised(q) for q in (region.fillet.first_line_mm, region.fillet.second_line_mm))
        yield _Line("fillet", f"fillet of {region.fillet.radius_mm:.0f} mm radius", edges, FAINT, 1.0, region.fillet.closed)
    elif region.corner is not None:
        yield _Line("corner", "corner line", (stage.raised(region.corner.points_mm),), FAINT, 1.0, region.corner.closed)
    if region.seams_mm:
        yield _Line("seam", "seams of the region", tuple(map(stage.raised, region.seams_mm)), INK, 0.8, closed=False)
    yield _Line("warp", "warp line", (stage.raised(np.asarray(region.warp_mm)),), INK, 0.8, closed=False)
    if region.reach is not None:
        for pleat in region.reach.pleats:
            yield _Line("", "pleats, by number", (lead_of(stage, region.reach, pleat),), INK, 1.2, closed=False)


def _ply_told(ply: PlyPlan) -> str:
    return f"{ply.name}, {ply.cloth}, {ply.angle_deg + 0.0:g}°"


def _layer_line(stage: Stage, layer: LayerPlan, where: Region, shade: str) -> _Line:
    tape = layer.kind == "sealant tape"
    told = f"{layer.kind}, {layer.margin_mm:+.0f} mm"
    return _Line(layer.kind, told, stage.edge(where), FAINT if tape else shade, 2.0 if tape else 1.0)


def _dots(stage: Stage) -> Iterator[_Dot]:
    region = stage.region
    if region.reach is not None:
        over = _over(stage, region.reach)
        for p in region.reach.pleats:
            line = region.reach.tapes_mm[p.loop - 1]
            at = int(np.argmin(np.linalg.norm(line - np.asarray(p.place_mm), axis=1)))
            yield _Dot(str(p.number), "pleats, by number", over[p.loop - 1][at], INK)
    if region.stack is not None:
        for port in region.stack.ports:
            yield _Dot(port.name, f"{port.name} port", np.array(port.place_mm), steps(4)[0])


def _names(stage: Stage, lines: Sequence[_Line], dots: Sequence[_Dot]) -> list[dict[str, Any]]:
    """Names with places they may stand at and the hull's normals there: the viewer takes a place that faces the eye."""
    named = [(dot.name, dot.colour, dot.place_mm[None]) for dot in dots]
    for k, line in enumerate(lines):
        if line.name:
            dense = _dense(max(line.parts_mm, key=len), line.closed)
            # Neighbouring lines start elsewhere, so that their names keep apart.
            at = np.round((np.arange(_SPOTS) + k / len(lines)) / _SPOTS * len(dense)).astype(int) % len(dense)
            named.append((line.name, line.colour, dense[at]))
    points = np.concatenate([places for _, _, places in named])
    normals = stage.whole.face_normals[stage.whole.locate(points).face]
    spots = np.round(np.concatenate([points, normals], axis=1), 2)
    ends = np.cumsum([len(places) for _, _, places in named])[:-1]
    return [
        {"text": text, "colour": colour, "spots": own.tolist()}
        for (text, colour, _), own in zip(named, np.split(spots, ends))
    ]  # fmt: skip


# -- the scene ------------------------------------------------------------------------------------------------------------


class _Scene:
    """Things to be drawn elsewhere, and their triangles counted."""

    def __init__(self, stage: Stage) -> None:
        if not os.environ.get("DISPLAY") and os.name == "posix":
            os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
        import pyvista

        self._kit: Any = pyvista
        make: Any = pyvista.Plotter
        self._plotter: Any = make(off_screen=True)
        self._stage = stage
        self.triangles = 0

    def add(self, surface: Surface, colour: str) -> None:
        mesh = self._kit.PolyData.from_regular_faces(_grained(surface.vertices_mm), surface.faces.astype(np.int32))
        self._mesh(mesh, colour)

    def line(self, line: _Line, points: int) -> None:
        for part in line.parts_mm:
            dense = _grained(_dense(part, line.closed))
            path = self._kit.PolyData(dense, lines=np.r_[len(dense), np.arange(len(dense))])
            thin = path.decimate_polyline(max(1.0 - points / len(dense), 0.0))
            tube = thin.tube(radius=line.thick * _THICK * self._stage.size_mm, n_sides=_SIDES, capping=True)
            self._mesh(tube.triangulate(), line.colour)

    def dot(self, dot: _Dot) -> None:
        radius = _MARK * self._stage.size_mm
        self._mesh(self._kit.Sphere(radius=radius, center=dot.place_mm, theta_resolution=8, phi_resolution=6), dot.colour)

    def _mesh(self, mesh: Any, colour: str) -> None:
        self.triangles += mesh.n_cells
        with_normals = mesh.compute_normals(
            cell_normals=False, split_vertices=True, feature_angle=40.0, consistent_normals=False, auto_orient_normals=False
        )
        look = {"color": colour, "smooth_shading": True, "ambient": 0.35, "diffuse": 0.65, "specular": 0.0}
        self._plotter.add_mesh(with_normals, **look, render=False)

    def packed(self) -> str:
        """Return everything as the viewer takes it: a zip archive in base64."""
        from trame_vtk.modules.vtk import serializers as kit

        self._look()
        kit.configure_serializer(skip_light=True, encode_lut=True)
        kit.initialize_serializers()
        context = kit.SynchronizationContext()
        context.set_ignore_last_dependencies(True)
        window = self._plotter.render_window
        scene = kit.serialize(None, window, kit.reference_id(window), context, 1)
        camera = self._plotter.renderer.GetActiveCamera()
        scene["mtime"] = 1  # else a count of everything that VTK has changed so far
        scene["extra"] = {
            "vtkRefId": kit.reference_id(window), "centerOfRotation": camera.GetFocalPoint(), "camera": kit.reference_id(camera),
        }  # fmt: skip
        hashes = {
            entry["hash"]: {**entry, "content": context.get_cached_data_array(entry["hash"], False)}
            for entry in kit.extract_array_hash(scene)
        }
        self._plotter.close()
        return _zipped(_renamed(json.dumps({"hashes": hashes, "scene": scene})))

    def _look(self) -> None:
        """Look at the region as its first picture does; from how far is for the viewer, which knows its own shape."""
        view = self._stage.views[0]
        camera = self._plotter.camera
        camera.position = view.centre_mm + self._stage.reach_mm * view.back
        camera.focal_point, camera.up = view.centre_mm, view.up
        self._plotter.reset_camera_clipping_range()


def _grained(points_mm: Floats) -> Any:
    return (np.round(points_mm * _GRAIN_PER_MM) / _GRAIN_PER_MM).astype(np.float32)


def _renamed(text: str) -> str:
    """Names of objects by their order instead of their place in memory, so that the same plan gives the same bytes."""
    order: dict[str, str] = {}
    return _ADDRESS.sub(lambda found: order.setdefault(found[0], f"{len(order):016d}"), text)


def _zipped(text: str) -> str:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        # A fixed date, for the same end.
        entry = zipfile.ZipInfo("index.json", (1980, 1, 1, 0, 0, 0))
        archive.writestr(entry, text, zipfile.ZIP_DEFLATED, 9)
    return base64.b64encode(out.getvalue()).decode("ascii")


# -- the viewer -----------------------------------------------------------------------------------------------------------


def viewer_page() -> str:
    """Return the page of the viewer, in which `PLACE` stands for a region's data.

    It holds no address outside itself: the schemes of those in remarks, in words of a warning and in the address of an icon are
    taken out, and its own policy forbids the browser to fetch anything.
    """
    text = resources.files("trame_vtk.tools").joinpath("static_viewer.html").read_text(encoding="utf-8")
    module = text[text.index('<script type="module">') : text.rindex("</script>") + len("</script>")]
    module = re.sub(r"https://[^`]*favicon[^`]*", "data:,", module)
    # The base that paths inside the archive are counted from; then what stands in remarks.
    module = re.sub(r"https?://", "", module.replace("http://any", "file:///"))
    frame = resources.files(__package__).joinpath("turn.html").read_text(encoding="utf-8")
    return frame.replace("<!--viewer-->", module)


def viewer_data() -> str:
    """Return the page of the viewer, packed by gzip and in base64."""
    return base64.b64encode(gzip.compress(viewer_page().encode("utf-8"), 9, mtime=0)).decode("ascii")
