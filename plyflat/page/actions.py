"""What can be done on the page of one job, and what is shown after it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from .. import units
from ..errors import JobError, OutlineError, OutputError, PlyflatError, QuantityError
from ..job.model import Job, Mesh
from ..report.faults import places_of
from ..surface.load import UNITS_MM
from ..surface.mesh import Floats, Surface
from .alone import Bagged, Cut, Summed
from .draft import (
    Draft,
    add_ply,
    add_region,
    outline_value,
    point_text,
    put_member_outline,
    put_region_key,
    put_value,
    put_way,
    region_table,
    remove_member,
    remove_ply,
    remove_region,
)
from .guard import LARGEST_UPLOAD, inside
from .hold import sweep
from .look import Look, Worked, work_out
from .marks import MARKS, SAID, Mark, Placed, area_points, points_of, warp_points
from .settings import NAMED, At, chosen_path, copy_named, entries, more, rows, typed
from .shades import Shade
from .view import SIDES, Copies, Scene
from .work import INNER, Standby, Task, Told, inner_fault

HINT = "Drag to turn, wheel to come nearer, with Shift held to move."
#: Everything the page's template speaks of, before a job is open.
BLANK: dict[str, Any] = {
    "opened": False, "title": "", "file": "", "sides": list(SIDES), "hint": HINT, "message": "", "faults": [], "recovered": "",
    "picture_of": "", "region": "", "regions": [], "meshes": [], "meshes_changed": False, "way": "", "by_outline": False, "cloths": [],
    "bags": [], "bag": "", "warp": "", "plies": [], "openings": [], "known": "",
    "ways": [{"key": m.key, "label": m.label, "area": m.area} for m in MARKS.values()],
    "mesh_said": "", "repairs": [], "fault": -1,
    "settings": [], "setting": "", "setting_rows": [], "setting_more": [], "setting_named": False, "new_key": "", "new_value": "", "copy_name": "",
    "new_way": "outline", "say": "outline", "marking": "", "marking_of": "", "prompt": "", "least": 0, "most": 0, "asks": [], "values": {},
    "points": [], "typed": "", "new_name": "", "new_mesh": "", "look": "", "pieces": [], "piece": 0, "pieces_are": "", "pieces_said": [],
    "shades": [], "shade": "", "legend": {}, "film_said": [], "pleats": [], "sums": [], "alone_lays": [], "alone_lay": 0, "alone_stage": "", "alone_old": False, "busy": False, "stage": "", "share": 0.0, "stale": False,
    "lines": [], "cautions": [], "results": [], "drawings": [], "drawing": 0, "folder": "", "text": "", "unsaved": False,
    "can_undo": "", "can_redo": "", "tabs": 1, "units": list(UNITS_MM),
    "file_changed": False, "mesh_file": "", "unkept": "", "set_aside": "", "new_file": "",
    "where": "", "jobs": [], "files": [], "chosen": "", "chosen_unit": "", "opening": "", "preview": "", "sent": "", "most_bytes": LARGEST_UPLOAD,
}  # fmt: skip
#: What of it is known of a region that is worked out by itself.
_ALONE = ("shades", "shade", "legend", "film_said", "pleats", "sums", "alone_lays", "alone_lay", "alone_stage", "alone_old")
#: What the page may ask for by name.
ACTIONS = (
    "undo", "redo", "save", "see", "see_region", "see_shade", "see_fault", "turn_by", "nearer", "two_fingers", "choose", "begin", "mark", "done", "leave", "set_value", "type_point",
    "remove_point", "add_point", "set_ply", "add_ply", "remove_ply", "set_bag", "set_warp", "remove_opening", "remove_known",
    "remove_region", "choose_setting", "set_setting", "remove_setting", "copy_setting", "remove_table", "work_out", "stop", "stop_alone", "put_text", "drop_recovered", "save_as", "take_file",
)  # fmt: skip


class Page:
    """The page of one job file.

    Parameters
    ----------
    draft : Draft
    copies : dict of str to Copies
        The job's meshes, mended as the plan has them, with what is drawn of them.
    state : trame state
    standby, alone : Standby
        Answer looks, and work a region out by itself; they end with the page.
    view : View or None
        Where the hull is shown; None where nobody looks.
    """

    def __init__(self, draft: Draft, copies: dict[str, Copies], state: Any, *, standby: Standby, alone: Standby, view: Any = None) -> None:
        self.draft, self.state = draft, state
        self.surfaces = {name: copy.full for name, copy in copies.items()}
        self._of = mesh_tables(draft.sound_job())
        self._copies = copies
        self._scenes: dict[str, Scene] = {}
        self._task: Task | None = None
        self._standby, self._alone = standby, alone
        self._view = view
        self._output = draft.path
        self._worked_of = ""
        self._working_on = ""
        self._found: Look | None = None
        self._shades: dict[str, Shade] = {}
        self._wished = ""
        self._said_of: dict[str, str] = {}
        self._eye_set = False
        self._pending: list[Floats] = []
        self._placed: list[Placed] = []
        self._of_areas: list[Placed] = []
        self._new: tuple[str, str] | None = None
        state.update({
            **{key: BLANK[key] for key in ("message", "marking", "lines", "drawings", "results", "look", "pieces", "busy", "stale", "region", *_ALONE)},
            "opened": True, "file": str(draft.path), "meshes": list(copies), "new_mesh": next(iter(copies)),
            "recovered": draft.steps[-1] if draft.recovered and draft.steps else "", "set_aside": draft.set_aside,
        })  # fmt: skip
        self._take_up_marks()
        self.show()

    # -- what is shown --------------------------------------------------------------------------------------------------
    def show(self) -> None:
        """Bring everything shown up to what the draft says."""
        state, draft = self.state, self.draft
        state.text, state.unsaved, state.unkept = draft.text, draft.unsaved, draft.unkept
        state.can_undo = draft.steps[-1] if draft.steps else ""
        state.can_redo = draft.undone[-1] if draft.undone else ""
        state.stale = bool(self._worked_of) and self._worked_of != draft.text
        state.faults = []
        try:
            state.meshes_changed = mesh_tables(draft.job()) != self._of
        except JobError as error:
            state.faults = list(error.faults)
        try:
            document = draft.document().unwrap()
        except JobError:
            return
        self._show_document(document)
        self._show_points()

    def _show_document(self, document: dict[str, Any]) -> None:
        state = self.state
        state.title = str(document.get("name", ""))
        state.cloths, state.bags = list(document.get("cloth", {})), list(document.get("bag", {}))
        rows = document.get("region", [])
        state.regions = [{"name": str(r.get("name", "")), "mesh": str(r.get("mesh", ""))} for r in rows]
        names = [r["name"] for r in state.regions]
        if state.region not in names:
            state.region = names[0] if names else ""
        row: dict[str, Any] = next((r for r in rows if r.get("name") == state.region), {})
        state.way = "said by " + next((words for way, words in SAID.items() if way in row), "nothing yet")
        state.by_outline, state.bag = "outline" in row, str(row.get("bag", ""))
        warp = row.get("warp", "forward")
        state.warp = warp if isinstance(warp, str) else "two points"
        state.plies = [
            {"cloth": str(p.get("cloth", "")), "angle": str(p.get("angle", "")), "grow": str(p.get("grow", "0 mm"))}
            for p in row.get("ply", [])
        ]
        self._of_areas = area_points(row)
        state.known = _known_text(document.get("mesh", {}).get(self.mesh, {}))
        if not state.marking:
            self._placed = points_of(row)
            self._pending = [p.at_mm for p in self._placed]
        state.openings = [self._opening(key, k, area) for key in ("minus", "plus") for k, area in enumerate(row.get(key, []))]
        self._show_settings(document)
        self._show_mesh()
        self.scene.show_warp(warp_points(row))

    def _show_mesh(self) -> None:
        """Tell what the mesh is and what was found on it; what is numbered on the hull stays while that mesh does."""
        surface = self.surfaces[self.mesh]
        if self.mesh not in self._said_of:
            # A mended mesh has no points without triangles; it is measured once, since every change comes by here.
            long, wide, high = sorted((np.ptp(surface.vertices_mm, axis=0) / 1000.0).tolist(), reverse=True)
            self._said_of[self.mesh] = f"{self.mesh}: {len(surface.faces)} triangles, {long:.2f} by {wide:.2f} by {high:.2f} m"
        self.state.mesh_said = self._said_of[self.mesh]
        repairs = [{"what": r.what, "count": r.count, "left": r.severity == "left", "places": len(places_of(r))} for r in surface.repairs]
        if self.state.repairs != repairs:
            self.state.update({"repairs": repairs, "fault": -1})

    def see_fault(self, number: int) -> None:
        """Number the places of one kind of fault on the hull and look at the worst, or take the numbers away again."""
        number = -1 if self.state.fault == int(number) else int(number)
        self.state.fault = number
        places = places_of(self.surfaces[self.mesh].repairs[number]) if number >= 0 else np.zeros((0, 3))
        self.scene.show_faults(places)
        if len(places):
            self.eye_set()
            self.scene.see_place(places[0])
        self._redraw()

    def _show_settings(self, document: dict[str, Any]) -> None:
        state, found = self.state, list(entries(document, self.state.region))
        state.settings = [entry.title for entry in found]
        if state.setting not in state.settings:
            state.setting = next((title for title in state.settings if title.startswith("cloth: ")), state.settings[0])
        path = chosen_path(found, state.setting)
        state.setting_named = len(path) == 2 and path[0] in NAMED and path[0] != "mesh"
        state.setting_rows = [asdict(row) for row in rows(document, path)]
        state.setting_more = [asdict(row) for row in more(document, path)]

    def _opening(self, key: str, number: int, area: Any) -> dict[str, Any]:
        """One of the areas that a region takes out or in, as the page lists it; its points are numbered on from the region's."""
        first = len(self._pending)
        own = [(first + k, p) for k, p in enumerate(self._of_areas) if p.path[:2] == (key, number)]
        return {
            "key": key, "number": number, "text": _area_text(key, area), "by_outline": any("outline" in p.path for _, p in own),
            "points": [{"number": k, "name": p.name, "text": point_text(p.at_mm)} for k, p in own],
        }  # fmt: skip

    def _rings(self) -> list[Floats]:
        """The outlines of those areas; a point that stands alone is one too."""
        rings: dict[tuple[str | int, ...], list[Floats]] = {}
        for p in self._of_areas:
            rings.setdefault(p.path[:3] if "outline" in p.path else p.path, []).append(p.at_mm)
        return [np.array(ring) for ring in rings.values()]

    def _show_points(self) -> None:
        mark, state = self._mark, self.state
        names = [f"Point {k + 1}" for k in range(len(self._pending))] if mark else [p.name for p in self._placed]
        state.points = [{"name": name, "text": point_text(p)} for name, p in zip(names, self._pending)]
        if mark is not None:
            state.prompt = mark.prompt(len(self._pending))
        joined = mark.closed if mark else state.by_outline
        lines = joined or mark is MARKS["warp"] or mark is MARKS["distance"]
        # While something is marked its own points alone can be held.
        rings = [] if mark else self._rings()
        own = np.array(self._pending).reshape(-1, 3)
        self.scene.show_points(own, closed=joined and len(own) > 2, joined=lines, rings=rings)
        self._redraw()

    @property
    def _mark(self) -> Mark | None:
        """What is being marked."""
        return MARKS.get(self.state.marking)

    @property
    def mesh(self) -> str:
        """The mesh that is looked at."""
        if self._new is not None:
            return self._new[1]
        found = next((r["mesh"] for r in self.state.regions if r["name"] == self.state.region), "")
        return found if found in self.surfaces else next(iter(self.surfaces))

    @property
    def scene(self) -> Scene:
        """The scene of that mesh; made when it is first looked at."""
        if self.mesh not in self._scenes:
            boat = self._boat()
            self._scenes[self.mesh] = Scene(self._copies[self.mesh], forward=boat[0], up=boat[1])
        return self._scenes[self.mesh]

    def _boat(self) -> tuple[list[float], list[float]]:
        try:
            boat = self.draft.job().boat
            return list(boat.forward), list(boat.up)
        except JobError:
            return [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]

    def _redraw(self) -> None:
        if self._view is not None:
            self.state.picture_of = self._view.use(self, self.scene)

    def see(self, side: str) -> None:
        """Look at the hull from a side of the boat."""
        self.eye_set()
        self.scene.see(side)
        self._redraw()

    def eye_set(self) -> None:
        """Leave the eye where the builder put it: it goes to the region by itself only before that."""
        self._eye_set = True

    def see_region(self) -> None:
        """Look square at the region as it was found."""
        if self._found is not None:
            self.scene.see_patch(Surface(self._found.vertices_mm, self._found.faces))
            self._redraw()

    def see_shade(self, name: str) -> None:
        """Show how far a ply gives or how far the film stands off on the hull, or with no name the region alone; kept as the wish."""
        self._wished = name
        self._show_shade()
        self._redraw()

    def _show_shade(self) -> None:
        """Show what was wished for, where it is known."""
        shade = self._shades.get(self._wished)
        self.scene.show_shade(shade)
        self.state.update({"shade": "" if shade is None else shade.name, "legend": {} if shade is None else shade.legend})

    def _take_shades(self, shades: Sequence[Shade]) -> None:
        self._shades.update({shade.name: shade for shade in shades})
        self.state.shades = list(self._shades)
        self._show_shade()
        self._redraw()

    def turn_by(self, across_deg: float, up_deg: float) -> None:
        """Turn the hull, as by the keys."""
        self.eye_set()
        self.scene.turn_by(float(across_deg), float(up_deg))
        self._redraw()

    def nearer(self, factor: float) -> None:
        """Come nearer, or with a factor below one go farther off."""
        self.eye_set()
        self.scene.nearer(float(factor))
        self._redraw()

    def two_fingers(self, factor: float, across: float, up: float, moving: bool) -> None:
        """Come nearer and move what is seen, as by two fingers; what the first of them began is forgotten.

        Parameters
        ----------
        factor : float
            Above one to come nearer.
        across, up : float
            Shares of the picture's width and height.
        moving : bool
            Whether they are still down.
        """
        if self._view is not None:
            self._view.let_go()
        self.eye_set()
        self.scene.turn(bool(moving))
        self.scene.nearer(float(factor))
        self.scene.shift(float(across), float(up))
        self._redraw()

    # -- steps ----------------------------------------------------------------------------------------------------------
    def _change(self, what: str, edit: Callable[[Any], None]) -> None:
        self.draft.change(what, edit)
        self.show()
        self.look()

    def undo(self) -> None:
        """Take the last step back; while something is marked, its last point."""
        if self._mark is not None:
            if self._pending:
                self._pending.pop()
                self._points_changed("")
            return
        self.draft.undo()
        self.show()
        self.look()

    def redo(self) -> None:
        """Make it again."""
        self.draft.redo()
        self.show()
        self.look()

    def save(self) -> None:
        """Write the job file."""
        self.draft.save()
        self.state.recovered = ""
        self.show()

    def drop_recovered(self) -> None:
        """Go back to what the job file holds."""
        self.draft.back_to_file()
        self.state.recovered = ""
        self.show()
        self.look()

    def save_as(self, name: str) -> None:
        """Write the job under another name in its folder, and go on there; a file that is there is never written over."""
        bare = name.strip()
        if not bare or bare.startswith(".") or Path(bare).name != bare:
            raise OutputError(f"{name!r} is no name for a job file", do='Write one such as "keel.toml".')
        folder = self.draft.path.parent
        self.draft.save(inside(folder / (bare if bare.lower().endswith(".toml") else f"{bare}.toml"), [folder]))
        self.state.update({"recovered": "", "new_file": "", "file_changed": False, "file": str(self.draft.path)})
        self.show()

    def take_file(self) -> None:
        """Take the job file as it was changed elsewhere; that can be taken back as any step."""
        self._end_marking()
        self.draft.take_file()
        self.state.file_changed = False
        self.show()
        self.look()

    def choose(self, name: str) -> None:
        """Go to another region."""
        self._end_marking()
        self.state.region, self._eye_set = name, False
        self.scene.show_region(None, None)
        self.show()
        self.look()

    # -- marking --------------------------------------------------------------------------------------------------------
    def begin(self, name: str, mesh: str, way: str = "outline") -> None:
        """Begin a new region: where it is is marked first."""
        name = name.strip()
        if any(r["name"] == name for r in self.state.regions):
            raise QuantityError(f"there is a region {name!r} already", do="Choose another name.")
        self._begin(way, new=(name, mesh))

    def mark(self, key: str = "outline") -> None:
        """Mark something of the region that is shown."""
        self._begin(key, new=None)

    def _begin(self, key: str, *, new: tuple[str, str] | None) -> None:
        mesh = self.mesh if new is None else new[1]
        if key == "tape" and self.surfaces[mesh].colors is None:
            raise OutlineError("this mesh has no colours, so no tape can be seen on it", where=mesh, do="Mark an outline instead.")
        self._new, self._pending = new, []
        self._set_marking(key, MARKS[key].begin_values())
        if MARKS[key].area:
            self.scene.show_region(None, None)
        self._points_changed("")

    def _set_marking(self, key: str, values: dict[str, str]) -> None:
        mark = MARKS[key]
        self.eye_set()
        of = self._new[0] if self._new else self.mesh if key == "distance" else self.state.region
        self.state.update({
            "marking": key, "marking_of": f"{of}: {mark.label}", "least": mark.least, "most": mark.most or 0, "values": values,
            "asks": [{"key": a.key, "label": a.label, "choice": list(a.choice)} for a in mark.asks],
        })  # fmt: skip

    def _take_up_marks(self) -> None:
        """Go on with what was being marked when the page was left."""
        kept = self.draft.marks or {}
        mark, new = MARKS.get(str(kept.get("marking"))), kept.get("new")
        if mark is None or (new is not None and new[1] not in self.surfaces):
            return
        self.state.region = kept["region"]
        self._new = None if new is None else (new[0], new[1])
        self._pending = [np.array(p, dtype=float) for p in kept["points"]]
        self._set_marking(mark.key, {**mark.begin_values(), **kept["values"]})

    def _keep_marks(self) -> None:
        self.draft.keep_marks({
            "marking": self.state.marking, "region": self.state.region, "new": None if self._new is None else list(self._new),
            "points": [[float(c) for c in p] for p in self._pending], "values": dict(self.state.values),
        })  # fmt: skip
        self.state.unkept = self.draft.unkept

    def _end_marking(self) -> None:
        self.state.marking, self._new = "", None
        self.draft.keep_marks(None)

    def set_value(self, key: str, text: str) -> None:
        """Answer what is asked beside the clicks."""
        self.state.values = {**self.state.values, key: text}
        self._keep_marks()

    def leave(self) -> None:
        """Leave everything as it was."""
        self._end_marking()
        self.show()
        self.look()

    def done(self) -> None:
        """Put what was marked into the job."""
        mark, new = self._mark, self._new
        if mark is None:
            return
        points, values = mark.checked(self._pending, self.state.values)
        cloth = self.state.cloths[0] if self.state.cloths else ""
        of = self.mesh if mark.key == "distance" else new[0] if new else self.state.region

        def edit(document: Any) -> None:
            if new is not None:
                add_region(document, new[0], mesh=new[1], cloth=cloth)
            mark.put(document, of, points, values)

        self.draft.change(f"new region {of}" if new else f"{mark.label.partition(',')[0].lower()} of {of}", edit)
        if new is not None:
            self.state.region, self.state.new_name = new[0], ""
        self._end_marking()
        self.show()
        self.look()

    def clicked(self, x: float, y: float) -> None:
        """Take a click on the picture: while something is marked it is one more point.

        Parameters
        ----------
        x, y : float
            Share of the picture's width and height, from its lower left corner.
        """
        at = self.scene.pick(x, y)
        if at is None:
            self.state.hint = "That was beside the hull. " + HINT
            return
        self.state.hint = f"{point_text(at)}; one pixel here is {self.scene.mm_per_pixel(at):.2g} mm. " + HINT
        if self._mark is not None:
            self._add(at)

    def _add(self, at: Floats) -> None:
        mark = self._mark
        if mark is not None and mark.most == 1:
            self._pending = []
        if mark is not None and mark.most is not None and len(self._pending) >= mark.most:
            self.state.hint = mark.prompt(len(self._pending))
            return
        self._pending.append(at)
        self._points_changed("one more point")

    def moved(self, number: int, x: float, y: float) -> None:
        """Move a point to a place in the picture."""
        at = self.scene.pick(x, y)
        if at is not None:
            self._move(number, at)

    def _move(self, number: int, at: Floats) -> None:
        point = self._of_area(number)
        if point is not None:
            self._move_of_area(point, at)
            return
        self._pending[number] = at
        if self._mark is not None or self.state.by_outline:
            self._points_changed(f"point {number + 1}")
            return
        placed, region = self._placed[number], self.state.region
        self._change(f"{placed.name} of {region}", lambda d: put_value(region_table(d, region), placed.path, point_text(at)))

    def _of_area(self, number: int) -> Placed | None:
        """The point of an opening or an added area that has a number; None where the number is one of the points before them."""
        first = len(self._pending)
        return self._of_areas[number - first] if self._mark is None and number >= first else None

    def _move_of_area(self, point: Placed, at: Floats) -> None:
        """Move a point of an opening or an added area."""
        region, step = self.state.region, f"{point.name.lower()} of {self.state.region}"
        if "outline" not in point.path:
            self._change(step, lambda d: put_value(region_table(d, region), point.path, point_text(at)))
            return
        self._put_area(point, step, [at if p is point else p.at_mm for p in self._with(point)])

    def _with(self, point: Placed) -> list[Placed]:
        """The points of the outline that a point of an area belongs to."""
        return [p for p in self._of_areas if p.path[:3] == point.path[:3]]

    def _put_area(self, point: Placed, step: str, points_mm: list[Floats]) -> None:
        key, number, region = str(point.path[0]), int(point.path[1]), self.state.region
        self._change(step, lambda d: put_member_outline(d, region, key, number, np.array(points_mm)))

    def _points_changed(self, what: str) -> None:
        """Show points that were changed; outside marking each change of an outline is a step of its own."""
        if self._mark is not None:
            self._keep_marks()
            self._show_points()
            return
        value, region = outline_value(np.array(self._pending)), self.state.region
        self._change(f"{what} of {region}", lambda d: put_way(d, region, "outline", value))

    def type_point(self, number: int, text: str) -> None:
        """Put a point where its numbers say."""
        self._move(int(number), _typed(text))

    def add_point(self, text: str) -> None:
        """Add a point by its numbers."""
        self._add(_typed(text))
        self.state.typed = ""

    def remove_point(self, number: int) -> None:
        """Take a point out."""
        point = self._of_area(int(number))
        if self._mark is None and len(self._pending if point is None else self._with(point)) <= 3:
            raise QuantityError("an outline has three points or more", do="Mark it anew, or move this point.")
        if point is not None:
            self._put_area(point, f"{point.name.lower()} of {self.state.region} out", [p.at_mm for p in self._with(point) if p is not point])
            return
        del self._pending[int(number)]
        self._points_changed(f"point {int(number) + 1} out")

    # -- the region's table ---------------------------------------------------------------------------------------------
    def set_ply(self, number: int, key: str, value: str) -> None:
        """Say cloth, angle or width of a ply."""
        region = self.state.region
        self._change(
            f"{key} of ply {int(number) + 1} of {region}",
            lambda d: put_value(region_table(d, region)["ply"], [int(number), key], value),
        )

    def add_ply(self) -> None:
        """Lay one more ply, like the last."""
        last = self.state.plies[-1] if self.state.plies else {"cloth": self.state.cloths[0], "angle": "0 deg"}
        self._change(
            f"one more ply of {self.state.region}",
            lambda d: add_ply(d, self.state.region, cloth=last["cloth"], angle=last["angle"]),
        )

    def remove_ply(self, number: int) -> None:
        """Take a ply off."""
        self._change(f"ply {int(number) + 1} of {self.state.region} out", lambda d: remove_ply(d, self.state.region, int(number)))

    def set_bag(self, name: str) -> None:
        """Choose one of the job's bags, or none."""
        self._change(f"bag of {self.state.region}", lambda d: put_region_key(d, self.state.region, "bag", name or None))

    def set_warp(self, way: str) -> None:
        """Let ply angles count from a direction of the boat; two points are marked."""
        if way == "two points":
            self.mark("warp")
            return
        self._change(f"warp line of {self.state.region}", lambda d: put_region_key(d, self.state.region, "warp", way))

    @property
    def _setting(self) -> At:
        """Where the table lies that is shown to be filled in."""
        return chosen_path(list(entries(self.draft.document().unwrap(), self.state.region)), self.state.setting)

    def choose_setting(self, title: str) -> None:
        """Show another table of the job."""
        self.state.setting = title
        self.show()

    def set_setting(self, key: str, text: str) -> None:
        """Say a key of the table that is shown."""
        path = self._setting
        value = typed(path, key, text)
        self._change(f"{key.replace('_', ' ')} of {self.state.setting}", lambda d: put_value(d, (*path, key), value))

    def remove_setting(self, key: str) -> None:
        """Take a key out of the table that is shown: what holds without it holds again."""
        path = self._setting
        self._change(f"{key.replace('_', ' ')} of {self.state.setting} out", lambda d: put_value(d, (*path, key), None))

    def copy_setting(self, name: str) -> None:
        """Put a copy of the table that is shown beside it, under another name, and show that."""
        path, title = self._setting, self.state.setting
        self._change(f"{title} copied as {name.strip()}", lambda d: copy_named(d, path, name))
        self.choose_setting(f"{title.partition(': ')[0]}: {name.strip()}")

    def remove_table(self) -> None:
        """Take the table that is shown out of the job."""
        path = self._setting
        self._change(f"{self.state.setting} out", lambda d: put_value(d, path, None))

    def remove_opening(self, key: str, number: int) -> None:
        """Take an opening, or an area that was added, off the list."""
        region = self.state.region
        what = "opening" if key == "minus" else "added area"
        self._change(f"{what} {int(number) + 1} of {region} out", lambda d: remove_member(d, region, key, int(number)))

    def remove_known(self) -> None:
        """Check no distance on this mesh."""
        mesh = self.mesh
        self._change(f"checked distance of {mesh} out", lambda d: put_value(d, ["mesh", mesh, "check_distance"], None))

    def remove_region(self) -> None:
        """Take the region out of the job."""
        self._change(f"region {self.state.region} out", lambda d: remove_region(d, self.state.region))

    def put_text(self, text: str) -> None:
        """Take a text from the page's own editor."""
        self.draft.put("the text", text)
        self.show()
        self.look()

    # -- long work ------------------------------------------------------------------------------------------------------
    def look(self) -> None:
        """Find the region and lay it flat roughly, then work it out by itself; what was begun before is given up."""
        self.scene.show_region(None, None)
        self._found = None
        self._alone.drop()
        self._shades = {}
        self._show_shade()
        known = bool(self.state.film_said or self.state.sums)
        self.state.update({"pieces_are": "old" if self.state.pieces else "", "pieces_said": [], "shades": [], "alone_old": known, "alone_stage": ""})
        if self.state.faults or not self.state.region or (self._mark is not None and self._mark.area):
            self._standby.drop()
            self.state.update({"look": "", "pieces": [], **{key: BLANK[key] for key in _ALONE}})
            return
        self.state.look = "looking …"
        self._standby.ask(self.draft.text, str(self.draft.path.parent), self.state.region)

    @property
    def looking(self) -> bool:
        """Whether a look is under way, or the templates after it."""
        return self._standby.busy or self._alone.busy

    def hear(self) -> None:
        """Take what looks and plans have told since the last time."""
        sources = [(self._standby, self._hear_look), (self._alone, self._hear_alone), (self._task, self._hear_plan)]
        for source, take in sources:
            news = source.news() if source is not None else []
            if news:
                with self.state:
                    take(news)

    def _hear_look(self, news: Sequence[Told]) -> None:
        parts = [told for told in news if told.kind == "part"]
        for told in news:
            if told.kind == "part":
                if told is not parts[-1]:
                    # What came with it says more; each picture takes a while to draw.
                    continue
                found: Look = told.content
                self._found = found
                self.scene.show_region(found.vertices_mm, found.faces, found.loops_mm)
                self.state.look = said(found)
                if found.drawing:
                    self.state.update({"pieces": [("First look", found.drawing)], "piece": 0, "pieces_are": "rough"})
                if not self._eye_set:
                    self.eye_set()
                    self.see_region()
                self._redraw()
            elif told.kind == "fault":
                self.state.update({"look": f"Not found: {told.content}", "pieces": []})
            elif told.kind == "done":
                self.state.alone_stage = "Laps, trim and notches are being worked out …"
                self._alone.ask(self.draft.text, str(self.draft.path.parent), self.state.region)

    def _hear_alone(self, news: Sequence[Told]) -> None:
        for told in news:
            if told.kind == "part":
                self._take_alone(told.content)
            elif told.kind == "fault":
                self.state.update({"alone_stage": "", "pieces_said": [*self.state.pieces_said, f"Not worked out any further: {told.content}"]})
            elif told.kind == "done":
                self.state.alone_stage = ""

    def _take_alone(self, found: Cut | Bagged | Summed) -> None:
        state = self.state
        if isinstance(found, Cut):
            state.update({"pieces": list(found.drawings), "piece": 0, "pieces_are": "final"})
            state.pieces_said = [*found.gives, *found.cautions]
            state.alone_stage = f"{'Film, lays' if state.bag else 'Lays'} and quantities are being worked out …"
            if not state.bag:
                state.update({"film_said": [], "pleats": []})
            self._take_shades(found.shades)
        elif isinstance(found, Bagged):
            state.update({"film_said": [found.words, *found.cautions], "pleats": [list(row) for row in found.pleats]})
            self._take_shades([] if found.shade is None else [found.shade])
        else:
            lay = state.alone_lay if state.alone_lay < len(found.lays) else 0
            state.update({"sums": [list(row) for row in found.rows], "alone_lays": list(found.lays), "alone_lay": lay, "alone_old": False})

    def work_out(self) -> None:
        """Work the whole job out in the background."""
        if self._task is not None and not self._task.over:
            return
        self._output = Path(f"{self.draft.path.with_suffix('')}_plan")
        self._task = Task(work_out, self.draft.text, str(self.draft.path.parent), str(self._output))
        self._working_on = self.draft.text
        self.state.update({"busy": True, "stage": "starting", "share": 0.0})

    def _hear_plan(self, news: Sequence[Told]) -> None:
        for told in news:
            if told.kind == "progress":
                self.state.stage, self.state.share = told.content
                continue
            self.state.busy = False
            if told.kind == "fault":
                sweep(self._output)
                self.state.message = str(told.content)
                continue
            found: Worked = told.content
            self._worked_of = self._working_on
            self.state.update({
                "lines": list(found.lines), "cautions": [list(c) for c in found.cautions], "folder": found.folder,
                "drawings": [list(d) for d in found.drawings], "drawing": 0, "stale": self._worked_of != self.draft.text,
                "results": [
                    {"of": f"{r.region} / {r.ply}", "cloth": r.cloth, "pieces": r.pieces, "area": f"{r.area_m2:.3f} m²",
                     "gives": r.gives, "drawing": r.drawing}
                    for r in found.plies
                ],
            })  # fmt: skip

    def stop(self) -> None:
        """Stop the work at once."""
        if self._task is not None and not self._task.over:
            self._task.stop()
            sweep(self._output)
        self.state.busy = False

    def stop_alone(self) -> None:
        """Stop what is worked out of the region by itself; the next change begins it again."""
        self._standby.give_up()
        self._alone.give_up()
        if self._found is None:
            self.state.look = ""
        self.state.update({"alone_stage": "", "pieces_said": "Stopped. It is worked out again with the next change."})

    def close(self) -> None:
        """Stop what runs, free what is drawn."""
        self._standby.stop()
        self._alone.stop()
        if self._task is not None:
            self._task.stop()
        for scene in self._scenes.values():
            scene.close()


def told(state: Any, act: Callable[..., None]) -> Callable[..., None]:
    """Return an action whose faults are shown on the page, in words for the builder.

    Parameters
    ----------
    state : trame state
    act : callable
    """

    def run(*args: Any) -> None:
        state.message = ""
        caught(state, act, *args)
        state.flush()

    return run


def caught(state: Any, act: Callable[..., None], *args: Any) -> None:
    """Do something; where it fails the page says why, and lives on.

    Parameters
    ----------
    state : trame state
    act : callable
    args
    """
    try:
        act(*args)
    except PlyflatError as error:
        state.message = str(error)
    except OSError as error:
        state.message = f"a file cannot be read or written: {error}"
    except INNER as error:
        state.message = inner_fault(error)


def mesh_tables(job: Job) -> dict[str, Mesh]:
    """Return what a job says of its meshes, but for distances that are only checked.

    Parameters
    ----------
    job : Job
    """
    return {name: mesh.model_copy(update={"check_distance": None}) for name, mesh in job.meshes.items()}


def said(look: Look) -> str:
    """Return a look in words.

    Parameters
    ----------
    look : Look
    """
    area = f"{look.name}: {look.area_mm2 / 1e6:.3f} m²"
    if look.note:
        return f"{area}; {look.note}."
    if not max(look.size_mm):
        return f"{area}; laying it flat …"
    long, wide = sorted(look.size_mm, reverse=True)
    how = "flat" if look.pieces == 1 else f"opened into {look.pieces} pieces, side by side"
    return f"{area}; {how} about {long:.0f} by {wide:.0f} mm, laid flat it strains up to {100 * look.strain:.1f} % (99 % of the area)."


def _typed(text: str) -> Floats:
    """A point by its numbers, in mm where no unit stands behind them."""
    return np.array(units.point_mm(text if any(c.isalpha() and c not in "eE" for c in text) else f"{text.strip()} mm"))


def _area_text(key: str, area: Any) -> str:
    """One of the areas that a region takes out or in, in words."""
    if not isinstance(area, dict):
        return "cannot be read"
    what = "Taken out" if key == "minus" else "Added"
    clear = f", cloth stays clear by {area['margin']}" if "margin" in area else ""
    spot, outline = area.get("spot"), area.get("outline")
    if isinstance(spot, dict):
        return f"{what}: round, radius {spot.get('radius')}, at {spot.get('point')}{clear}"
    if isinstance(outline, dict):
        return f"{what}: outline of {len(outline.get('points', []))} points{clear}"
    return f"{what}: {next((words for way, words in SAID.items() if way in area), 'nothing said')}{clear}"


def _known_text(mesh: dict[str, Any]) -> str:
    """What the mesh says where the boat was measured, in words; empty where it was not."""
    known = mesh.get("check_distance")
    if not isinstance(known, dict):
        return ""
    try:
        ends = [np.array(units.point_mm(known.get(key))) for key in ("from", "to")]
        measured = units.length_mm(known.get("distance"))
    except QuantityError:
        return "the checked distance cannot be read"
    found = float(np.linalg.norm(ends[1] - ends[0]))
    return f"{measured:.1f} mm measured on the boat, {found:.1f} mm on the mesh: {100 * abs(found / measured - 1):.2f} % apart"
