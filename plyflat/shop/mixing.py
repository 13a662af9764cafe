"""What to mix for each ply, by mass and by volume, and what the laminate comes to; all with ranges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..errors import PlyflatError
from .resin import mix_for, resin_for, thickness_mm
from .spread import NOTHING, Range, carried

#: Largest share by which the ratios by mass and by volume may disagree. This program's choice.
RATIO_SPREAD = 0.05
_LEAST_PSI = 0.05


class RatioError(PlyflatError, ValueError):
    """Mixing ratios that cannot be, or do not say the same."""


@dataclass(frozen=True)
class Spreads:
    """How far what goes in may lie off, either way.

    Attributes
    ----------
    wet_out, final : float
        Points of fibre mass fraction when wetted out (common practice) and under vacuum (from memory).
    loss : float
        Share of the loss in cups and rollers; common practice.
    areal, density : float
        Share of a cloth's weight, and of the densities of fibre and cured resin; from memory.
    """

    wet_out: float = 0.05
    final: float = 0.04
    loss: float = 0.5
    areal: float = 0.05
    density: float = 0.02


@dataclass(frozen=True)
class PlyStuff:
    """One ply as it is wetted.

    Attributes
    ----------
    name : str
    fibre_g : float
        As cut, laps and trim included.
    kept_g : float
        What of it stays on the hull.
    areal_g_m2, fibre_density_g_cm3 : float
    """

    name: str
    fibre_g: float
    kept_g: float
    areal_g_m2: float
    fibre_density_g_cm3: float


@dataclass(frozen=True)
class Fractions:
    """How wet the cloth is, and what does not stay on it.

    Attributes
    ----------
    psi_wet, psi_final : float
        Fibre mass fraction when wetted out and under vacuum.
    loss : float
        As a share of what reaches the cloth.
    ratio : tuple of float
        Resin : hardener by mass.
    resin_density_g_cm3 : float
        Cured.
    spreads : Spreads
    """

    psi_wet: float
    psi_final: float
    loss: float
    ratio: tuple[float, float]
    resin_density_g_cm3: float
    spreads: Spreads = Spreads()

    @property
    def wet(self) -> Range:
        """Range of the fraction when wetted out; not above the final one."""
        usual = min(self.psi_wet, self.psi_final)
        off = self.spreads.wet_out
        return Range(max(usual - off, min(_LEAST_PSI, usual)), usual, min(usual + off, self.psi_final))

    @property
    def final(self) -> Range:
        """Range of the fraction under vacuum."""
        usual = self.psi_final
        off = self.spreads.final
        return Range(max(usual - off, min(_LEAST_PSI, usual)), usual, max(min(usual + off, 0.899), usual))


@dataclass(frozen=True)
class PlyMix:
    """What to mix for one ply, and what it comes to.

    Attributes
    ----------
    name : str
    fibre_g, kept_g : float
        Cloth as cut, and what of it stays on the hull.
    mixed_g, resin_g, hardener_g : Range
        Cups and rollers included; the last ply's holds what the peel ply takes beyond what is to spare.
    thickness_mm : Range
        Cured, at the fraction under vacuum.
    """

    name: str
    fibre_g: float
    kept_g: float
    mixed_g: Range
    resin_g: Range
    hardener_g: Range
    thickness_mm: Range


@dataclass(frozen=True)
class RegionMix:
    """What to mix for one region, and what its laminate comes to.

    Attributes
    ----------
    plies : tuple of PlyMix
    mixed_g, resin_g, hardener_g : Range
    thickness_mm : Range
        Where all plies lie.
    mass_g : Range
        Of the finished laminate, what fills gaps included.
    gap_g : Range
        Resin that fills gaps under the film.
    """

    plies: tuple[PlyMix, ...]
    mixed_g: Range
    resin_g: Range
    hardener_g: Range
    thickness_mm: Range
    mass_g: Range
    gap_g: Range


def region_mix(
    plies: Sequence[PlyStuff], stated: Fractions, *, peel_m2: float, peel_g_m2: Range, gap_g: Range = NOTHING
) -> RegionMix:
    """Work out what to mix for a region.

    Parameters
    ----------
    plies : sequence of PlyStuff
        In the order of laying.
    stated : Fractions
    peel_m2 : float
    peel_g_m2 : Range
        Resin that the peel ply keeps.
    gap_g : Range
        Resin that fills gaps which the film leaves over the hull.

    Raises
    ------
    FractionError
        A fraction outside 0 to 0.9, a ratio that is not positive, or a density that is not.

    Notes
    -----
    The same hand wets all plies and the same scale and label stand behind all of them, so a range of the whole is not
    narrower than those of its parts.
    """
    inputs = {
        "psi": stated.wet,
        "peel": peel_g_m2,
        "loss": Range.about(stated.loss, stated.spreads.loss),
        "heavy": Range.about(1.0, stated.spreads.areal),
        "gap": gap_g,
    }
    fibre = sum(p.fibre_g for p in plies)

    def total(grams: float, share: float) -> Range:
        """The mass to mix for so much fibre, with that share of the peel ply and the gap."""

        def mixed(psi: float, peel: float, loss: float, heavy: float, gap: float) -> float:
            """The same, from one value of each input."""
            made = mix_for(
                grams * heavy, psi_wet=psi, psi_final=stated.psi_final, peel_ply_m2=peel_m2 * share, peel_ply_g_m2=peel, loss=loss,
                ratio=stated.ratio, gap_g=gap * share,
            )  # fmt: skip
            return made.total_g

        return carried(mixed, inputs)

    whole = total(fibre, 1.0)
    made = []
    for ply in plies:
        # The peel ply drinks from all plies, and so do gaps; what they take is spread over the plies by mass.
        share = ply.fibre_g / fibre if fibre > 0 else 0.0
        mixed = total(ply.fibre_g, share)
        made.append(PlyMix(ply.name, ply.fibre_g, ply.kept_g, mixed, *_parts(mixed, stated.ratio), _thick([ply], stated)))
    mass = _mass(plies, stated, gap_g)
    return RegionMix(tuple(made), whole, *_parts(whole, stated.ratio), _thick(plies, stated), mass, gap_g)


def _parts(mixed: Range, ratio: tuple[float, float]) -> tuple[Range, Range]:
    share = ratio[1] / (ratio[0] + ratio[1])
    return mixed.times(1 - share), mixed.times(share)


def _thick(plies: Sequence[PlyStuff], stated: Fractions) -> Range:
    def thick(psi: float, heavy: float, fibre: float, resin: float) -> float:
        return sum(
            thickness_mm(
                p.areal_g_m2 * heavy, psi, fibre_density_g_cm3=p.fibre_density_g_cm3 * fibre,
                resin_density_g_cm3=stated.resin_density_g_cm3 * resin,
            )  # fmt: skip
            for p in plies
        )

    off = Range.about(1.0, stated.spreads.density)
    return carried(thick, {"psi": stated.final, "heavy": Range.about(1.0, stated.spreads.areal), "fibre": off, "resin": off})


def _mass(plies: Sequence[PlyStuff], stated: Fractions, gap_g: Range) -> Range:
    kept = sum(p.kept_g for p in plies)

    def mass(psi: float, heavy: float, gap: float) -> float:
        return kept * heavy + resin_for(kept * heavy, psi) + gap

    return carried(mass, {"psi": stated.final, "heavy": Range.about(1.0, stated.spreads.areal), "gap": gap_g})


def hardener_off(resin_g: float, hardener_g: float, ratio: tuple[float, float]) -> float:
    """Return the share by which weighed hardener is more (+) or less (-) than a ratio by mass asks for.

    Parameters
    ----------
    resin_g, hardener_g : float
        As weighed.
    ratio : tuple of float
        Resin : hardener by mass.

    Raises
    ------
    RatioError
        A mass or a side of the ratio that is not above zero.
    """
    if min(resin_g, hardener_g, *ratio) <= 0:
        raise RatioError(f"{resin_g:g} g to {hardener_g:g} g at {ratio[0]:g}:{ratio[1]:g} is no mix", do="Give masses above zero.")
    return hardener_g * ratio[0] / (resin_g * ratio[1]) - 1.0


def volumes_ml(
    resin_g: float,
    hardener_g: float,
    *,
    part_density_g_cm3: float | None,
    hardener_density_g_cm3: float | None,
    ratio: tuple[float, float],
    ratio_by_volume: tuple[float, float] | None,
) -> tuple[float, float] | None:
    """Resin and hardener by volume, ml, or None where no density is stated: none is guessed.

    Parameters
    ----------
    resin_g, hardener_g : float
    part_density_g_cm3, hardener_density_g_cm3 : float or None
        Of the two liquids. One of them is enough where both ratios are stated.
    ratio, ratio_by_volume : tuple of float
        Resin : hardener, by mass and by volume.

    Raises
    ------
    RatioError
        If the two ratios and the densities do not agree.
    """
    first, second = part_density_g_cm3, hardener_density_g_cm3
    by_mass = ratio[0] / ratio[1]
    if ratio_by_volume is not None:
        # Mass ratio over volume ratio is the ratio of the densities.
        over = by_mass / (ratio_by_volume[0] / ratio_by_volume[1])
        if first is not None and second is not None and abs(over / (first / second) - 1) > RATIO_SPREAD:
            raise RatioError(
                f"{ratio[0]:g}:{ratio[1]:g} by mass and {ratio_by_volume[0]:g}:{ratio_by_volume[1]:g} by volume would need "
                f"resin {over:.3f} times as dense as hardener, and the densities stated make {first / second:.3f}",
                do="Look all four up in the data sheet; a wrong ratio never hardens.",
            )
        first = first if first is not None else second * over if second is not None else None
        second = second if second is not None else first / over if first is not None else None
    if first is None or second is None:
        return None
    return resin_g / first, hardener_g / second
