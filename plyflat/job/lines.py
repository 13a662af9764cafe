"""Where each key of a TOML text stands, so that a fault can name its line; tomllib does not say."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right

KeyPath = tuple[str | int, ...]

BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
"""A key that needs no quotes."""

_SKIP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?!")"{0,2}' r"|'''.*?'''(?!')'{0,2}" r"""|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""", re.DOTALL
)
_BARE = re.compile(r"[^,\]}#\n]*")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line (from 1) of every key, table and list member of a valid TOML text.

    Parameters
    ----------
    text : str
        A text that tomllib accepts.

    Returns
    -------
    dict
        Key path, members of lists counted from 0, to line.
    """
    return _Scan(text).lines


class _Scan:
    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.starts = [0, *(m.end() for m in re.finditer("\n", text))]
        self.counts: dict[KeyPath, int] = {}
        self.lines: dict[KeyPath, int] = {}
        self.table: KeyPath = ()
        self._skip()
        while self.at < len(text):
            self._header() if text[self.at] == "[" else self._pair(self.table)
            self._skip()

    def _skip(self) -> None:
        found = _SKIP.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def _take(self, pattern: re.Pattern[str]) -> str:
        """Return what matches here and step past it; always a step, so that no text can hold the scan up."""
        found = pattern.match(self.text, self.at)
        self.at = max(found.end() if found else 0, self.at + 1)
        return found[0] if found else ""

    def _key(self) -> tuple[str, ...]:
        parts = [self._part()]
        while _DOT.match(self.text, self.at):
            self._take(_DOT)
            parts.append(self._part())
        return tuple(parts)

    def _part(self) -> str:
        raw = self._take(_PART)
        return str(tomllib.loads(f"x = {raw}")["x"]) if raw[:1] in ("'", '"') else raw

    def _mark(self, path: KeyPath, at: int) -> None:
        self.lines.setdefault(path, bisect_right(self.starts, at))

    def _header(self) -> None:
        start, many = self.at, self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        self._skip()
        *parents, last = self._key()
        path = self._path(parents)
        if many:
            self.counts[(*path, last)] = self.counts.get((*path, last), -1) + 1
        self.table = self._path([*parents, last])
        for n in range(1, len(self.table) + 1):  # a table's parents may have no line of their own
            self._mark(self.table[:n], start)
        self._skip()
        self.at += 2 if many else 1

    def _path(self, parts: list[str]) -> KeyPath:
        """Put the number of the latest member after each key that is a list of tables."""
        path: KeyPath = ()
        for part in parts:
            path = (*path, part)
            if path in self.counts:
                path = (*path, self.counts[path])
        return path

    def _pair(self, table: KeyPath) -> None:
        start = self.at
        path: KeyPath = table
        for part in self._key():
            path = (*path, part)
            self._mark(path, start)
        self._skip()
        self.at += 1  # the equals sign
        self._skip()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._mark(path, self.at)
        opening = self.text[self.at : self.at + 1]
        if opening in ("[", "{"):
            self._members(path, closing="]" if opening == "[" else "}")
        else:
            self._take(_STRING if opening in ("'", '"') else _BARE)

    def _members(self, path: KeyPath, *, closing: str) -> None:
        self.at += 1
        self._skip()
        number = 0
        while self.at < len(self.text) and self.text[self.at] != closing:
            if closing == "}":
                self._pair(path)
            else:
                self._value((*path, number))
            number += 1
            self._skip()
            self.at += self.text.startswith(",", self.at)
            self._skip()
        self.at += 1
