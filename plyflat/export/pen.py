"""Words as single lines, for machines that draw with a pen or a knife and know no letters.

The letters are our own: capitals of straight strokes on a grid of 4 by 6.
"""

from __future__ import annotations

import unicodedata

import numpy as np

from ..surface.mesh import Floats
from .label import WIDTH_OF_LETTER, Words

#: Strokes of each letter, apart by spaces; a stroke is a row of grid points, each two digits: across 0 to 4, up 0 to 6.
_STROKES = {
    "A": "002640 1232", "B": "00063645443303 3342413000", "C": "4536160501103041", "D": "00062644422000",
    "E": "46060040 0333", "F": "460600 0333", "G": "45361605011030414323", "H": "0006 4046 0343",
    "I": "1030 2026 1636", "J": "4641301001", "K": "0006 460340", "L": "060040", "M": "0006234640", "N": "00064046",
    "O": "103041453616050110", "P": "00063645443303", "Q": "103041453616050110 2240", "R": "00063645443303 2340",
    "S": "453616050413334241301001", "T": "0646 2026", "U": "060110304146", "V": "062046", "W": "0610233046",
    "X": "0046 0640", "Y": "062346 2320", "Z": "06460040",
    "0": "103041453616050110 0145", "1": "152620 1030", "2": "05163645440040", "3": "0516364544334241301001 1333",
    "4": "30360242", "5": "460603334241301001", "6": "4536160501103041423303", "7": "064610",
    "8": "13334445361605041302011030414233", "9": "011030414536160504133343",
    ".": "2021", ",": "2110", ":": "2122 2425", ";": "2110 2425", "-": "1333", "+": "0343 2125", "/": "0046",
    "(": "36252130", ")": "16252110", "=": "0242 0444", "_": "0040", "%": "0046 0506161505 3031414030",
    "'": "2526", '"': "1516 3536", "!": "2021 2326", "?": "05163645442322 2021", "*": "0343 1541 1145",
    "<": "450341", ">": "054301", "|": "2026", "[": "36161030", "]": "16363010", "#": "1016 3036 0242 0444",
    "&": "40051626250100103042",
}  # fmt: skip
#: A letter that is not known: an empty box, so that it is seen to be missing.
_MISSING = "0006464000"
_LIKE = {"×": "X", "–": "-", "—": "-", "−": "-", "’": "'", "“": '"', "”": '"', "°": "", "²": "2", "³": "3", "ß": "SS"}
_ACROSS, _UP = WIDTH_OF_LETTER / 6.0, 1.0 / 6.0


def pen_lines(words: Words) -> list[Floats]:
    """Return words as polylines, (k, 2) arrays, mm.

    Small letters are drawn as capitals, accents are left off; a letter that is not known becomes an empty box.

    Parameters
    ----------
    words : Words

    Returns
    -------
    list of (k, 2) float array
    """
    lines = []
    for place, letter in enumerate(plain_capitals(words.text)):
        if letter == " ":
            continue
        for stroke in _STROKES.get(letter, _MISSING).split():
            grid = np.array([[int(stroke[k]), int(stroke[k + 1])] for k in range(0, len(stroke), 2)], dtype=float)
            grid[:, 0] += 6.0 * place
            lines.append(grid * (_ACROSS, _UP) * words.height_mm)
    if words.turn_deg == 90.0:
        lines = [np.stack([-line[:, 1], line[:, 0]], axis=1) for line in lines]
    return [line + np.asarray(words.at_mm) for line in lines]


def plain_capitals(text: str) -> str:
    """Return a text in the letters a pen has.

    >>> plain_capitals("Süd 3 × 2")
    'SUD 3 X 2'
    """
    like = "".join(_LIKE.get(c, c) for c in text)
    bare = "".join(c for c in unicodedata.normalize("NFKD", like) if not unicodedata.combining(c))
    return bare.upper()
