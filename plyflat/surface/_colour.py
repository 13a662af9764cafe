"""Colours of vertices: what is tape and what is hull, by arrays alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from ..errors import OutlineError
from .mesh import Bools, Floats

#: Colours by name, sRGB as a camera sees tape or pen in daylight.
COLOURS: dict[str, tuple[int, int, int]] = {
    "red": (200, 40, 40), "orange": (235, 125, 35), "yellow": (235, 210, 50), "green": (45, 145, 70),
    "blue": (40, 95, 190), "purple": (115, 60, 150), "pink": (235, 110, 165), "brown": (115, 75, 45),
    "white": (240, 240, 240), "grey": (135, 135, 135), "black": (30, 30, 30),
}  # fmt: skip


#: Light that a camera's noise adds to black, as a share of white.
DARKEST = 0.01


def rgb_of(colour: str | Sequence[int]) -> Floats:
    """sRGB (3,) in 0..255 from a name, "#rrggbb" or three numbers."""
    if isinstance(colour, str):
        word = colour.strip().lower()
        if word in COLOURS:
            return np.array(COLOURS[word], dtype=np.float64)
        if len(word) == 7 and word[0] == "#" and set(word[1:]) <= set("0123456789abcdef"):
            return np.array([int(word[i : i + 2], 16) for i in (1, 3, 5)], dtype=np.float64)
        raise OutlineError(f"no colour {colour!r}", do=f'Write "#rrggbb" or one of {", ".join(COLOURS)}.')
    out = np.asarray(colour, dtype=np.float64)
    if out.shape != (3,) or out.min() < 0 or out.max() > 255:
        raise OutlineError(f"no colour {tuple(colour)}", do="Give red, green and blue in 0 to 255.")
    return out


def chromaticity(rgb: Floats) -> Floats:
    """Share of each channel (n, 3): the same in sun and shade; the small term keeps black from being all noise."""
    c = rgb / 255.0
    return c / (c.sum(axis=1, keepdims=True) + 0.05)


def lab(rgb: Floats) -> Floats:
    """CIE L*a*b* (n, 3) under D65 of sRGB in 0..255."""
    c = rgb / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = linear @ to_xyz.T / to_xyz.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


def lab_ab(rgb: Floats) -> Floats:
    """Only a* and b* (n, 2): the hue and its strength, without the lightness."""
    return lab(rgb)[:, 1:]


def light_of(rgb: Floats) -> Floats:
    """Logarithm of the relative luminance (n,) of sRGB in 0..255: a shadow takes the same off everything in it."""
    c = rgb / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return np.asarray(np.log(linear @ np.array([0.2126, 0.7152, 0.0722]) + DARKEST))


def alike(c: Floats, near: Bools) -> Bools:
    """Those near the seed that have the commonest colour there, be there tape as well."""
    alike = near
    for _ in range(4):
        off = np.linalg.norm(c - np.median(c[alike], axis=0), axis=1)
        alike = near & (off <= 3 * np.quantile(off[near], 0.25))
    return alike


def nearer(
    c: Floats, hull: Floats, wanted: Floats, near: Bools, *, least: float = 0.25
) -> tuple[Bools, float]:
    """Which colours c (n, d) are nearer to the tape's than to the hull's, and how many spreads the two lie apart.

    The colour asked for gives the direction only: tape is paler or darker on a scan than in its name. ``least`` is
    the share of their difference below which nothing is tape.
    """
    lie = float(np.linalg.norm(wanted - hull))
    if lie == 0:
        return np.zeros(len(c), bool), 0.0
    aim, off = (wanted - hull) / lie, c - hull
    size = np.linalg.norm(off, axis=1)
    spread = np.median(np.abs(off[near] @ aim)) / 0.6745
    floor = max(min(5 * spread, 0.6 * lie), least * lie)
    candidate = (size > floor) & (off @ aim > 0.8 * size)
    if not candidate.any():
        return candidate, 0.0
    strong = candidate & (off @ aim >= np.median(off[candidate] @ aim))
    for _ in range(3):
        tape = np.median(off[strong], axis=0)
        length = float(np.linalg.norm(tape))
        along = off @ tape / length
        across = np.linalg.norm(off - np.outer(along, tape / length), axis=1)
        strong = (along > 0.5 * length) & (across < 0.6 * length)
        if not strong.any():
            return strong, 0.0
    own = np.median(np.abs(along[strong] - length)) / 0.6745
    return strong, length / float(spread + own + 1e-9)


def seen(rgb: Floats, area: Floats) -> str:
    """The scan's colours by name, with an example and their share of the area."""
    names, weight = list(COLOURS), np.array([0.4, 1.0, 1.0])  # lightness tells little in uneven light
    table = lab(np.array([COLOURS[n] for n in names], dtype=np.float64))
    which = cKDTree(table * weight).query(lab(rgb) * weight)[1]
    share = np.bincount(which, area, minlength=len(names)) / area.sum()
    words = []
    for i in np.argsort(-share)[:4]:
        if share[i] >= 0.001:
            r, g, b = np.median(rgb[which == i], axis=0).round().astype(int)
            words.append(f"{names[i]} (#{r:02x}{g:02x}{b:02x}) {100 * share[i]:.1f} %")
    return ", ".join(words)
