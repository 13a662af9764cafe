"""The lists of a job: what to mix, what to buy and what is thrown away."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .bleed import PEEL_PLY_RESIN_G_M2
from .mixing import Spreads
from .quantity import Quantity
from .resin import Mix, mix_for
from .spread import NOTHING, Range, carried
from .waste import Small


@dataclass(frozen=True)
class ResinJob:
    """What the resin sums need.

    Attributes
    ----------
    fibre_g : float
        Cloth that is wetted, laps and trim included.
    psi_wet, psi_final : float
        Fibre mass fraction when wetted out and under vacuum.
    loss : float
        Left in cups and rollers, as a fraction.
    ratio : tuple of float
        Resin : hardener by mass.
    peel_ply_m2 : float
    peel_g_m2 : Range
        Resin that a peel ply keeps.
    price_per_kg : float or None
    spreads : Spreads
    gap_g : Range
        Resin that fills gaps under the film.
    """

    fibre_g: float
    psi_wet: float
    psi_final: float
    loss: float
    ratio: tuple[float, float]
    peel_ply_m2: float
    peel_g_m2: Range = PEEL_PLY_RESIN_G_M2
    price_per_kg: float | None = None
    spreads: Spreads = Spreads()
    gap_g: Range = NOTHING


def usual_mix(job: ResinJob) -> Mix:
    """Return the mix at the stated fractions and the usual pick-up of a peel ply.

    Parameters
    ----------
    job : ResinJob
    """
    return _mix(job, job.psi_wet, job.peel_g_m2.usual, job.loss, gap=job.gap_g.usual)


def _mix(job: ResinJob, psi_wet: float, peel_g_m2: float, loss: float, heavy: float = 1.0, gap: float = 0.0) -> Mix:
    return mix_for(
        job.fibre_g * heavy,
        psi_wet=min(max(psi_wet, 0.05), job.psi_final),
        psi_final=job.psi_final,
        peel_ply_m2=job.peel_ply_m2,
        peel_ply_g_m2=peel_g_m2,
        loss=loss,
        ratio=job.ratio,
        gap_g=gap,
    )


def _inputs(job: ResinJob) -> dict[str, Range]:
    """What the sums are carried through from, with its ranges."""
    psi = min(job.psi_wet, job.psi_final)
    return {
        "psi_wet": Range(psi - min(job.spreads.wet_out, psi / 2), psi, min(psi + job.spreads.wet_out, job.psi_final)),
        "peel_g_m2": job.peel_g_m2,
        "loss": Range.about(job.loss, job.spreads.loss),
        "heavy": Range.about(1.0, job.spreads.areal),
        "gap": job.gap_g,
    }


def thrown_resin(job: ResinJob, kept_g: float) -> Range:
    """Mixed resin that does not end in the laminate: in peel ply, breather, cups and on rollers, and in what is trimmed off, g.

    Parameters
    ----------
    job : ResinJob
    kept_g : float
        Cloth that stays on the hull, of the job's fibre.
    """
    trimmed = 1.0 - kept_g / job.fibre_g if job.fibre_g > 0 else 0.0

    def thrown(**given: float) -> float:
        """The resin of one mix that ends in the bin, g."""
        mix = _mix(job, **given)
        return mix.peel_ply_g + mix.bleed_g + mix.loss_g + trimmed * mix.laminate_g

    return carried(thrown, _inputs(job)).floored


def resin_list(job: ResinJob) -> tuple[Quantity, ...]:
    """Return what to weigh out and where it goes, each with a range.

    The ranges of wet-out, loss, the cloth's weight and what a peel ply keeps are carried through to first order.

    Parameters
    ----------
    job : ResinJob
    """
    usual, inputs = usual_mix(job), _inputs(job)
    basis = {
        "resin": "derived: mass balance at the job's wet-out fraction, peel ply and loss",
        "hardener": "yours: mixing ratio by mass from the data sheet, as the job states it",
        "stays in the laminate": "derived: mass balance at the job's final fibre fraction",
        "stays in the peel ply": "published: informal weighing of a cut sample, 30 to 50 g/m²",
        "bled into the breather": "derived: wet-out less laminate less peel ply",
        "left in cups and rollers": "common practice: 5 to 15 %, the job's figure taken",
        "fills gaps under the film": "derived: volume that the film leaves open in corners",
    }
    parts = ("resin_g", "hardener_g", "laminate_g", "peel_ply_g", "bleed_g", "loss_g", "gap_g")
    rows = []
    for (item, ground), name in zip(basis.items(), parts):
        ends = carried(lambda name=name, **given: getattr(_mix(job, **given), name), inputs)
        price = job.price_per_kg if name in ("resin_g", "hardener_g") else None
        cost = None if price is None else getattr(usual, name) / 1000 * price
        rows.append(Quantity(item, getattr(usual, name), "g", max(ends.low, 0.0), ends.high, ground, cost))
    return tuple(rows)


def bin_list(
    offcuts_g: dict[str, float],
    consumables_g: dict[str, float],
    resin_g: Range | None,
    laminate_g: float,
    small: Small | None = None,
) -> tuple[Quantity, ...]:
    """Return the mass of everything thrown away, by material, and in all against the laminate.

    Parameters
    ----------
    offcuts_g : dict
        Cloth cut off the roll that does not end in the laminate, by cloth.
    consumables_g : dict
        Everything cut of each single-use material.
    resin_g : Range or None
        Mixed resin that does not end in the laminate.
    laminate_g : float
        Mass of the finished laminate.
    small : Small, optional
        Cups, gloves, tools, masking and wipes; not counted if left out.
    """
    rows = [
        Quantity(f"{name} offcuts", g, "g", g, g, "derived: roll used less laminate")
        for name, g in offcuts_g.items()
    ]
    rows += [
        Quantity(name, g, "g", g, g, "derived: all that is cut; single use, common practice")
        for name, g in consumables_g.items()
    ]
    if resin_g is not None:
        name, basis = "resin in peel ply, breather, cups and trimmed edges", "derived: mixed less what stays in the laminate"
        rows.append(Quantity(name, resin_g.usual, "g", resin_g.low, resin_g.high, basis))
    if small is not None:
        things = (
            (f"{small.cups} mixing cup{'s' * (small.cups != 1)}", small.cups_g),
            (f"{small.pairs} pair{'s' * (small.pairs != 1)} of gloves", small.gloves_g),
            ("brushes, roller sleeves, rags", small.tools_g),
            ("masking paper or film", small.mask_sheet_g),
            ("masking tape", small.mask_tape_g),
            ("wipes", small.wipes_g),
            ("solvent, in the wipes and gone as vapour", small.solvent_g),
        )  # fmt: skip
        rows += [Quantity(name, g, "g", 0.5 * g, 1.5 * g, "from memory unless the job's [waste] says otherwise: mass of each, or by area or metre") for name, g in things if g > 0]
    total = sum(row.amount for row in rows)
    # What is uncertain of one does not hang on the others, so the squares add up.
    low = total - math.sqrt(sum((row.amount - row.low) ** 2 for row in rows))
    high = total + math.sqrt(sum((row.high - row.amount) ** 2 for row in rows))
    rows.append(Quantity("in all", total, "g", low, high, "derived: the sum; packing and abrasives not counted"))
    if laminate_g > 0:
        ratio = Quantity(
            "waste for each kg of laminate",
            total / laminate_g,
            "kg",
            low / laminate_g,
            high / laminate_g,
            "derived",
        )
        rows.append(ratio)
    return tuple(rows)
