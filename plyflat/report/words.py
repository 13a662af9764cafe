"""Standing text of the job sheet, and how numbers are written in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..units import say_percent as percent

if TYPE_CHECKING:
    from ..cloth._bounds import Held
    from ..planned import LayerPlan, PatchPlan, Plan, PlyPlan, RegionPlan

#: What to take care of, each with its source.
CARE = (
    "Uncured epoxy and its hardeners can make the skin allergic for life. Keep them off the skin: tools instead of "
    "fingers, gloves that the data sheet names, changed often, no solvent on skin. (HSE research report RR079)",
    "Dust and fibres of cut and sanded laminate irritate skin, eyes and lungs, and hardener gives off vapour: extract at "
    "the tool, wear what the data sheet names, keep people out who are not protected. Carbon dust conducts: keep it away "
    "from open electrics. (OSHA Technical Manual, section III, chapter 1)",
    "A vacuum presses with up to 100 kPa, ten tonnes to the square metre. Thin skins, hollow tubes and closed boxes under "
    "it can buckle or collapse, and a bag right round a hollow part crushes it: support it, vent the inside or use less "
    "vacuum, and try it dry. Use only traps and vessels that are rated for vacuum. (elastic tube buckling, textbook; "
    "common practice)",
    "Resin heats itself in the pot, the more of it the faster, and a hot pot fumes and can burn: mix only what is spread in "
    "one go, spread leftovers out thin, outdoors. Heat lamps and blankets can overheat resin and foam: watch with a "
    "thermometer. (resin makers' data sheets; common practice)",
    "Where the boat's strength or approval hangs on this laminate, use approved data, and make a test piece from the same "
    "cloth and mix. (FAA advisory circular AC 43.13-1B, paragraph 3-1, as an example of such a rule)",
)

#: How the numbers were found, and what they do not know.
METHODS = (
    "Plies and bag layers grow along the surface of the mesh, not in a plane; all areas are true surface areas.",
    "Flat shapes of cloth cut by flatten: the shape of least mean distortion (symmetric Dirichlet energy), as if the cloth "
    "gave the same in every direction. Woven cloth so cut shears more easily than it stretches and may take more than the "
    "strain shown.",
    "Flat shapes of cloth cut by drape: a net of threads that keep their lengths and do not slip where they cross, from two "
    "first threads through the place that is put down first. Bridged corners, slip, and the pull that keeps a locked cloth "
    "from puckering are left out; where it locks is the job's figure or a typical one, so pull a sample on the bias.",
    "Strain is flat length against length on the hull, averaged over 10 mm, about what cloth feels of a surface; the largest of "
    "any single triangle of the mesh stands beside it. The limit is the job's; try a sample of your cloth before trusting it.",
    "Along warp and weft the stretch is length on the hull over length in the flat cloth: yarn that is pulled counts as +, yarn "
    "that must give up length, and puckers, as -. Shear is the change of the right angle between warp and weft.",
    "What no flat shape can beat is proven for shapes without cuts, folds and overlaps: a disc of the piece must not fit a rim "
    "too short for it, and a ring must not be too long for its circle. The proof leaves a gap: a better shape than the one shown "
    "may exist, one better than the bound cannot.",
    "Joins carry laps; a shape that is not one plain patch is opened along a short seam and lapped there.",
    "Bag film cut as a sheet is as long as the longest plane section each way, so it reaches every corner.",
    "Where a taut film bridges is told by a ball rolled over the hull with the film's free radius, tension at its yield over the "
    "pressure, and by one of twice that: a film in a hollow lies between the two. Yield, thickness and friction of the film are from "
    "memory unless the job states them. Pleats bring each section across a corner the film it wants, with the least film in all, plus "
    "the margin; where the film is not laid over sections they are half as high as the worst of them lacks film. How cloth and "
    "breather fold in the corner is not worked out.",
    "A layer bridges an inside corner where the hull bends there, read off plane sections across the corner line, more tightly than the "
    "film's free radius: a bound, since the layers under the film pull too. Ports stand where they keep clear of what the job names, as far "
    "apart along the surface as may be; straight distances are to pleats and corners. Whether a skin bears the vacuum is not worked out here.",
    "Lays: a general packing search for the stated time, then checked piece by piece in exact outlines. A longer search may "
    "find a shorter lay; the bound says how much shorter it could get at the very best.",
    "Resin by mass balance from the stated fibre fractions; weigh your own wet samples to know yours.",
    "The templates are as good as the scan: measure a known distance on the boat, and try a paper template first.",
)


def amount(value: float) -> str:
    """Write a number with about three figures, thousands parted by a thin space.

    Parameters
    ----------
    value : float
    """
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    text = f"{value:,.{digits}f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return text.rstrip("0").rstrip(".") if "." in text else text


def square_metres(area_mm2: float) -> str:
    """Write an area with its unit."""
    return f"{area_mm2 / 1e6:.3f} m²"


def counted(number: int, one: str, more: str = "") -> str:
    """Write a number with its noun, "1 piece", "2 pieces"."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def joined(items: list[str]) -> str:
    """Join words by commas and a last "and"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def minutes(seconds: float) -> str:
    """Write a time in seconds, minutes or hours, whichever reads best."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 3 * 3600.0 else f"{seconds / 3600.0:.1f} h"


def clock_time(at_min: float) -> str:
    """Write minutes from midnight as a time of the clock."""
    whole = round(at_min)
    days, rest = divmod(whole, 1440)
    return f"{rest // 60:02d}:{rest % 60:02d}" + (f" (+{counted(days, 'day')})" if days else "")


_WAYS = {
    "outline": "The outline was given by points on the hull.",
    "tape": "The outline is that of the marking tape seen on the scan.",
    "face": "The region is a face of the hull up to the creases that bound it.",
    "drawn": "The outline was drawn in a plane and laid on the hull square to it.",
    "spot": "The region is a round patch, its radius measured along the hull.",
    "corner": "The region is a band along a corner, its laps measured along the surface from the corner line.",
    "mirror_of": "The region is the mirror image of one on the other side of the boat.",
}


def where_it_is(region: RegionPlan) -> list[str]:
    """Say how a region was found, and what is known of its corner and its fillet.

    Parameters
    ----------
    region : RegionPlan
    """
    lines = [_WAYS[region.way]]
    corner, fillet = region.corner, region.fillet
    if corner is not None:
        low, high = float(corner.angle_deg.min()), float(corner.angle_deg.max())
        turn = f"{low:.0f}°" if high - low < 1 else f"{low:.0f}° to {high:.0f}°"
        lines.append(
            f"The corner line is {corner.length_mm / 1000:.3f} m long{' and closed' if corner.closed else ''}; the sides "
            f"meet at {turn} on the air side. " + _fit(corner.section, corner.residual_mm, corner.worst_mm)
        )
    if fillet is not None:
        low, high = fillet.section_mm2
        lines.append(
            f"A fillet of putty of {fillet.radius_mm:.0f} mm radius is run into it first: {fillet.volume_mm3 / 1000:.0f} cm³ "
            f"stay there ({low:.0f} to {high:.0f} mm² of section), {amount(region.putty_g)} g to mix with what the tools "
            "keep. Laps count from the middle line of the fillet."
        )
    return lines


def _fit(section: str, residual_mm: float, worst_mm: float) -> str:
    """Say how well the corner line is known."""
    if section == "edge":
        return "It runs along the model's own edges."
    return (
        f"Both sides were fitted to the scan (second side: {section}): the scan's points lie {residual_mm:.2f} mm off the "
        f"fit (rms, noise with it), and {worst_mm:.2f} mm at worst once the noise is averaged out."
    )


NEAR_HEAD = (
    "piece", "has, averaged#", "of one triangle#", "no shape has less than", "under the noise about", "holds#", "deep#", "to lie free of strain",
)  # fmt: skip


def near_row(ply: PlyPlan, patch: PatchPlan) -> tuple[str, ...]:
    """Return the cells that say how near a flat shape comes to what none of the same patch without cuts can beat.

    Parameters
    ----------
    ply : PlyPlan
    patch : PatchPlan
        Of that ply.
    """
    bound = patch.bound
    proven = under = "not sought"
    if bound is not None:
        proven = _bound_words(patch.proven_ratio, bound.proof)
        under = "" if bound.scale_mm == 0 else _bound_words(patch.estimated_ratio, bound.estimate_proof)
    name = f"{ply.name} {joined(list(patch.pieces))}" + (", before cuts" if patch.uncut is not None else "")
    held = patch.held
    angles = (f"{held.total_deg:+.0f}°", f"{held.deep_deg:+.0f}°")
    wants = "no cuts" if bound is None else held_words(held)
    return name, percent(patch.ratio), percent(patch.raw_ratio), proven, under, *angles, wants


def _bound_words(ratio: float, proof: str) -> str:
    return f"{percent(ratio)} ({proof})" if ratio > 0 else "nothing proven"


def near_words(region: RegionPlan) -> str:
    """Say how the table of `near_row` is to be read; empty where there is none.

    Parameters
    ----------
    region : RegionPlan
    """
    patches = [patch for ply in region.plies for patch in ply.patches]
    if not patches:
        return ""
    words = (
        "Per cent say how much more the most stretched place is stretched than the most squeezed one. What no shape has "
        "less than is proven for the mesh's triangles and for shapes without cuts, folds and overlaps. Holds: the angle by "
        "which the patch is domed (+) or saddled (-); darts must open or gussets let in what of it lies deep, more than "
        f"{patches[0].held.deep_mm:.0f} mm from the edge. Nearer to it the edge lets go."
    )
    rough = sorted({f"{p.bound.scale_mm:.0f}" for p in patches if p.bound is not None and p.bound.scale_mm > 0}, key=float)
    if rough:
        words += f" Where the mesh is rough the same is asked of the shape beneath, smoothed over {joined(rough)} mm: no proof."
    if any(p.held.smoothed for p in patches):
        words += " Angles of rough pieces are read off the smoothed mesh."
    return words


def held_words(held: Held) -> str:
    """Say what the angle that a patch holds asks of cuts.

    Parameters
    ----------
    held : Held
    """
    if abs(held.deep_deg) < 0.5:
        return "no cuts in all"
    return f"darts opening {held.deep_deg:.0f}°" if held.deep_deg > 0 else f"gussets letting in {-held.deep_deg:.0f}°"


def in_short(plan: Plan) -> str:
    """Return the job in a paragraph.

    Parameters
    ----------
    plan : Plan
    """
    regions = [f"{r.name} ({square_metres(r.base.area_mm2)}, {counted(len(r.plies), 'ply', 'plies')})" for r in plan.regions]
    strains = [(p.strain.p99, f"{r.name} {p.name}") for r in plan.regions for p in r.plies]
    cloths = [
        f"{roll.length_mm / 1000:.2f} m of {roll.material} from {'a roll' if roll.rolls < 2 else 'rolls'} {roll.widths} mm wide"
        for roll in plan.rolls
        if roll.kind == "cloth"
    ]
    parts = [f"This job laminates {joined(regions)}."]
    if cloths:
        parts.append(f"It takes {joined(cloths)}{_mixed_in_short(plan)}.")
    if strains:
        worst, where = max(strains)
        parts.append(f"The cloth must give most in {where}: up to {percent(worst)} over 99 % of its area.")
    parts += _time_in_short(plan)
    parts.append(f"The mesh {joined([_mesh_size(plan, n) for n in range(len(plan.meshes))])} in size.")
    count = len(plan.cautions)
    parts.append("There are no warnings." if not count else f"There {'is' if count == 1 else 'are'} {counted(count, 'warning')}: read {'it' if count == 1 else 'them'} first.")
    return " ".join(parts)


def _mixed_in_short(plan: Plan) -> str:
    """What is mixed, all regions together."""
    mixes = [r.mix.mixed_g.usual for r in plan.day.regions if r.mix is not None] if plan.day is not None else []
    return f", and about {amount(sum(mixes))} g of mixed resin" if mixes else ""


def _time_in_short(plan: Plan) -> list[str]:
    """When the first resin is mixed and the last leak is found."""
    spans = [(r.start_min, r.start_min + max(s.end_s for s in r.steps) / 60) for r in plan.day.regions if r.steps] if plan.day is not None else []
    if not spans:
        return []
    start, end = min(a for a, _ in spans), max(b for _, b in spans)
    return [f"From the first mix at {clock_time(start)} the work on the hull lasts until {clock_time(end)} at the speeds stated."]


def _mesh_size(plan: Plan, n: int) -> str:
    mesh = plan.meshes[n]
    x, y, z = mesh.surface.size_mm / 1000
    return f"{mesh.name} is {x:.2f} by {y:.2f} by {z:.2f} m"


def order_of_working(plan: Plan) -> list[str]:
    """Return the steps of the job, in order.

    Parameters
    ----------
    plan : Plan
    """
    fillets = [r for r in plan.regions if r.fillet is not None]
    wet = {s.name for s in plan.job.regions if s.corner is not None and s.corner.fillet is not None and s.corner.fillet.over == "wet"}
    steps = [
        "Read the warnings, and the data sheets of resin and hardener.",
        "On the cutter or the print, measure the check square first: it must be 100 mm each way.",
        "Mark the outline, the edge of each ply, the warp line, and forward and up on the hull, and say on each where it is "
        "from something you can find again.",
        *(
            f"Run the fillet of {r.fillet.radius_mm:.0f} mm radius into the corner of {r.name} with a round tool, wipe off "
            "what squeezes out, "
            + ("and lay the cloth while it is wet." if r.name in wet else "and let it gel, firm to the thumb, before cloth goes over it.")
            for r in fillets
            if r.fillet is not None
        ),
        "Cut everything before mixing anything: cloth, then every bag layer. Cut inside openings before outlines. Write the "
        "label on each piece, on the face the label names.",
        "Lay everything dry once, bag and all: the pieces must meet at their notches, and the film must reach "
        "every corner. Draw vacuum and hunt for leaks now.",
    ]
    for region in plan.regions:
        steps.append(_lay_up(region))
        if region.layers:
            steps.append(_bag_up(region))
    steps.append("Hold vacuum and temperature as the resin's data sheet says, until it says it may be taken off.")
    return steps


def _lay_up(region: RegionPlan) -> str:
    plies = joined([f"{p.name} ({p.cloth} at {p.angle_deg + 0.0:g}°)" for p in region.plies])
    mixed = "Mix and wet out as the data sheet says"
    return f"{region.name}: {mixed}, and lay {plies}, each on the marks, notch to notch, arrows forward and up."


def in_pouch(region: RegionPlan) -> bool:
    """Say whether a region's bag is a pouch round the whole part, sealed upon itself.

    Parameters
    ----------
    region : RegionPlan
    """
    return any(layer.joined is not None and layer.joined.name == "envelope" for layer in region.layers)


def on_hull(region: RegionPlan) -> tuple[LayerPlan, ...]:
    """Return the layers of a region's bag whose edges lie on the hull: in a pouch neither tape nor film does.

    Parameters
    ----------
    region : RegionPlan
    """
    return tuple(layer for layer in region.layers if not in_pouch(region) or layer.kind not in ("sealant tape", "bag film"))


def _bag_up(region: RegionPlan) -> str:
    layers = joined([_layer_words(layer) for layer in on_hull(region)])
    if in_pouch(region):
        lay = f"lay {layers}, and put" if layers else "put"
        return f"{region.name}: {lay} the part into its pouch of bag film. Close it, and press the film into every corner before the vacuum rises."
    return f"{region.name}: lay {layers}. {_pleats(region)}Press the film into every corner before the vacuum rises."


def _pleats(region: RegionPlan) -> str:
    reach = region.reach
    if reach is None or not reach.pleats:
        return ""
    heights = sorted({f"{p.height_mm:.0f}" for p in reach.pleats}, key=float)
    return f"Make {counted(len(reach.pleats), 'pleat')} of {joined(heights)} mm along the tape, where and in the order that its bag's list says. "


def _layer_words(layer: LayerPlan) -> str:
    return f"{layer.kind} {layer.margin_mm:.0f} mm beyond the largest ply"
