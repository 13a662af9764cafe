"""A small job of one flat panel on one mesh, for the tests of the page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import shapes
import trimesh

from plyflat.job.reader import job_from_text
from plyflat.page.start import load_meshes

JOB = """\
version = 1
name = "test sheet"
[mesh.hull]
file = "hull.ply"
unit = "mm"
[boat]
forward = [0, 1, 0]
[[region]]
name = "panel"
mesh = "hull"
outline = { unit = "mm", points = [[100,200,0],[300,200,0],[300,300,0],[100,300,0]] }
[[region.ply]]
cloth = "glass"
angle = "0 deg"
[[region.ply]]
cloth = "glass"
angle = "45 deg"
grow = "-10 mm"
[cloth.glass]
areal_weight = "300 g/m^2"
roll_width = "1 m"
roll_length = "10 m"
fibre = "glass"
weave = "mat"
face_up = "out"
[resin]
ratio = "100:30"
fibre_mass_fraction = "50 %"
[lay]
tries = 1
"""


def ring_on_a_cone():
    """A cone and a job whose region is a ring round its tip, from 100 to 300 mm off it: points, faces, text."""
    v, f = shapes.turning_cone(60.0, 400.0)
    low, wide = -300.0 * np.cos(np.radians(60.0)), 300.0 * np.sin(np.radians(60.0))
    points = ",".join(f"[{wide * np.cos(t):.2f},{wide * np.sin(t):.2f},{low:.2f}]" for t in np.linspace(0.0, 2.0 * np.pi, 49)[:-1])
    hole = 'seed = "86.6 0 -50 mm"\nminus = [{ spot = { point = "0 0 0 mm", radius = "100 mm" } }]\n'
    return v, f, re.sub(r"points = .*", f"points = [{points}] }}", JOB).replace("[[region.ply]]", f"{hole}[[region.ply]]", 1)


def loaded(folder, points, faces, text=JOB):
    """The meshes of a job, written to a folder first."""
    (folder / "hull.ply").write_bytes(trimesh.Trimesh(points, faces, process=False).export(file_type="ply"))
    (folder / "job.toml").write_text(text)
    return load_meshes(job_from_text(text, folder=folder))


def drawn(svg, layer):
    """Corners of each stroke of a layer, (k, 2), y down."""
    group = [g for g in ET.fromstring(svg) if g.get("id") == layer]
    paths = [p.get("d") for g in group for p in g if p.tag.endswith("path")]
    return [np.array(re.findall(r"[\d.]+", d), dtype=float).reshape(-1, 2) for d in paths]
