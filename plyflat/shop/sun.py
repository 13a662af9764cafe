"""How hot a painted surface gets in the sun, and what glass transition that asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import PlyflatError

#: °C over the air, of a black surface with an insulated back, no wind and a clear sky: flat or at 45 degrees, and upright.
#: Published: ASTM D4803, significance and use (90 °F and 74 °F).
BLACK_FLAT_C, BLACK_UPRIGHT_C = 50.0, 41.0
BLACK_ABSORPTANCE = 0.95
#: Share of sunlight taken up: low, usual, high. From memory of tables.
ABSORPTANCE = {
    "white": (0.20, 0.25, 0.30),
    "light grey": (0.40, 0.45, 0.50),
    "mid grey": (0.60, 0.68, 0.75),
    "mid blue": (0.60, 0.70, 0.80),
    "red": (0.60, 0.70, 0.80),
    "dark red": (0.75, 0.80, 0.90),
    "dark blue": (0.75, 0.80, 0.90),
    "dark green": (0.80, 0.88, 0.92),
    "black": (0.92, 0.95, 0.97),
}
#: °C that the wet glass transition should lie over the hottest service; from memory, CMH-17 material operational limit.
MARGIN_C = 28.0
#: °C under the glass transition from which nothing is planned without being read and accepted. Common practice.
STOP_C = 10.0


class SunError(PlyflatError, ValueError):
    """A colour, share or slope that is not known here."""


@dataclass(frozen=True)
class Sun:
    """How hot a surface gets.

    Attributes
    ----------
    rise_c : tuple of float
        Over the air: low, usual, high.
    surface_c : tuple of float
    wanted_c : tuple of float
        Wet glass transition that leaves `MARGIN_C`.
    tier : {"unknown", "quiet", "warn", "stop"}
        By the usual figure; "unknown" where no glass transition is stated.
    """

    rise_c: tuple[float, float, float]
    surface_c: tuple[float, float, float]
    wanted_c: tuple[float, float, float]
    tier: str


def absorptance_of(paint: str) -> tuple[float, float, float]:
    """Share of sunlight a paint takes up: low, usual, high.

    Parameters
    ----------
    paint : str
        A colour of `ABSORPTANCE`.

    Raises
    ------
    SunError
        If the colour is not listed.
    """
    found = ABSORPTANCE.get(paint.strip().casefold())
    if found is None:
        raise SunError(f"the paint {paint!r} is not listed", do=f"Use one of {', '.join(ABSORPTANCE)}, or state absorptance.")
    return found


def rise_c(absorptance: float, tilt_deg: float) -> float:
    """Rise of a surface over the air in full sun without wind, °C.

    Parameters
    ----------
    absorptance : float
        0 to 1.
    tilt_deg : float
        0 for flat, 90 for upright; between 45 and 90 the two published figures are joined by a line.

    Raises
    ------
    SunError
        A share outside 0 to 1 or a slope that is not finite.

    References
    ----------
    ASTM D4803, significance and use: black flat or at 45 degrees 90 °F, upright 74 °F. Other colours in proportion to
    what they take up, which leaves out that a hotter surface also sheds more.
    """
    if not 0.0 <= absorptance <= 1.0 or not math.isfinite(tilt_deg):
        raise SunError(f"an absorptance of {absorptance:g} at {tilt_deg:g} deg cannot be", do="Give a share of 0 to 100 %.")
    slope = abs((tilt_deg + 90.0) % 180.0 - 90.0)
    upright = min(max((slope - 45.0) / 45.0, 0.0), 1.0)
    return (BLACK_FLAT_C + (BLACK_UPRIGHT_C - BLACK_FLAT_C) * upright) * absorptance / BLACK_ABSORPTANCE


def sun_on(
    absorptance: tuple[float, float, float],
    *,
    tilt_deg: float,
    air_c: float,
    glass_transition_c: float | None,
    margin_c: float = MARGIN_C,
    stop_c: float = STOP_C,
) -> Sun:
    """Work out how hot a surface gets and how near that comes to the glass transition.

    Parameters
    ----------
    absorptance : tuple of float
        Low, usual, high.
    tilt_deg, air_c : float
    glass_transition_c : float or None
        Wet, of the resin as cured.
    margin_c, stop_c : float
        How far it should lie over the surface, and how far at least.
    """
    low, usual, high = (rise_c(a, tilt_deg) for a in absorptance)
    surface = (air_c + low, air_c + usual, air_c + high)
    wanted = (surface[0] + margin_c, surface[1] + margin_c, surface[2] + margin_c)
    tier = "unknown"
    if glass_transition_c is not None:
        left = glass_transition_c - surface[1]
        tier = "stop" if left < stop_c else "warn" if left < margin_c else "quiet"
    return Sun((low, usual, high), surface, wanted, tier)
