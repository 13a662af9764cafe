"""Warnings: what each one leads to on the page, and where on the hull those lie that name a place."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..export.drawing import file_stem
from ..surface.mesh import Floats
from .bag import _numbers
from .hull import Stage, _directions, _page
from .scene import lifted
from .style import INK, TINT, Picture, as_png
from .words import counted

if TYPE_CHECKING:
    from ..planned import Caution, Plan

#: A place as every sentence of a plan writes it.
_PLACE = re.compile(r"\((-?\d+(?:\.\d+)?), (-?\d+(?:\.\d+)?), (-?\d+(?:\.\d+)?)\) mm")


@dataclass(frozen=True)
class Told:
    """A warning as the page shows it.

    Attributes
    ----------
    number : int
        From 1, in the plan's order.
    caution : Caution
    anchor : str
        Part of the page that it leads to; empty where it concerns the job as a whole.
    region : str
        Name of the region it concerns; empty where it concerns none.
    places_mm : (k, 3) float array
        Places that it names.
    """

    number: int
    caution: Caution
    anchor: str
    region: str
    places_mm: Floats

    @property
    def shown(self) -> bool:
        """Whether a picture of warnings shows it by its number."""
        return bool(self.region) and len(self.places_mm) > 0


def places_in(text: str) -> Floats:
    """Return the places (k, 3) that a sentence names, mm.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> places_in("short of the edge, near (10, -20.5, 3) mm").tolist()
    [[10.0, -20.5, 3.0]]
    """
    return np.array(_PLACE.findall(text), dtype=float).reshape(-1, 3)


def warnings_of(plan: Plan) -> tuple[Told, ...]:
    """Return the warnings of a plan, numbered, each with the part of the page it leads to.

    Parameters
    ----------
    plan : Plan
    """
    anchors = anchors_of(plan)
    out = []
    for number, caution in enumerate(plan.cautions, start=1):
        name = _longest(caution.where, anchors)
        region = _longest(caution.where, {r.name: "" for r in plan.regions})
        out.append(Told(number, caution, anchors.get(name, ""), region, places_in(caution.text)))
    return tuple(out)


def _longest(where: str, names: Mapping[str, str]) -> str:
    """The longest name that a warning's place begins with, as a whole; empty where there is none."""
    found = [n for n in names if where == n or (where.startswith(n) and where[len(n)] in ", ")]
    return max(found, key=len, default="")


def anchors_of(plan: Plan) -> dict[str, str]:
    """Return the parts of the page by the names of what they are about: regions, plies, bags, rolls, meshes.

    Parameters
    ----------
    plan : Plan
    """
    out: dict[str, str] = {}
    for k, region in enumerate(plan.regions, start=1):
        out[region.name] = f"region-{k}"
        out.update({f"{region.name} {ply.name}": f"region-{k}-{ply.name}" for ply in region.plies})
        if region.layers:
            out[f"{region.name}, bag"] = out[f"{region.name}, bag film"] = f"region-{k}-bag"
    out.update({roll.material: f"lay-{k}" for k, roll in enumerate(plan.rolls, start=1) if roll.lays})
    out.update({f"mesh {mesh.name}": f"mesh-{k}" for k, mesh in enumerate(plan.meshes, start=1)})
    return out


def warned_picture(stage: Stage, warnings: Sequence[Told]) -> Picture | None:
    """Return where on the hull a region's warnings lie, by their numbers; None where none names a place.

    Parameters
    ----------
    stage : Stage
    warnings : sequence of Told
        Of the whole job.
    """
    placed = [(w, place) for w in warnings if w.shown and w.region == stage.region.name for place in w.places_mm]
    if not placed:
        return None
    stage.scene.clear()
    stage.scene.add(stage.whole)
    stage.scene.add(lifted(stage.base, stage.lift_mm), colour=TINT)
    for loop in stage.edge(stage.region.base):
        stage.scene.line(loop, colour=INK, width=2.5, closed=True)
    shots = stage.shoot()
    title = f"{stage.region.name}: places of the warnings"
    figure, axes = _page(title, shots, stage.height_in, foot_in=0.0)
    found = stage.whole.locate(np.array([place for _, place in placed]))
    # Out of corners, whose walls would hide them.
    points = found.points_mm + 4 * stage.lift_mm * stage.whole.face_normals[found.face]
    named = [(str(w.number), point) for (w, _), point in zip(placed, points)]
    for ax, shot in zip(axes, shots):
        _numbers(ax, shot, stage, named, beside=True)
        _directions(ax, shot, stage)
    words = "; ".join(f"{w.number} at ({', '.join(f'{c:.0f}' for c in place)}) mm" for w, place in placed)
    return Picture(
        file_stem(stage.region.name, "warnings"),
        title,
        f"The region {stage.region.name} on the shaded hull with {counted(len(placed), 'place')} numbered as in the list of warnings: {words}.",
        as_png(figure),
        ("warnings", stage.region.name),
    )
