"""Cut a region out of two real scans, fetched on request: ``python scripts/real_scans.py -o folder``.

Neither scan is part of this project, and neither is installed: one file is taken out of each package and kept in a
cache folder.

* ``face000.ply``, a range scan as the scanner gave it (open, 85 849 vertices), out of the wheel of pymeshlab 2025.7 on
  PyPI. The wheel is under the GPL, version 3; terms for the single file are not stated. It is data for a trial here and
  never a dependency.
* ``bunny`` 1.0.1 on npm: its package file says public domain; its README names the Stanford scan repository, which has
  terms of its own for what is made from its scans.

Each is read, mended, cut along an outline and grown; what was found is printed, and a picture is written. The scans state
no unit: each is taken to be so large that its longest side is a stated number of mm.
"""

from __future__ import annotations

import argparse
import io
import json
import re
import subprocess
import sys
import tarfile
import tempfile
import time
import urllib.request
import zipfile
from pathlib import Path

import numpy as np
from _setup import ROOT, ready

CACHE = Path.home() / ".cache" / "plyflat-scans"
WHEEL, MEMBER = "pymeshlab==2025.7", "sample_meshes/rangemaps/face000.ply"
TARBALL = "https://registry.npmjs.org/bunny/-/bunny-1.0.1.tgz"
SIZE_MM = {"face000": 250.0, "bunny": 600.0}


def fetch_face(cache: Path) -> Path:
    """Return the range scan, fetched with pip unless it is there."""
    path = cache / "face000.ply"
    if not path.exists():
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:"]
            subprocess.run([*command, "-d", folder, WHEEL], check=True)
            with zipfile.ZipFile(next(Path(folder).glob("*.whl"))) as wheel:
                name = next(q for q in wheel.namelist() if q.endswith(MEMBER))
                path.write_bytes(wheel.read(name))
    return path


def fetch_bunny(cache: Path) -> Path:
    """Return the bunny as a PLY, made from the package's lists of points and triangles unless it is there."""
    path = cache / "bunny.ply"
    if not path.exists():
        with urllib.request.urlopen(TARBALL, timeout=60) as answer:
            packed = answer.read()
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            member = archive.extractfile("package/index.js")
            if member is None:
                raise SystemExit("the package holds no index.js")
            text = member.read().decode()
        v, f = (np.array(json.loads(_list_after(name, text))) for name in ("positions", "cells"))
        write_ply(path, v, f)
    return path


def _list_after(name: str, text: str) -> str:
    """Return the list of lists that a script exports under a name."""
    found = re.search(rf"exports\.{name}\s*=\s*(\[\[.*?\]\])", text, flags=re.S)
    if not found:
        raise SystemExit(f"the package's index.js has no {name}")
    return found.group(1)


def write_ply(path: Path, v: np.ndarray, f: np.ndarray) -> None:
    """Write a binary PLY."""
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(v)}\nproperty float x\nproperty float y\n"
        f"property float z\nelement face {len(f)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(f), dtype=[("k", "u1"), ("f", "<i4", 3)])
    rows["k"], rows["f"] = 3, f
    path.write_bytes(head.encode() + v.astype("<f4").tobytes() + rows.tobytes())


def scaled(path: Path, longest_mm: float, folder: Path) -> Path:
    """Return a copy of a mesh file scaled to a size in mm."""
    import trimesh

    mesh = trimesh.load(path, process=False)
    v = np.asarray(mesh.vertices, dtype=np.float64)
    out = folder / f"{path.stem}_mm.ply"
    write_ply(out, v * (longest_mm / np.ptp(v, axis=0).max()), np.asarray(mesh.faces))
    return out


def outline_on(surface, share: float = 0.2, points: int = 10) -> np.ndarray:
    """(points, 3) outline round the vertex that lies deepest inside the largest open side of a scan."""
    v, n = surface.vertices_mm, surface.vertex_normals
    radius = share * float(np.ptp(v, axis=0).max())
    middle = v.mean(axis=0)
    # Of some vertices the one with the most even surroundings: most of its neighbourhood faces the same way.
    rng = np.random.default_rng(0)
    best, where = -np.inf, 0
    for k in rng.choice(len(v), size=200, replace=False):
        near = np.linalg.norm(v - v[k], axis=1) < 1.2 * radius
        even = float(np.linalg.norm(n[near].mean(axis=0))) - 0.5 * float(np.linalg.norm(v[k] - middle)) / radius / 5
        spread = float(np.linalg.norm(v[near].mean(axis=0) - v[k])) / radius
        if even - spread > best:
            best, where = even - spread, int(k)
    near = np.linalg.norm(v - v[where], axis=1) < radius
    axis = n[near].mean(axis=0)
    axis /= np.linalg.norm(axis)
    u = np.cross(axis, [0.31, 0.95, 0.1])
    u /= np.linalg.norm(u)
    t = np.linspace(0, 2 * np.pi, points, endpoint=False)[:, None]
    ring = v[where] + radius * (np.cos(t) * u + np.sin(t) * np.cross(axis, u))
    return surface.locate(ring).points_mm


def examine(name: str, path: Path, out: Path) -> bool:
    """Mend, cut, grow and draw one scan; return whether all checks hold."""
    from damage import region_faults

    from plyflat.surface import cut_region, grow_regions, load_surface

    with tempfile.TemporaryDirectory() as folder:
        began = time.process_time()
        surface = load_surface(scaled(path, SIZE_MM[name], Path(folder)), unit="mm")
    mended = time.process_time()
    region = cut_region(surface, outline_on(surface), tolerance_mm=0.1 * SIZE_MM[name])
    cut = time.process_time()
    plies = grow_regions(region, [-6.0, 6.0, 12.0])
    grown = time.process_time()
    size = " x ".join(f"{s:.0f}" for s in surface.size_mm)
    print(f"\n{name}: {len(surface.faces)} triangles, {size} mm, mean edge {surface.mean_edge_mm:.2f} mm")
    for r in surface.repairs:
        print(f"  {r.count:6} {r.what} [{r.severity}]")
    faults = []
    for what, q in (("region", region), ("-6 mm", plies[0]), ("+6 mm", plies[1]), ("+12 mm", plies[2])):
        found = region_faults(q)
        faults += found
        print(
            f"  {what:7} {q.area_mm2:10.1f} mm², rim {q.perimeter_mm:7.1f} mm, {len(q.loops)} loops, short by "
            f"{q.short_mm:.1f} mm, least angle {least_angle_deg(q):.1f} deg: {'; '.join(found) or 'sound'}"
        )
    print(f"  seconds of the processor: mend {mended - began:.1f}, cut {cut - mended:.1f}, grow {grown - cut:.1f}")
    draw(surface, region, plies, out / f"{name}.png")
    return not faults


def least_angle_deg(region) -> float:
    """Smallest angle of the patch's triangles along its outline."""
    on = np.isin(region.surface.faces, np.concatenate(region.loops)).any(axis=1)
    p = region.surface.vertices_mm[region.surface.faces[on]]
    side = np.sort(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2), axis=1)
    twice = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    return float(np.degrees(np.arcsin(np.clip((twice / side[:, 1] / side[:, 2]).min(), 0, 1))))


def draw(surface, region, plies, path: Path) -> None:
    """Write a picture: the scan, the region on it and the outlines of the plies."""
    import pyvista

    pyvista.OFF_SCREEN = True
    view = pyvista.Plotter(off_screen=True, window_size=(1400, 1000))
    view.add_mesh(pyvista.PolyData.from_regular_faces(surface.vertices_mm, surface.faces), color="#c9c5ba")
    patch = region.surface
    lift = 0.002 * float(np.ptp(surface.vertices_mm, axis=0).max()) * patch.vertex_normals
    mesh = pyvista.PolyData.from_regular_faces(patch.vertices_mm + lift, patch.faces)
    view.add_mesh(mesh, color="#4f86b5", show_edges=True, edge_color="#28445c", line_width=0.3)
    for q, colour in zip([region, *plies], ("#14202b", "#8a5a00", "#a03a1e", "#5b2a86")):
        for loop in q.loops:
            line = pyvista.lines_from_points(q.surface.vertices_mm[np.r_[loop, loop[:1]]])
            view.add_mesh(line, color=colour, line_width=4, render_lines_as_tubes=True)
    axis = patch.vertex_normals.mean(axis=0)
    middle = patch.vertices_mm.mean(axis=0)
    far = 2.0 * float(np.linalg.norm(surface.size_mm))
    view.camera_position = [middle + far * axis / np.linalg.norm(axis), middle, (0, 1, 0)]
    view.camera.zoom(1.4)
    view.screenshot(path)
    view.close()
    print(f"  drawn: {path}")


def main() -> int:
    """Fetch both scans and try them."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("-o", "--output", type=Path, default=Path("scans_out"))
    ask.add_argument("--cache", type=Path, default=CACHE, help="folder for what is fetched")
    options = ask.parse_args()
    python = ready("test")
    if Path(sys.prefix).resolve() != python.parent.parent.resolve():
        return subprocess.call([str(python), *sys.argv])
    sys.path.append(str(ROOT / "tests"))
    options.cache.mkdir(parents=True, exist_ok=True)
    options.output.mkdir(parents=True, exist_ok=True)
    sound = [
        examine(name, fetch(options.cache), options.output)
        for name, fetch in (("face000", fetch_face), ("bunny", fetch_bunny))
    ]
    return int(not all(sound))


if __name__ == "__main__":
    raise SystemExit(main())
