"""The job sheet: one HTML file that holds everything and needs nothing."""

from __future__ import annotations

import base64
import math
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from importlib import resources
from typing import TYPE_CHECKING, Any, NamedTuple

from ..export.planjson import versions
from ..export.tables import Laid, cloth_name, laid_pieces
from ..job.resolved import assumed
from ..plies_below import lying_words
from ..units import say_percent as percent
from .bag import PLEAT_HEAD, WALL_HEAD, pleat_rows, radius_words, reach_words, spot_rows, wall_rows
from .day import Block, day_blocks
from .drape import drape_words, tried_rows
from .film import (
    CURE_HEAD,
    LAYER_HEAD,
    STATE_HEAD,
    cure_rows,
    film_found_words,
    film_method_words,
    layer_rows,
    state_rows,
)
from .lays import lay_words
from .stack import stack_blocks, stack_words
from .style import Picture
from .taped import MARK_HEAD, mark_rows, mark_words
from .turn import PLACE, Turnable, viewer_data
from .warned import warnings_of
from .whole_film import BESIDE_HEAD, WHOLE_HEAD, beside_rows, whole_rows, whole_words
from .words import (
    CARE,
    METHODS,
    NEAR_HEAD,
    amount,
    counted,
    in_short,
    near_row,
    near_words,
    on_hull,
    order_of_working,
    square_metres,
    where_it_is,
)

if TYPE_CHECKING:
    from ..cloth.darts import Dart
    from ..planned import Check, LayerPlan, MeshPlan, Plan, PlyPlan, RegionPlan, RollPlan
    from ..shop.quantity import Quantity


class Head(NamedTuple):
    """Head of a column.

    Attributes
    ----------
    words : str
    number : bool
        Whether its cells are numbers, set to the right.
    """

    words: str
    number: bool = False


class Figure(NamedTuple):
    """A picture as the page needs it.

    Attributes
    ----------
    source : str
        The picture itself, as a data address.
    alt, title : str
    width, height : int
        Pixels as shown on a wide screen.
    """

    source: str
    alt: str
    title: str
    width: int
    height: int


def _head(*words: str) -> list[Head]:
    """Column heads; a trailing # marks a column of numbers."""
    return [Head(w.rstrip("#"), w.endswith("#")) for w in words]


def report_html(
    plan: Plan, pictures: Sequence[Picture], *, checks: Sequence[Check] = (), turns: Sequence[Turnable] = (), paper: bool = False
) -> str:
    """Return the job sheet as one HTML text with no address outside itself.

    Parameters
    ----------
    plan : Plan
    pictures : sequence of Picture
        May be empty; the sheet then has numbers only.
    checks : sequence of Check
        Checks of the files, beside those of the plan.
    turns : sequence of Turnable
        Regions that can be turned; without any the sheet holds no script.
    paper : bool
        For the printer: what is folded up on the page is named and left out, defaults are set as text by where they come from.
    """
    import jinja2

    rooms = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=False)
    text = resources.files(__package__).joinpath("page.html").read_text(encoding="utf-8")
    return rooms.from_string(text).render(**_context(plan, pictures, checks), **_turning(turns), paper=paper)


def _context(plan: Plan, pictures: Sequence[Picture], checks: Sequence[Check]) -> dict[str, Any]:
    money = f" ({plan.job.currency})" if plan.job.currency else ""
    return {
        "plan": plan,
        "short": in_short(plan),
        "warnings": warnings_of(plan),
        "warned": _figures(pictures, "warnings"),
        "order": order_of_working(plan),
        "regions": [_region(plan, r, pictures) for r in plan.regions],
        "roll_head": _head("material", "roll width, mm#", "length used, m#", "share used#", "mass, g#", f"cost{money}#"),
        "roll_rows": [_roll(r) for r in plan.rolls],
        "area_head": _head("material", "surface to cover, m²#", "pieces as cut, m²#", "off the roll, m²#"),
        "area_rows": [_areas(r) for r in plan.rolls if r.lays],
        "lay_head": _head("no.", "piece", "from the end#", "from the edge#", "turned#"),
        "lays": [lay for k, r in enumerate(plan.rolls, start=1) for lay in _lays(r, pictures, f"lay-{k}")],
        "quantity_head": _head("item", "amount#", "range#", f"cost{money}#", "stands on"),
        "shopping_rows": [_quantity(q) for q in plan.shopping],
        "resin_rows": [_quantity(q) for q in plan.resin],
        "bin_rows": [_quantity(q) for q in plan.bin],
        "day": [{"block": b, "figures": _figures(pictures, *b.about) if b.about else []} for b in _once(day_blocks(plan))],
        "timeline": _figures(pictures, "timeline", "all"),
        "thick": _figures(pictures, "thickness"),
        "left_open_head": _head("key of the job file", "value used", "where it comes from"),
        "left_open": [(a.key, a.value, a.mark) for a in assumed(plan.job)],
        "left_open_short": _by_mark(plan),
        "care": CARE,
        "methods": METHODS,
        "check_head": _head("check", "passed by", "worst#", "limit#"),
        "check_rows": check_rows((*plan.checks, *checks)),
        "repair_head": _head("found", "count#", "largest move, mm#", "where, mm", "state"),
        "meshes": [_mesh(m, pictures) for m in plan.meshes],
        "versions": ", ".join(f"{name} {version}" for name, version in versions().items()),
    }


def _turning(turns: Sequence[Turnable]) -> dict[str, Any]:
    """What the page needs to turn regions: their data by name, the viewer once, and the place for the data in it."""
    by_name = {turn.region: {"mark": f"scene-{k}", "turn": turn} for k, turn in enumerate(turns, start=1)}
    packed = viewer_data() if turns else ""
    return {"turns": by_name, "viewer": packed, "viewer_mb": len(packed) / 1e6, "place": PLACE}


def _figures(pictures: Iterable[Picture], *about: str) -> list[Figure]:
    """The pictures whose subject begins with some words."""
    return [_figure(p) for p in pictures if p.about[: len(about)] == about]


def _kinds(pictures: Sequence[Picture], kinds: Iterable[str], *of: str) -> list[Figure]:
    """The pictures of some kinds, kind by kind."""
    return [f for kind in kinds for f in _figures(pictures, kind, *of)]


def _figure(picture: Picture) -> Figure:
    # Width and height stand in the first chunk of a PNG (ISO/IEC 15948, 11.2.2).
    width, height = struct.unpack(">II", picture.png[16:24])
    data = base64.b64encode(picture.png).decode("ascii")
    return Figure(f"data:image/png;base64,{data}", picture.alt, picture.title, round(width / 1.5), round(height / 1.5))


def _tubes(plan: Plan, region: RegionPlan) -> list[str]:
    """Names of the hollow tubes that a region's bag states."""
    bags = [plan.job.bags[q.bag] for q in plan.job.regions if q.name == region.name and q.bag is not None]
    return [tube.what for bag in bags for tube in bag.hollow]


def _region(plan: Plan, region: RegionPlan, pictures: Sequence[Picture]) -> dict[str, Any]:
    name, marks = region.name, [m for m in plan.hull_marks if m.region == region.name]
    return {
        "name": name,
        "words": f"On mesh {region.mesh}: {square_metres(region.base.area_mm2)} inside the outline, which is "
        f"{region.base.perimeter_mm / 1000:.2f} m long"
        + (f" in {len(region.base.loops)} loops." if len(region.base.loops) > 1 else "."),
        "where": where_it_is(region),
        "hull": _figures(pictures, "hull", name),
        "mark_words": mark_words(marks),
        "mark_head": _head(*MARK_HEAD),
        "mark_rows": mark_rows(marks),
        "marks": _figures(pictures, "marks", name),
        "ply_head": _head("ply", "cloth", "angle#", "laps, mm#" if region.corner else "edge, mm#", "pieces#", "area, m²#", "laps, m²#"),
        "ply_rows": [_ply_row(p) for p in region.plies],
        "strain_head": _head(
            "ply", "largest#", "99 % of area below#", "area above limit#", "limit#", "largest of one triangle#"
        ),
        "strain_rows": [_strain_row(p) for p in region.plies],
        "yarn_head": _head(
            "ply", "warp, most -#", "most +#", "99 % within ±#", "weft, most -#", "most +#", "99 % within ±#", "shear, most#",
            "99 % within ±#", "largest of one triangle: warp, weft, shear#",
        ),
        "yarn_rows": [_yarn_row(p) for p in region.plies if p.yarns is not None],
        "near_head": _head(*NEAR_HEAD),
        "near_rows": [near_row(ply, patch) for ply in region.plies for patch in ply.patches],
        "near_words": near_words(region),
        "seams": _seams(region),
        "plies": [_ply(region, p, pictures) for p in region.plies],
        "layer_head": _head("layer", "material", "margin, mm#", "area, m²#", "corner laps, m²#", "pieces#", "to cut"),
        "layer_rows": [_layer_row(p, edge=p in on_hull(region)) for p in region.layers],
        "bag_words": [
            *([" ".join(words)] if (words := [words for p in region.layers for words in _bag_words(p)]) else []), *reach_words(region.reach),
            *film_found_words(region.reach, tubes=_tubes(plan, region), through=_through(region)), *whole_words(region.reach)[1:],
        ],
        "film_words": [*radius_words(region.reach), *film_method_words(region.reach), *whole_words(region.reach)[:1]],
        "spot_head": _head(
            "place", "gap, mm#", "area, cm²#", "volume, cm³#", "resin, g#", "film missing across, mm#", "deepest at, mm"
        ),
        "spot_rows": spot_rows(region.reach),
        "wall_head": _head(*WALL_HEAD),
        "wall_rows": wall_rows(region.reach),
        "pleat_head": _head(*PLEAT_HEAD),
        "pleat_rows": pleat_rows(region.reach),
        "film_head": _head(*STATE_HEAD),
        "film_rows": state_rows(region.reach),
        "beside_head": _head(*BESIDE_HEAD),
        "beside_rows": beside_rows(region.reach),
        "whole_head": _head(*WHOLE_HEAD),
        "whole_rows": whole_rows(region.reach),
        "cure_head": _head(*CURE_HEAD),
        "cure_rows": cure_rows(region.reach),
        "corner_head": _head(*LAYER_HEAD),
        "corner_rows": layer_rows(region.reach),
        "stack_words": stack_words(region),
        "stack_blocks": [{"caption": b.caption, "head": _head(*b.head), "rows": b.rows} for b in stack_blocks(region)],
        "stack_order": region.stack.order if region.stack is not None else (),
        "stack": _kinds(pictures, ("bag stack", "bag lines") if region.stack is not None else ("bag section", "bag on hull"), name),
        "bag": _kinds(pictures, ("pleats", "bridging"), name),
        "film": _kinds(pictures, ("whole film", "film missing", "corner sections", "film excess"), name),
        "layers": _kinds(pictures, ("bag templates", *(("bag on hull",) if region.stack is not None else ())), name),
    }


def _ply_row(ply: PlyPlan) -> tuple[str, ...]:
    pieces = sum(t.copies for t in ply.templates)
    edge = f"{ply.grow_mm:+.0f}" if ply.grow_mm else "0"
    if ply.laps_mm is not None:
        edge = f"{ply.laps_mm[0]:.0f} / {ply.laps_mm[1]:.0f}"
    areas = (f"{ply.area_mm2 / 1e6:.3f}", f"{ply.lap_area_mm2 / 1e6:.3f}")
    return (ply.name, ply.cloth, f"{ply.angle_deg + 0.0:g}°", edge, str(pieces), *areas)


def _strain_row(ply: PlyPlan) -> tuple[str, ...]:
    s = ply.strain
    raw = percent(s.raw_largest) if s.scale_mm > 0 else percent(s.largest)
    return ply.name, percent(s.largest), percent(s.p99), percent(s.over_share), percent(s.limit), raw


def _yarn_row(ply: PlyPlan) -> tuple[str, ...]:
    cells: list[str] = []
    raw: list[str] = []
    for reach in (ply.yarns.warp, ply.yarns.weft) if ply.yarns else ():
        cells += [f"{100 * reach.least:z.1f} %", f"{100 * reach.largest:z.1f} %", percent(reach.p99)]
        raw.append(percent(reach.raw_largest))
    if ply.yarns:
        shear = ply.yarns.shear_deg
        cells += [f"{shear.size:.1f}°", f"{shear.p99:.1f}°"]
        raw.append(f"{shear.raw_largest:.1f}°")
    return (ply.name, *cells, ", ".join(raw))


def _seams(region: RegionPlan) -> str:
    joined = sum(bool(t.joins) for ply in region.plies for t in ply.templates)
    words = []
    if region.seams_mm:
        words.append(f"The region is opened along {counted(len(region.seams_mm), 'seam')}.")
    for ply in region.plies:
        words += _joins(ply)
        if ply.lap_clearance_mm:
            near = [f"{d:.0f} mm from those of {q.name}" for d, q in zip(ply.lap_clearance_mm, region.plies)]
            words.append(f"The laps of {ply.name} lie {', '.join(near)}.")
    if joined:
        words.append("Where pieces join, the dashed line is where the other piece's edge comes to lie; match the notches.")
    return " ".join(words)


def _joins(ply: PlyPlan) -> Iterator[str]:
    """Say how a ply's pieces meet, and what panels bought."""
    butts = [join.name for join in ply.joins if join.kind == "butt"]
    if butts:
        rest = len(ply.joins) - len(butts)
        yield f"In {ply.name} the pieces meet edge to edge at {', '.join(butts)}" + (
            "; every other join is lapped." if rest else "."
        )
    elif ply.joins:
        yield f"All joins of {ply.name} are lapped."
    flattened = [p for p in ply.panels if p.shear_deg is None]
    if flattened and flattened[0].over_before > 0:
        before, after = percent(flattened[0].over_before), percent(flattened[-1].over_after)
        yield f"In panels the area of {ply.name} over the strain limit comes down from {before} to {after}."
    for panel in ply.panels:
        if panel.shear_deg is not None:
            was, now = panel.shear_deg
            whole = "it could not be laid by its threads" if was is None else f"it sheared by {was:.1f}°"
            yield f"A piece of {ply.name} is cut in two along a thread: whole, {whole}; in two, by {now:.1f}° at most."


def _stack_words(ply: PlyPlan) -> Iterator[str]:
    """Say what the plies below do to a ply's shape."""
    words = lying_words(ply.lying) if ply.lying is not None else ""
    if words:
        yield f"{words[0].upper()}{words[1:]}."


def _ply(region: RegionPlan, ply: PlyPlan, pictures: Sequence[Picture]) -> dict[str, Any]:
    kinds = ("templates", "threads", "fibres on hull", "shear on hull", "shear on the table", "before and after", "strain on hull")
    faces = sorted({t.face_up for t in ply.templates})
    sizes = [_size(t.piece, t.cut.bounds) for t in ply.templates]
    return {
        "name": ply.name,
        "title": f"{region.name} {ply.name}",
        "words": f"{ply.cloth}, warp at {ply.angle_deg + 0.0:g}° to the warp line; {', '.join(faces)}. As cut: {'; '.join(sizes)}.",
        "near": [*_stack_words(ply), *drape_words(ply)],
        "tried_head": _head("piece", "tried", "largest shear#", "area past locking#", "area reached#"),
        "tried_rows": tried_rows(ply),
        "figures": _kinds(pictures, kinds, region.name, ply.name),
        "deep": _figures(pictures, "strain", region.name, ply.name),
        "cut_head": _head("cut", "kind", "length, mm#", "opens or lets in#", "before#", "after#"),
        "cut_rows": [_dart(k, dart) for k, dart in enumerate(ply.darts, start=1)],
    }


def _dart(k: int, dart: Dart) -> tuple[str, ...]:
    kind = "edge to edge" if dart.kind == "split" else dart.kind
    opens = f"{dart.opens_deg:.1f}°" if dart.kind != "split" else ""
    who = ", yours" if dart.given else ""
    if dart.shear_deg is None:
        gain = f"{percent(dart.over_before)} above the limit", percent(dart.over_after)
    else:
        was, now = dart.shear_deg
        gain = "no net lay" if was is None else f"{was:.1f}° of shear", f"{now:.1f}°"
    return str(k), kind + who, f"{dart.length_mm:.0f}", opens, *gain


def _size(piece: str, bounds: tuple[float, ...]) -> str:
    x0, y0, x1, y1 = bounds
    return f"piece {piece} {x1 - x0:.0f} by {y1 - y0:.0f} mm"


def _through(region: RegionPlan) -> list[str]:
    """Layers that run through a tight inside corner in one piece."""
    crossings = region.stack.crossings if region.stack is not None else ()
    return sorted({c.layer for c in crossings if c.way == "through"})


def _layer_row(layer: LayerPlan, *, edge: bool) -> tuple[str, ...]:
    margin = f"{layer.margin_mm:.0f}" if edge else "pouch"
    if not layer.templates:
        return layer.kind, layer.material, margin, "", "", "", f"{layer.length_mm / 1000:.2f} m"
    cut = sum(t.copies * t.cut.area for t in layer.templates)
    pieces = sum(t.copies for t in layer.templates)
    areas = (f"{layer.area_mm2 / 1e6:.3f}", f"{layer.lap_area_mm2 / 1e6:.3f}")
    return (layer.kind, layer.material, margin, *(areas if edge else ("", "")), str(pieces), square_metres(cut))


def _bag_words(layer: LayerPlan) -> list[str]:
    if layer.kind == "sealant tape":
        return [f"Sealant tape: {layer.length_mm / 1000:.2f} m with all that it is laid for and what is kept by."]
    if layer.kind != "bag film" or not layer.templates:
        taken = layer.strain
        if taken is None:
            return []
        words = f"{layer.kind.capitalize()}: strain up to {percent(taken.largest)}."
        if taken.over_share > 0.0:
            words += (
                f" {percent(taken.over_share)} of it would have to give more than {percent(taken.limit)}, which no such sheet does for long: "
                "slit it from its edge where it will not lie, lap the slit, and lay a patch where it gapes."
            )
        return [words]
    sizes = "; ".join(_size(t.piece, t.cut.bounds) for t in layer.templates)
    ways = zip(layer.slack_mm, ("along the warp line", "across it" if layer.slack_mm[0] >= 1.0 else "across the warp line"))
    more = " and ".join(f"up to {slack:.0f} mm {way}" for slack, way in ways if slack >= 1.0)
    words = f"Bag film: {sizes}."
    if any(t.piece[0] == "T" and t.piece[1:].isdigit() for t in layer.templates):
        words += " Pieces T lie over the tongues of tape round the ports."
    if layer.joined is None and more:
        words += f" To reach into every corner it needs more than a tight film, {more}, counted from edge to edge; the sheet holds that."
    return [words]


def _roll(roll: RollPlan) -> tuple[str, ...]:
    share = percent(roll.cut_area_mm2 / roll.used_area_mm2) if roll.used_area_mm2 else ""
    width = roll.widths if roll.roll_width_mm else ""
    cost = "" if roll.cost is None else f"{roll.cost:.2f}"
    return roll.material, width, f"{roll.length_mm / 1000:.2f}", share, amount(roll.mass_g), cost


def _areas(roll: RollPlan) -> tuple[str, ...]:
    areas = (roll.net_area_mm2, roll.cut_area_mm2, roll.used_area_mm2)
    return (roll.material, *(f"{a / 1e6:.3f}" for a in areas))


def _lays(roll: RollPlan, pictures: Sequence[Picture], anchor: str) -> list[dict[str, Any]]:
    out = []
    for n, pieces in enumerate(laid_pieces(roll)):
        out.append(
            {
                "title": f"{roll.material}, {cloth_name(roll, n)}",
                "anchor": anchor if n == 0 else "",
                "words": lay_words(roll.lays[n]),
                "figures": _figures(pictures, "lay", roll.material, str(n + 1)),
                "rows": [_place(p, roll) for p in pieces],
            }
        )
    return out


def _place(piece: Laid, roll: RollPlan) -> tuple[str, ...]:
    from ..export.drawing import copy_note

    x0, y0, x1, y1 = piece.span_mm
    note = copy_note(roll, piece.place)
    name = f"{piece.template.name}, {note}" if note else piece.template.name
    off = f" ({piece.off_grain_deg:+g}° off grain)" if piece.off_grain_deg else ""
    turned = f"{piece.place.turn_deg:g}°{off}"
    return str(piece.number), name, f"{x0:z.0f} to {x1:.0f}", f"{y0:z.0f} to {y1:.0f}", turned


def _quantity(q: Quantity) -> tuple[str, ...]:
    spread = f"{amount(q.low)} to {amount(q.high)} {q.unit}" if q.high > q.low else ""
    return q.item, f"{amount(q.amount)} {q.unit}", spread, "" if q.cost is None else f"{q.cost:.2f}", q.basis


def check_rows(checks: Sequence[Check]) -> list[tuple[str, ...]]:
    """Return one row for each kind of check: what it is, which outputs passed it, the worst of what was measured, the limit.

    Parameters
    ----------
    checks : sequence of Check
        Named "output: kind", or by the kind alone.
    """
    kinds: dict[tuple[str, float, str], list[tuple[str, float]]] = {}
    for check in checks:
        where, _, kind = check.what.rpartition(": ")
        kinds.setdefault((kind, check.limit, check.unit), []).append((where, check.measured))
    rows: list[tuple[str, ...]] = []
    for (kind, limit, unit), found in kinds.items():
        worst = (min if "at least" in kind else max)(measured for _, measured in found)
        names = list(dict.fromkeys(where for where, _ in found if where))
        rows.append((kind[0].upper() + kind[1:], "; ".join(names), _measured(worst, unit, limit), _measured(limit, unit, limit)))
    return rows


def _measured(value: float, unit: str, limit: float) -> str:
    """A measured figure or its limit; without a unit it is a count, or a share where the limit is one."""
    if unit:
        return f"{value:.3g} {unit}"
    if 0.0 < limit < 1.0:
        digits = max(1 - math.floor(math.log10(100 * limit)), 0)
        least = 10.0**-digits
        return f"under {least:.{digits}f} %" if 0.0 < 100 * value < least else f"{100 * value:.{digits}f} %"
    return f"{value:.3g}"


def _by_mark(plan: Plan) -> list[tuple[str, str]]:
    """Values that the job does not state, gathered by where they come from."""
    found: dict[str, list[str]] = {}
    for a in assumed(plan.job):
        found.setdefault(a.mark, []).append(f"{a.key} = {a.value}")
    return [(mark[0].upper() + mark[1:], "; ".join(values)) for mark, values in found.items()]


def _once(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks without the paragraphs that an earlier one has word for word."""
    said: set[str] = set()
    for block in blocks:
        words, after = (tuple(line for line in lines if line not in said) for lines in (block.words, block.after))
        said.update(words, after)
        yield replace(block, words=words, after=after)


def _mesh(mesh: MeshPlan, pictures: Sequence[Picture]) -> dict[str, Any]:
    surface = mesh.surface
    x, y, z = surface.size_mm / 1000
    scale = ""
    if mesh.scale_error is not None:
        scale = f" The known distance comes out {100 * mesh.scale_error:+.2f} % off."
    rows = [
        (r.what, str(r.count), f"{r.largest_move_mm:.2f}" if r.largest_move_mm else "",
         "" if r.where_mm is None else ", ".join(f"{c:.0f}" for c in r.where_mm),
         "look at it" if r.severity == "left" else "mended")
        for r in surface.repairs
    ]  # fmt: skip
    return {
        "name": mesh.name,
        "words": f"{mesh.file}, read in {mesh.unit}: {len(surface.faces)} triangles after repair, "
        f"{x:.3f} by {y:.3f} by {z:.3f} m.{scale}",
        "figures": _figures(pictures, "faults", mesh.name),
        "rows": rows,
    }
