"""Mesh files read into plain arrays, with the faults of each format told apart.

The general reader is trimesh, told to mend nothing. Around it stand the checks it does not make: a file cut short is
read by it as an empty or a smaller mesh without a word (binary STL, text STL, text PLY, OFF).
"""

from __future__ import annotations

import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import MeshError
from .mesh import Floats, Ints

SUFFIXES = (".stl", ".ply", ".obj", ".glb", ".3mf", ".off")

#: What trimesh and what it calls raise on a broken file; seen with cut and scrambled files of each format.
READING = (
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    ArithmeticError,
    NameError,
    OSError,
    EOFError,
    SyntaxError,
    RuntimeError,
    struct.error,
    zlib.error,
    zipfile.BadZipFile,
    DeprecationWarning,
)


@dataclass(frozen=True, eq=False)
class Raw:
    """What stands in a mesh file, in the file's own unit.

    Attributes
    ----------
    vertices : (n, 3) float array
    faces : (m, 3) int array
    colors : (n, 3) uint8 array or None
    declared : tuple of str
        Units the file names itself.
    points : int
        Points that belong to no mesh (a point cloud).
    """

    vertices: Floats
    faces: Ints
    colors: NDArray[np.uint8] | None
    declared: tuple[str, ...]
    points: int = 0


def read_file(path: Path) -> Raw:
    """Read a mesh file of any known kind.

    Raises
    ------
    MeshError
        No such file, an unknown suffix, an empty or cut file, or one that cannot be made sense of.
    """
    kind = _kind(path)
    data = _bytes(path)
    CHECKS[kind](data, str(path))
    try:
        return _read_stl(data, str(path)) if kind == ".stl" else _read_scene(path, kind, data)
    except MeshError:
        raise
    except READING as fault:
        raise MeshError(
            f"cannot be read as {kind[1:].upper()} ({len(data)} bytes): {fault}",
            where=str(path),
            do="Export the mesh again, as binary PLY or STL.",
        ) from fault


def _kind(path: Path) -> str:
    known = ", ".join(SUFFIXES)
    if not path.exists():
        raise MeshError("no such file", where=str(path), do="Check the name and the folder.")
    if path.is_dir():
        raise MeshError("is a folder, not a mesh file", where=str(path), do=f"Name a file: {known}.")
    kind = path.suffix.lower()
    if kind not in SUFFIXES:
        said = f"unknown kind of file '{path.suffix}'" if path.suffix else "the file name has no suffix"
        raise MeshError(said, where=str(path), do=f"Known: {known}.")
    return kind


def _bytes(path: Path) -> bytes:
    try:
        data = path.read_bytes()
    except OSError as fault:
        raise MeshError(f"cannot be read: {fault.strerror}", where=str(path)) from fault
    if not data.strip():
        raise MeshError(
            f"the file is empty ({len(data)} bytes)", where=str(path), do="Export the mesh again."
        )
    return data


def _cut(what: str, where: str) -> MeshError:
    return MeshError(f"the file is cut short: {what}", where=where, do="Copy or export it again.")


# --- STL -------------------------------------------------------------------------------------------------------

_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)")


def _is_text_stl(data: bytes) -> bool:
    head = data[:1024].lower()
    said = int.from_bytes(data[80:84], "little")
    if len(data) >= 84 and len(data) == 84 + 50 * said:
        return False
    return head.lstrip().startswith(b"solid") and b"\0" not in head


def _check_stl(data: bytes, where: str) -> None:
    if _is_text_stl(data):
        low = data.lower()
        begun, ended = len(re.findall(rb"\bfacet\s+normal", low)), low.count(b"endfacet")
        if begun != ended or b"endsolid" not in low[-1024:]:
            raise _cut(f"{begun} facets begun, {ended} ended, and the closing 'endsolid' must be last", where)
        return
    if len(data) < 84:
        raise _cut(f"{len(data)} bytes, but the head of a binary STL alone has 84", where)
    said, there = int.from_bytes(data[80:84], "little"), (len(data) - 84) // 50
    if there < said:
        raise _cut(f"its head says {said} triangles, there is room for {there}", where)


def _read_stl(data: bytes, where: str) -> Raw:
    if _is_text_stl(data):
        found = _VERTEX.findall(data.lower())
        v = np.array(found, dtype=np.bytes_).astype(np.float64).reshape(-1, 3)
        if len(v) % 3:
            raise MeshError(f"{len(v)} corners do not make whole triangles", where=where)
    else:
        count = int.from_bytes(data[80:84], "little")
        v = np.frombuffer(data, _FACET, count, 84)["corners"].reshape(-1, 3).astype(np.float64)
    return Raw(v, np.arange(len(v), dtype=np.int64).reshape(-1, 3), None, ())


# --- PLY -------------------------------------------------------------------------------------------------------

_PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "int64": "i8", "uint64": "u8",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8", "float16": "f2",
}  # fmt: skip


@dataclass
class _Element:
    name: str
    count: int
    fields: list[tuple[str, str]]  # name, numpy type; for a list the type of its length and of one entry
    lists: int = 0

    @property
    def least_bytes(self) -> int:
        """Bytes of one record when every list has three entries, as in triangles."""
        return sum(np.dtype(t).itemsize for _, t in self.fields)


def _ply_head(data: bytes, where: str) -> tuple[list[_Element], str, int]:
    end = re.search(rb"end_header[ \t]*\r?\n", data)
    if not data.startswith(b"ply") or not end:
        if data.startswith(b"ply"):
            raise _cut(f"its head has no end ({len(data)} bytes)", where)
        raise MeshError("is not a PLY file: it does not begin with 'ply'", where=where)
    elements: list[_Element] = []
    form = "ascii"
    for words in (line.split() for line in data[: end.start()].decode("latin-1").splitlines()):
        if words[:1] == ["format"]:
            form = words[1]
        elif words[:1] == ["element"]:
            elements.append(_Element(words[1], int(words[2]), []))
        elif words[:2] == ["property", "list"]:
            elements[-1].lists += 1
            one = np.dtype(_PLY_TYPES[words[3]]).itemsize
            least = 3 * one if elements[-1].name == "face" and elements[-1].lists == 1 else 0
            elements[-1].fields += [(words[-1], _PLY_TYPES[words[2]]), (words[-1], f"V{least}")]
        elif words[:1] == ["property"]:
            elements[-1].fields.append((words[2], _PLY_TYPES[words[1]]))
    return elements, form, end.end()


def _check_ply(data: bytes, where: str) -> None:
    try:
        elements, form, start = _ply_head(data, where)
    except (LookupError, TypeError) as fault:
        raise MeshError(f"the head of the PLY file makes no sense: {fault}", where=where) from fault
    counts = " and ".join(f"{e.count} {e.name}" for e in elements)
    if form != "ascii":
        need, there = sum(e.count * e.least_bytes for e in elements), len(data) - start
        if there < need:
            raise _cut(f"its head says {counts}, which is {need} bytes, and {there} follow", where)
        return
    lines, need = _line_count(data, start), sum(e.count for e in elements)
    if lines < need:
        raise _cut(f"its head says {counts}, which is {need} lines, and {lines} follow", where)
    if lines == need and elements and elements[-1].name == "face":
        _check_last_face(data, need, where)


def _line_count(data: bytes, start: int) -> int:
    return data.count(b"\n", start) + (not data.endswith(b"\n"))


def _check_last_face(data: bytes, need: int, where: str) -> None:
    last = data[data.rstrip().rfind(b"\n") + 1 :].split()
    if last and last[0].isdigit() and len(last) < 1 + int(last[0]):
        raise _cut(f"line {need} after the head is '{b' '.join(last).decode('latin-1')}'", where)


def _ply_float_colors(data: bytes, where: str) -> NDArray[np.uint8] | None:
    """Colours given as floats, which may run to 1 or to 255; the general reader takes 1 for granted."""
    elements, form, start = _ply_head(data, where)
    names = [n for n, _ in elements[0].fields] if elements else []
    if not elements or elements[0].name != "vertex" or elements[0].lists or "red" not in names:
        return None
    e = elements[0]
    if dict(e.fields)["red"][0] != "f":
        return None
    if form == "ascii":
        text = data[start:].split(b"\n", e.count)[: e.count]
        table = np.array([line.split() for line in text], dtype=np.bytes_).astype(np.float64)
        rgb = table[:, [names.index(k) for k in ("red", "green", "blue")]]
    else:
        order = ">" if "big" in form else "<"
        block = np.frombuffer(data, np.dtype([(n, order + t) for n, t in e.fields]), e.count, start)
        rgb = np.stack([block[k] for k in ("red", "green", "blue")], axis=1).astype(np.float64)
    return float_colors(rgb)


def float_colors(rgb: Floats) -> NDArray[np.uint8]:
    """Colours as floats to bytes: by 255 where none is above 1, else as they are."""
    scale = 255.0 if rgb.max(initial=0.0) <= 1.0 else 1.0
    return np.clip(np.rint(rgb * scale), 0, 255).astype(np.uint8)


# --- the other kinds -------------------------------------------------------------------------------------------


def _check_obj(data: bytes, where: str) -> None:
    """Catch what can be caught: the format has no end mark, so a clean cut between lines cannot be seen."""
    last = data[data.rstrip().rfind(b"\n") + 1 :].split()
    short = {b"f": 4, b"v": 4, b"vt": 2, b"vn": 4}.get(last[0], 0) if last else 0
    if len(last) < short:
        raise _cut(f"its last line is '{b' '.join(last).decode('latin-1')}'", where)


def _check_off(data: bytes, where: str) -> None:
    lines = [s for s in (q.split(b"#")[0].strip() for q in data.splitlines()) if s]
    mark = re.match(rb"(ST)?(C)?(N)?OFF\b\s*(.*)", lines[0] if lines else b"")
    if not mark:
        raise MeshError("is not an OFF file: it does not begin with 'OFF'", where=where)
    rest = ([mark[4]] if mark[4] else []) + lines[1:]
    try:
        points, faces = (int(w) for w in rest[0].split()[:2])
    except (IndexError, ValueError) as fault:
        raise _cut("the line with its counts is missing or broken", where) from fault
    if len(rest) - 1 < points + faces:
        raise _cut(f"it says {points} points and {faces} faces, and {len(rest) - 1} lines follow", where)
    last = rest[points + faces].split()
    if faces and last[0].isdigit() and len(last) < 1 + int(last[0]):
        raise _cut(f"its last face is '{b' '.join(last).decode('latin-1')}'", where)


def _check_glb(data: bytes, where: str) -> None:
    if data[:4] != b"glTF"[: len(data)]:
        raise MeshError("is not a GLB file: it does not begin with 'glTF'", where=where)
    said = int.from_bytes(data[8:12], "little")
    if len(data) < max(said, 12):
        raise _cut(f"its head says {said} bytes, there are {len(data)}", where)


def _check_3mf(data: bytes, where: str) -> None:
    if not data.startswith(b"PK"):
        raise MeshError("is not a 3MF file: it is not a zip archive", where=where)
    if b"PK\x05\x06" not in data[-66000:]:
        raise _cut(f"the zip archive has no directory at its end ({len(data)} bytes)", where)


CHECKS: dict[str, Callable[[bytes, str], None]] = {
    ".stl": _check_stl,
    ".ply": _check_ply,
    ".obj": _check_obj,
    ".off": _check_off,
    ".glb": _check_glb,
    ".3mf": _check_3mf,
}


def _read_scene(path: Path, kind: str, data: bytes) -> Raw:
    import trimesh

    scene = trimesh.load_scene(str(path), process=False, maintain_order=True)
    vertices, faces, colors = [], [], []
    declared = {".glb": ["m"]}.get(kind, [])
    points = start = 0
    for node in scene.graph.nodes_geometry:
        move, name = scene.graph[node]
        part = scene.geometry[name]
        if not isinstance(part, trimesh.Trimesh):
            points += len(part.vertices)
            continue
        f = np.asarray(part.faces, dtype=np.int64)
        if len(f) and (f.min() < 0 or f.max() >= len(part.vertices)):
            raise MeshError(
                f"a face names vertex {int(f.max()) + 1} of {len(part.vertices)}", where=str(path)
            )
        with np.errstate(invalid="ignore"):  # points without coordinates are told of later
            vertices.append(part.vertices @ move[:3, :3].T + move[:3, 3])
        faces.append((f if np.linalg.det(move[:3, :3]) > 0 else f[:, ::-1]) + start)
        colors.append(_colors(part))
        start += len(part.vertices)
        if kind in (".3mf", ".glb") and part.units:
            declared.append(str(part.units))
    v = np.concatenate(vertices) if vertices else np.zeros((0, 3))
    f = np.concatenate(faces) if faces else np.zeros((0, 3), dtype=np.int64)
    c = _own_colors(kind, data, str(path), len(v))
    return Raw(v, f, _join_colors(colors, vertices) if c is None else c, tuple(declared), points)


def _own_colors(kind: str, data: bytes, where: str, count: int) -> NDArray[np.uint8] | None:
    found = None
    if kind == ".ply":
        found = _ply_float_colors(data, where)
    elif kind == ".obj":
        found = _obj_colors(data)
    return found if found is not None and len(found) == count else None


def _obj_colors(data: bytes) -> NDArray[np.uint8] | None:
    first = re.search(rb"^v[ \t]+([^\n]*)", data, re.MULTILINE)
    if not first or len(first[1].split()) < 6:
        return None
    rows = re.findall(rb"^v[ \t]+\S+[ \t]+\S+[ \t]+\S+[ \t]+(\S+)[ \t]+(\S+)[ \t]+(\S+)", data, re.MULTILINE)
    return float_colors(np.array(rows, dtype=np.bytes_).astype(np.float64))


def _colors(part: Any) -> NDArray[np.uint8] | None:
    kind = part.visual.kind
    if kind == "vertex":
        return np.asarray(part.visual.vertex_colors)[:, :3].astype(np.uint8)
    if kind == "face":
        return _spread(part)
    if kind == "texture":
        material = part.visual.material
        image = getattr(material, "baseColorTexture", None) or getattr(material, "image", None)
        if image is not None and part.visual.uv is not None:
            return np.asarray(part.visual.to_color().vertex_colors)[:, :3].astype(np.uint8)
    return None


def _spread(part: Any) -> NDArray[np.uint8]:
    """Colours of the faces, averaged at the vertices."""
    rgb = np.asarray(part.visual.face_colors)[:, :3].astype(np.float64)
    f, n = np.asarray(part.faces), len(part.vertices)
    used = np.maximum(np.bincount(f.ravel(), minlength=n), 1)
    at = [np.bincount(f.ravel(), np.repeat(rgb[:, k], 3), minlength=n) / used for k in range(3)]
    return np.rint(np.stack(at, axis=1)).astype(np.uint8)


def _join_colors(colors: list, vertices: list) -> NDArray[np.uint8] | None:
    if all(c is None for c in colors):
        return None
    grey = [np.full((len(v), 3), 200, np.uint8) if c is None else c for c, v in zip(colors, vertices)]
    return np.concatenate(grey)
