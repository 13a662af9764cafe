"""Resin, fibre and thickness by mass balance.

Symbols of the formulas: W fibre mass, psi fibre mass fraction, rho_f and rho_r densities of fibre and resin. The terms
are those of ASTM D3171 (constituent content of composites).
"""

from __future__ import annotations

from dataclasses import dataclass

from ..errors import PlyflatError

#: Fibre volume fractions, least and most, by (bagged, mat): wetted by hand, bags at 70 to 90 kPa. From memory.
USUAL_VOLUME_FRACTIONS = {
    (False, False): (0.30, 0.40), (True, False): (0.40, 0.55), (False, True): (0.13, 0.20), (True, True): (0.19, 0.28),
}  # fmt: skip


class FractionError(PlyflatError, ValueError):
    """A fraction or density that no laminate can have."""


def _fraction(psi: float) -> float:
    if not 0.0 < psi < 0.9:
        raise FractionError(f"fibre mass fraction {psi:.3g} is not between 0 and 0.9")
    return psi


def resin_for(fibre: float, psi: float) -> float:
    """Resin that goes with an amount of fibre, in the same unit: W (1 - psi) / psi.

    Parameters
    ----------
    fibre : float
        Fibre mass, g (or g/m²).
    psi : float
        Fibre mass fraction, between 0 and 0.9.

    Raises
    ------
    FractionError
        If the fraction is out of range.
    """
    return fibre * (1.0 - _fraction(psi)) / psi


def thickness_mm(
    fibre_g_m2: float, psi: float, *, fibre_density_g_cm3: float, resin_density_g_cm3: float
) -> float:
    """Thickness of a void-free laminate, mm: W/rho_f + W (1 - psi) / (psi rho_r).

    Parameters
    ----------
    fibre_g_m2 : float
    psi : float
    fibre_density_g_cm3, resin_density_g_cm3 : float

    Raises
    ------
    FractionError
        If the fraction or a density is out of range.
    """
    if min(fibre_density_g_cm3, resin_density_g_cm3) <= 0:
        raise FractionError("a density is not positive")
    resin = resin_for(fibre_g_m2, psi)
    return (fibre_g_m2 / fibre_density_g_cm3 + resin / resin_density_g_cm3) / 1000.0


def fibre_volume_fraction(psi: float, *, fibre_density_g_cm3: float, resin_density_g_cm3: float) -> float:
    """Fibre volume fraction of a void-free laminate: (psi/rho_f) / (psi/rho_f + (1 - psi)/rho_r).

    Raises
    ------
    FractionError
        If the fraction is out of range.
    """
    fibre = _fraction(psi) / fibre_density_g_cm3
    return fibre / (fibre + (1.0 - psi) / resin_density_g_cm3)


def fibre_mass_fraction(volume_fraction: float, *, fibre_density_g_cm3: float, resin_density_g_cm3: float) -> float:
    """Fibre mass fraction of a void-free laminate from its fibre volume fraction V: V rho_f / (V rho_f + (1 - V) rho_r).

    Raises
    ------
    FractionError
        If the fraction is not between 0 and 1.
    """
    if not 0.0 < volume_fraction < 1.0:
        raise FractionError(f"fibre volume fraction {volume_fraction:.3g} is not between 0 and 1")
    fibre = volume_fraction * fibre_density_g_cm3
    return fibre / (fibre + (1.0 - volume_fraction) * resin_density_g_cm3)


def usual_fractions(
    *, bagged: bool, mat: bool, fibre_density_g_cm3: float, resin_density_g_cm3: float
) -> tuple[float, float]:
    """Fibre mass fractions between which laminates wetted by hand usually end.

    Parameters
    ----------
    bagged : bool
        Pressed under a vacuum bag.
    mat : bool
        Chopped mat; else cloth whose fibres lie in bundles.
    fibre_density_g_cm3, resin_density_g_cm3 : float
    """
    low, high = USUAL_VOLUME_FRACTIONS[bagged, mat]
    dense = {"fibre_density_g_cm3": fibre_density_g_cm3, "resin_density_g_cm3": resin_density_g_cm3}
    return fibre_mass_fraction(low, **dense), fibre_mass_fraction(high, **dense)


def breather_capacity_g_m2(
    areal_weight_g_m2: float,
    *,
    solid_share: float,
    fibre_density_g_cm3: float = 1.38,
    resin_density_g_cm3: float = 1.15,
) -> float:
    """Resin a breather holds when full: (w/rho_f) ((1 - s)/s) rho_r, with s its solid share under vacuum.

    Parameters
    ----------
    areal_weight_g_m2 : float
    solid_share : float
        0.15 to 0.25 is assumed in practice; weigh a wet square of your own to know.
    fibre_density_g_cm3 : float
        Polyester fibre, textbook value.
    resin_density_g_cm3 : float

    Raises
    ------
    FractionError
        If the solid share is not between 0 and 1.
    """
    if not 0.0 < solid_share < 1.0:
        raise FractionError(f"solid share {solid_share:.3g} is not between 0 and 1")
    return areal_weight_g_m2 / fibre_density_g_cm3 * (1.0 - solid_share) / solid_share * resin_density_g_cm3


@dataclass(frozen=True)
class Mix:
    """Resin system for one job, g.

    Attributes
    ----------
    laminate_g : float
        Stays in the laminate at its final fibre fraction.
    peel_ply_g : float
        Stays in the peel ply.
    bleed_g : float
        Goes on into the breather.
    loss_g : float
        Stays in cups and rollers.
    resin_g, hardener_g : float
        To weigh out; together the sum of the four above and the gaps.
    gap_g : float
        Fills gaps that the film leaves over the hull.
    """

    laminate_g: float
    peel_ply_g: float
    bleed_g: float
    loss_g: float
    resin_g: float
    hardener_g: float
    gap_g: float = 0.0

    @property
    def total_g(self) -> float:
        """Resin and hardener together, g."""
        return self.resin_g + self.hardener_g


def mix_for(
    fibre_g: float,
    *,
    psi_wet: float,
    psi_final: float,
    peel_ply_m2: float,
    peel_ply_g_m2: float,
    loss: float,
    ratio: tuple[float, float],
    gap_g: float = 0.0,
) -> Mix:
    """Return what to mix so that the cloth is wetted out at one fibre fraction and pressed to another.

    Parameters
    ----------
    fibre_g : float
        Fibre in the laminate, laps included.
    psi_wet, psi_final : float
        Fibre mass fraction when wetted out, and under vacuum; the first not above the second.
    peel_ply_m2, peel_ply_g_m2 : float
        Area of peel ply, and the resin it keeps per area.
    loss : float
        Left in cups and rollers, as a fraction of what reaches the cloth.
    ratio : tuple of float
        Resin : hardener by mass.
    gap_g : float
        What fills gaps under the film. It comes on top: the resin to spare leaves through the release film where it is, and
        does not run along the laminate to a corner.

    Raises
    ------
    FractionError
        If a fraction, the loss, the gaps or the ratio are impossible.
    """
    if _fraction(psi_wet) > _fraction(psi_final):
        raise FractionError(f"wet-out fibre fraction {psi_wet:.3g} is above the final {psi_final:.3g}")
    if min(ratio) <= 0 or min(loss, gap_g) < 0:
        raise FractionError("the mixing ratio must be positive, the loss and the gaps not negative")
    laminate = resin_for(fibre_g, psi_final)
    spare = resin_for(fibre_g, psi_wet) - laminate
    peel = peel_ply_m2 * peel_ply_g_m2
    on_cloth = laminate + max(spare, peel) + gap_g
    total = on_cloth * (1.0 + loss)
    share = ratio[1] / (ratio[0] + ratio[1])
    return Mix(laminate, peel, max(spare - peel, 0.0), on_cloth * loss, total * (1 - share), total * share, gap_g)
