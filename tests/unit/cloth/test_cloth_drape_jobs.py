"""Jobs whose threads cannot be laid as they say: refused with the place or the line, or mended and told."""

import numpy as np
import pytest
import shapes
import trimesh

from plyflat import make_plan
from plyflat.errors import JobError, MeshError, PlyflatError

RADIUS_MM = 300.0

JOB = """
version = 1
name = "dome"

[mesh.dome]
file = "dome.{kind}"
unit = "mm"

[boat]
forward = [1, 0, 0]
up = [0, 1, 0]

[[region]]
name = "crown"
mesh = "dome"
warp = {warp}
outline = {{ unit = "mm", points = {outline} }}
{drape}

[[region.ply]]
cloth = "twill"
angle = "{angle} deg"

[cloth.twill]
areal_weight = "200 g/m^2"
roll_width = "1270 mm"
roll_length = "10 m"
fibre = "carbon"
face_up = "out"
weave = "twill 2x2"
{shear}
"""


def ring(half_deg, count=24, turn_deg=0.0):
    """Points of a circle of latitude, moved over the dome."""
    a = np.radians(np.arange(count) * 360 / count)
    c, s = np.cos(np.radians(half_deg)), np.sin(np.radians(half_deg))
    q, t = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    x, y, z = s * np.cos(a), s * np.sin(a), np.full(count, c)
    return (RADIUS_MM * np.stack([q * x + t * z, y, q * z - t * x], axis=1)).round(2).tolist()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("dome")
    v, f = shapes.cap(80, RADIUS_MM, triangles=5000)
    trimesh.Trimesh(v, f, process=False).export(folder / "dome.stl")
    # Some triangles drawn twice and some shrunk to a line, as a hurried export leaves them.
    w = np.vstack([f, f[50:60], f[[100, 101]][:, [0, 1, 1]]])
    trimesh.Trimesh(v, w, process=False).export(folder / "dome.ply")
    bad = v.copy()
    bad[7] = np.nan
    text = "\n".join(["OFF", f"{len(v)} {len(f)} 0", *(f"{x} {y} {z}" for x, y, z in bad), *(f"3 {a} {b} {c}" for a, b, c in f)])
    (folder / "dome.off").write_text(text + "\n")
    return folder


def planned(folder, *, kind="stl", warp='"forward"', outline=None, drape="", angle=0, shear=""):
    text = JOB.format(kind=kind, warp=warp, outline=outline or ring(45), drape=drape, angle=angle, shear=shear)
    job = folder / "job.toml"
    job.write_text(text)
    return make_plan(job)


def start_at(x, y, z):
    return f'drape = {{ start = "{x} {y} {z} mm" }}'


def test_a_job_that_can_be_is_laid_by_its_threads(folder):
    (ply,) = planned(folder, drape=start_at(0, 0, 300)).regions[0].plies
    assert ply.by_threads
    drape = ply.layings[0].draped.drape
    assert drape.most_deg == pytest.approx(16.1, abs=0.4)
    assert drape.check.worst_deg < 0.1
    (t,) = ply.templates
    assert t.start.distance(t.net.centroid) < 3
    assert len(t.warp_thread) == len(t.weft_thread) == 1


@pytest.mark.parametrize(("given", "says"), [
    # 30 mm above the crown, and on the dome but 55 degrees from the crown where the ply ends at 45.
    ({"drape": start_at(0, 0, 330)}, r"\(0, 0, 330\) mm.*30\.\d mm off the ply"),
    ({"drape": start_at(245.7, 0, 172.1)}, r"\(246, 0, 172\) mm.*\d\d\.\d mm off the ply"),
    ({"warp": '["0 0 0 mm", "0 0 100 mm"]'}, "square to the surface"),
], ids=["start off the surface", "start outside the ply", "warp square to the surface"])
def test_starts_and_warps_that_cannot_be_are_refused_with_the_place(folder, given, says):
    outline = ring(12) if "warp" in given else None
    with pytest.raises(PlyflatError, match=says) as caught:
        planned(folder, outline=outline, **given)
    assert "mm" in (caught.value.where or str(caught.value))


@pytest.mark.parametrize(("shear", "says"), [
    ('lock = "90 deg"', r"cloth\.twill\.lock .*between"),
    ('lock = "0 deg"', r"cloth\.twill\.lock "),
    ('lock = "30 deg"\nlock_back = "-10 deg"', r"cloth\.twill\.lock_back "),
    ('bias_test = ["105 mm", "185 mm"]', r"cloth\.twill\.bias_test .*longer"),
    ('bias_test = ["185 mm", "105 mm"]\nbias_test_back = ["100 mm", "100 mm"]', r"cloth\.twill\.bias_test_back .*longer"),
    ('tows = ["2 mm", "1.6 mm"]', r"cloth\.twill\.tows .*narrower"),
    ('tows = ["2 mm", "2 mm"]', r"cloth\.twill\.tows .*narrower"),
])
def test_shear_that_no_cloth_has_is_a_fault_with_its_line(folder, shear, says):
    with pytest.raises(JobError, match=says) as caught:
        planned(folder, shear=shear)
    assert "line " in str(caught.value)


def test_broken_triangles_of_a_file_are_mended_before_threads_are_laid(folder):
    clean = planned(folder, drape=start_at(0, 0, 300))
    mended = planned(folder, kind="ply", drape=start_at(0, 0, 300))
    one, two = (p.regions[0].plies[0].templates[0].net.area for p in (clean, mended))
    assert two == pytest.approx(one, rel=1e-4)
    assert mended.regions[0].plies[0].by_threads
    assert sum(r.count for r in mended.meshes[0].surface.repairs) >= 12


def test_a_corner_without_coordinates_is_left_out_with_its_place_and_many_are_refused(folder):
    plan = planned(folder, kind="off", drape=start_at(0, 0, 300))
    assert plan.regions[0].plies[0].by_threads
    (told,) = [r for r in plan.meshes[0].surface.repairs if r.kind == "coordinates"]
    assert np.isfinite(told.where_mm).all()
    text = (folder / "dome.off").read_text().splitlines()
    text[2:1500] = ["nan nan nan"] * 1498
    (folder / "dome.off").write_text("\n".join(text))
    with pytest.raises(MeshError, match="vertices have no coordinates"):
        planned(folder, kind="off")
