"""The order in which a bag is put together, in words for the hull side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from .planned import BagReach, Crossing, LayerPlan, StackPlan


@dataclass(frozen=True, eq=False)
class Placing:
    """What the order of placing is told from.

    Attributes
    ----------
    plies : tuple of str
    layers : tuple of LayerPlan
    stack : StackPlan
    reach : BagReach or None
    tape_margin_mm : float
    cornered : bool
        Whether the region is laid along a corner.
    """

    plies: tuple[str, ...]
    layers: tuple[LayerPlan, ...]
    stack: StackPlan
    reach: BagReach | None
    tape_margin_mm: float
    cornered: bool


def order_of_placing(p: Placing) -> tuple[str, ...]:
    """Return the steps from the bare hull to full vacuum.

    Parameters
    ----------
    p : Placing
    """
    return tuple(step for part in (_prepared, _masked, _taped, _plied, _layered, _ported, _filmed, _pulled) for step in part(p))


def _prepared(p: Placing) -> Iterator[str]:
    """Film is made up before there is any resin to wait for."""
    film = next((layer for layer in p.layers if layer.kind == "bag film"), None)
    made, joined = (None, None) if film is None else (film.film, film.joined)
    if made is not None and made.joins:
        yield (
            f"Before any resin is mixed, tape the film together on a table from {len(made.edges_mm)} strips, {made.overlap_mm:.0f} mm over each "
            f"other: {made.tape_mm / 1000:.2f} m of join. Mark the middle of each side."
        )
    if joined is not None:
        steps = joined.steps[:-1] if joined.name == "envelope" else joined.steps
        first, *rest = steps
        yield "Before any resin is mixed, make up the film. " + first
        yield from rest


def _masked(p: Placing) -> Iterator[str]:
    mask = p.stack.mask
    if mask is not None:
        yield (
            f"Clean the hull. Mask it from the tape's outer edge, {mask.width_mm:.0f} mm wide and {mask.length_mm / 1000:.2f} m long "
            f"({mask.area_mm2 / 1e6:.3f} m²), so that residue comes off with the masking. Keep the strip under the tape itself bare."
        )


def _taped(p: Placing) -> Iterator[str]:
    s = p.stack
    if not s.tape_mm:
        yield "Lay no tape on the part: the film is sealed upon itself. Round off what is sharp on the part, the side away from the laminate too."
        return
    words = (
        f"Lay sealant tape {p.tape_margin_mm:.0f} mm outside the largest ply, backing on: {_counted(len(s.tape_mm), 'loop')} of "
        f"{' and '.join(f'{mm / 1000:.2f} m' for mm in s.tape.loops_mm)}. Begin at the mark 0 and write each metre on the backing."
    )
    if s.tape_corners_m:
        many = len(s.tape_mm) > 1
        places = ", ".join(f"{m:.2f} m" + (f" of loop {k + 1}" if many else "") for k, m in s.tape_corners_m)
        words += (
            f" Press it right into {_counted(len(s.tape_corners_m), 'inside corner')} ({places}) and press a short length more over "
            "it there."
        )
    tongues = [q for q in s.ports if q.tongue_mm > 0]
    if tongues:
        told = " and ".join(f"by {q.tongue_mm:.0f} mm at {q.at_m:.2f} m for the {_name(q.name)}" for q in tongues)
        words += f" Lead it out in a tongue {told}."
    yield words


def _plied(p: Placing) -> Iterator[str]:
    start = "from the corner outwards" if p.cornered or p.stack.tight else "from the middle outwards"
    yield f"Wet out and lay {_joined(p.plies)} on {'its' if len(p.plies) == 1 else 'their'} marks, {start}; no ply may hang over an inside corner."


def _layered(p: Placing) -> Iterator[str]:
    for layer in p.layers:
        if layer.kind in ("sealant tape", "bag film") or layer.region is None:
            continue
        mine = [c for c in p.stack.crossings if c.layer == layer.kind]
        pieces = [t.piece for t in layer.templates if not t.piece.startswith("L")]
        words = f"Lay {layer.kind}, {_counted(len(pieces), 'piece')} ({', '.join(pieces)}), {layer.margin_mm:.0f} mm beyond the largest ply"
        yield words + _corner_words(mine) + _after(layer.kind)


def _corner_words(mine: Sequence[Crossing]) -> str:
    cut = sorted({c.line for c in mine if c.way != "through" and c.cut_mm > 0})
    bare = sorted({c.line for c in mine if c.way == "through"})
    words = ""
    if cut:
        laps = {c.lap_mm for c in mine if c.lap_mm > 0}
        how = f"lapped by {max(laps):.0f} mm" if laps else "edge to edge"
        words += f". Begin at {_joined(cut)}, where it is cut and lies {how}, and work outwards"
    if bare:
        words += f". At {_joined(bare)} it runs through: press it in before the next layer holds it"
    return words


def _after(kind: str) -> str:
    if kind == "release film":
        return ". Its holes must lie over the laminate."
    if kind == "breather":
        return ". It must touch the layer below all over, for the air has no other way (FAA AC 43.13-1B, 3-4(h))."
    return "."


def _ported(p: Placing) -> Iterator[str]:
    if not p.stack.ports:
        yield (
            "Lay a lead of breather from the breather to a pad of it for each port, off the laminate and away from the seams, and set the "
            "bases on the pads: vacuum at one end, gauge at the other."
        )
    for q in p.stack.ports:
        x, y, z = q.place_mm
        yield (
            f"Lay the lead for the {_name(q.name)}, a strip of breather {p.stack.lead_width_mm:.0f} mm wide, to "
            f"({x:.0f}, {y:.0f}, {z:.0f}) mm, by the tape's mark {q.at_m:.2f} m and {q.way_mm:.0f} mm from the laminate, and set the base "
            "on its end. It must not stand on the laminate, on a pleat or on a thin skin."
        )


def _filmed(p: Placing) -> Iterator[str]:
    film = next((layer for layer in p.layers if layer.kind == "bag film"), None)
    if film is None:
        return
    joined = film.joined
    if joined is not None and joined.name == "envelope":
        yield joined.steps[-1]
        return
    if film.film is not None and film.ways:
        yield from film.ways[0].steps
    words = "Lay the film over all" + (", its seams right in the corners" if joined is not None else "")
    words += ". Take the backing off from place to place and press the film down"
    pleats = sorted(p.reach.pleats, key=lambda q: q.order) if p.reach is not None else []
    if pleats:
        many = p.reach is not None and len(p.reach.tapes_mm) > 1
        told = "; ".join(
            f"pleat {q.number} at {q.at_m:.2f} m{f' of loop {q.loop}' if many else ''}, {q.height_mm:.0f} mm high, for {q.feeds}"
            for q in pleats
        )
        words += f", the pleats first, in this order: {told}. Lay each pleat's film towards its corner"
    yield words + "."
    tongues = [t.piece for t in film.templates if t.piece.startswith("T") and t.piece[1:].isdigit()]
    if tongues:
        yield (
            f"Lay film {_joined(tongues)} over the tongue{'s' * (len(tongues) > 1)} of tape and the port{'s' * (len(tongues) > 1)} there, "
            f"{'each ' * (len(tongues) > 1)}taped to the edge of the film on its inner side."
        )


def _pulled(p: Placing) -> Iterator[str]:
    yield "Cut the film over each base and screw the ports down; set the gauge, which is read away from the pump (FAA AC 43.13-1B, 3-4(k))."
    if p.reach is not None and p.reach.pleats:
        yield (
            f"Draw slowly and stop at {p.reach.tuck_kpa:.0f} kPa: push film and layers into every corner, from the corner outwards, and move "
            f"pleats while they can still be moved. From farther than {p.reach.feed_mm:.0f} mm no film follows."
        )
    else:
        yield "Draw slowly and stop while the film can still be moved: smooth it out and press the layers down."
    along = "along the tape from the mark 0" if p.stack.tape_mm else "along the seams"
    yield (
        f"Draw to full vacuum, listen {along}, then do the drop test. Watch thin skins, tubes and boxes as the gauge "
        "rises, and stop if anything moves."
    )


def _name(port: str) -> str:
    return "vacuum port" if port == "vacuum" else "gauge"


def _counted(number: int, one: str) -> str:
    return f"{number} {one}{'s' * (number != 1)}"


def _joined(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""
