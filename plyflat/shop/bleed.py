"""Where the resin goes that the bag presses out: into peel ply and breather, and perhaps along the lead to the port."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import PlyflatError
from .resin import breather_capacity_g_m2, resin_for
from .spread import Range, carried

#: Resin a peel ply keeps, g/m²: low, usual, high. Published informal weighing of a cut sample (2020).
PEEL_PLY_RESIN_G_M2 = Range(30.0, 40.0, 50.0)
#: Solid share of a non-woven breather under vacuum: open, usual, dense. Assumed, not measured.
BREATHER_SOLID_SHARE = Range(0.15, 0.20, 0.25)


class BleedError(PlyflatError, ValueError):
    """A stack or a weighing that cannot be."""


def holds_from_square_g_m2(dry_g: float, wet_g: float, area_m2: float) -> float:
    """Resin that a peel ply or breather takes up, from a square weighed dry and wet, g/m².

    Parameters
    ----------
    dry_g, wet_g : float
        Before it is laid, and once it was full under vacuum.
    area_m2 : float

    Raises
    ------
    BleedError
        Masses or an area that cannot be.
    """
    if not (0 < dry_g < wet_g < math.inf and 0 < area_m2 < math.inf):
        raise BleedError(
            f"a square of {area_m2:g} m2 that weighs {dry_g:g} g dry and {wet_g:g} g wet tells nothing",
            do="Weigh both on a scale that shows tenths of a gram; wet is more than dry.",
        )
    return (wet_g - dry_g) / area_m2


def open_share(hole_mm: float, pitch_mm: float) -> float:
    """Return the open share of a film with round holes in a square pattern: pi/4 (d/s)^2.

    Parameters
    ----------
    hole_mm, pitch_mm : float
        Diameter, and distance from one hole to the next.

    Raises
    ------
    BleedError
        Holes that touch, or are none.
    """
    if not 0 < hole_mm < pitch_mm < math.inf:
        raise BleedError(
            f"holes of {hole_mm:g} mm, one every {pitch_mm:g} mm, leave no film or are none", do="Measure both; the pitch is the larger."
        )
    return math.pi / 4 * (hole_mm / pitch_mm) ** 2


def breather_holds(
    areal_weight_g_m2: float, *, measured_g_m2: float | None = None, solid_share: Range = BREATHER_SOLID_SHARE
) -> Range:
    """Resin that a full breather holds, g/m²: yours if measured, else from its pores.

    Parameters
    ----------
    areal_weight_g_m2 : float
    measured_g_m2 : float, optional
        From a weighed square; taken as sure to a tenth.
    solid_share : Range
        Share of its space that is fibre under vacuum.
    """
    if measured_g_m2 is not None:
        return Range.about(measured_g_m2, 0.1)
    s = solid_share
    low, usual, high = (breather_capacity_g_m2(areal_weight_g_m2, solid_share=x) for x in (s.high, s.usual, s.low))
    return Range(low, usual, high)


def lead_holds_g_m(holds_g_m2: Range, width_mm: float) -> Range:
    """Resin that a metre of a lead takes up before it lets any on, g/m.

    Parameters
    ----------
    holds_g_m2 : Range
        What its breather holds when full.
    width_mm : float

    Raises
    ------
    BleedError
        A width not above zero.
    """
    if not 0 < width_mm < math.inf:
        raise BleedError(f"a lead {width_mm:g} mm wide carries nothing", do="Give its width.")
    return holds_g_m2.times(width_mm / 1000.0)


@dataclass(frozen=True)
class Stack:
    """What one bag presses.

    Attributes
    ----------
    fibre_g : float
    psi_wet : Range
        Fibre mass fraction when wetted out.
    psi_final : float
        The one aimed at under vacuum.
    laminate_m2, perimeter_mm : float
        Largest ply, and the length of its edge.
    peel_m2 : float
    peel_g_m2 : Range
    breather_m2 : float
    breather_g_m2 : Range
        What it holds when full; zeros where there is none.
    margin_mm : float
        Of the breather beyond the largest ply.
    lead_width_mm, lead_mm : float
        Strip that leads on to the port.
    use : float
        Share of capacity beyond which it carries vacuum badly.
    most_fibre_g_m2 : float
        Fibre where most of it lies on each other; the mean over the laminate if that is more, as with 0.
    """

    fibre_g: float
    psi_wet: Range
    psi_final: float
    laminate_m2: float
    perimeter_mm: float
    peel_m2: float
    peel_g_m2: Range
    breather_m2: float
    breather_g_m2: Range
    margin_mm: float
    lead_width_mm: float
    lead_mm: float
    use: float
    most_fibre_g_m2: float = 0.0


@dataclass(frozen=True)
class Bleed:
    """Where the resin of one bag goes.

    Attributes
    ----------
    leaves_g : Range
        Out of the laminate.
    peel_g : Range
        Kept by the peel ply.
    breather_g : Range
        On into the breather.
    over_laminate, over_all, over_most : Range
        Share of the capacity of the breather that lies on the laminate, of all of it, and of what lies where most fibre is:
        there it fills first.
    run_even_mm, run_narrow_mm : float
        How far resin runs beyond the laminate's edge: evenly all round, and in a strip as wide as the lead.
    to_port_mm : float
        From the laminate's edge to the port.
    reaches : str
        "no", "may" (if it runs in a strip) or "will".
    reached_fraction : float
        Fibre mass fraction if the breather on the laminate takes no more than its usable share.
    wet_enough : float
        Fibre mass fraction when wetted out from which on the high end of the range stays within the breather's usable share where
        most fibre is; 0 where drier cloth alone does not do that, or there is no breather.
    more_breather : float
        How many times as much breather keeps the high end of the range within that share.
    """

    leaves_g: Range
    peel_g: Range
    breather_g: Range
    over_laminate: Range
    over_all: Range
    over_most: Range
    run_even_mm: float
    run_narrow_mm: float
    to_port_mm: float
    reaches: str
    reached_fraction: float
    wet_enough: float
    more_breather: float

    @property
    def worst(self) -> Range:
        """Share of the breather filled where it fills first."""
        return max(self.over_most, self.over_laminate, key=lambda r: r.high)


def bled_g(fibre_g: float, psi_wet: float, psi_final: float) -> float:
    """Resin that leaves a laminate on its way from one fibre fraction to another, g: W [(1-a)/a - (1-b)/b].

    Parameters
    ----------
    fibre_g : float
    psi_wet, psi_final : float
        Fibre mass fractions, the first not above the second.
    """
    return max(resin_for(fibre_g, psi_wet) - resin_for(fibre_g, psi_final), 0.0)


def bleed_of(stack: Stack) -> Bleed:
    """Work out where the resin of one bag goes.

    Parameters
    ----------
    stack : Stack

    Raises
    ------
    BleedError
        An area, edge or share that cannot be.
    FractionError
        A fibre fraction outside 0 to 0.9.
    """
    if not (stack.laminate_m2 > 0 and stack.perimeter_mm > 0 and stack.lead_width_mm > 0 and 0 < stack.use <= 1):
        raise BleedError("the laminate, its edge, the lead or the usable share is not above zero", do="Check them.")

    def leaves(psi: float) -> float:
        """What leaves the laminate from a fraction while wet, g."""
        return bled_g(stack.fibre_g, psi, stack.psi_final)

    def taken(psi: float, peel: float) -> float:
        """What of it the peel ply leaves to the breather, g."""
        return max(leaves(psi) - stack.peel_m2 * peel, 0.0)

    peel = {"psi": stack.psi_wet, "peel": stack.peel_g_m2}
    goes = carried(taken, peel).floored
    if stack.breather_m2 <= 0 or stack.breather_g_m2.usual <= 0:
        none = Range(0.0, 0.0, 0.0)
        return Bleed(
            carried(leaves, {"psi": stack.psi_wet}).floored, stack.peel_g_m2.times(stack.peel_m2), goes, none, none, none, 0.0, 0.0, 0.0,
            "no", stack.psi_final, 0.0, 0.0,
        )  # fmt: skip
    on = min(stack.laminate_m2, stack.breather_m2)
    shares = [
        carried(lambda psi, peel, full, area=area: taken(psi, peel) / (area * full), {**peel, "full": stack.breather_g_m2}).floored
        for area in (on, stack.breather_m2)
    ]
    most = _most_filled(stack, stack.psi_wet)
    # The most resin into the least breather: what could come, not what will.
    over = max(goes.high - stack.breather_g_m2.low * on, 0.0) / stack.breather_g_m2.low * 1e6
    even, narrow = over / stack.perimeter_mm, over / stack.lead_width_mm
    way = stack.margin_mm + stack.lead_mm
    left = max(goes.usual - stack.use * stack.breather_g_m2.usual * on, 0.0)
    return Bleed(
        carried(leaves, {"psi": stack.psi_wet}).floored,
        stack.peel_g_m2.times(stack.peel_m2),
        goes,
        shares[0],
        shares[1],
        most,
        even,
        narrow,
        way,
        "will" if even >= way else "may" if narrow >= way else "no",
        stack.fibre_g / (stack.fibre_g + resin_for(stack.fibre_g, stack.psi_final) + left),
        _wet_enough(stack),
        max(most.high, shares[0].high) / stack.use,
    )


def _most_g_m2(stack: Stack) -> float:
    return max(stack.most_fibre_g_m2, stack.fibre_g / stack.laminate_m2)


def _most_filled(stack: Stack, psi_wet: Range) -> Range:
    """Range of the share filled where most fibre is."""
    inputs = {"psi": psi_wet, "peel": stack.peel_g_m2, "full": stack.breather_g_m2}
    return carried(lambda psi, peel, full: _share_at_most(stack, psi, peel, full), inputs).floored


def _share_at_most(stack: Stack, psi: float, peel_g_m2: float, full_g_m2: float) -> float:
    """Share filled of the breather over a square metre of the most fibre, peel ply between them."""
    return max(bled_g(_most_g_m2(stack), psi, stack.psi_final) - peel_g_m2, 0.0) / full_g_m2


def _wet_enough(stack: Stack) -> float:
    """The fraction at which the high end of that share is the usable one, by halving; wet-out strays as far as it does now."""
    off = stack.psi_wet.usual - stack.psi_wet.low

    def keeps(psi: float) -> bool:
        """Whether the breather holds what such a fraction lets out at the most."""
        strays = Range(max(psi - off, psi / 2), psi, min(psi + off, stack.psi_final))
        return _most_filled(stack, strays).high <= stack.use

    if not keeps(stack.psi_final):
        return 0.0
    low, high = 0.01 * stack.psi_final, stack.psi_final
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if keeps(middle) else (middle, high)
    return high
