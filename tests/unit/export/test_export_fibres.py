"""Fibres of a ply at the vertices of its mesh, and their files as other readers see them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import plans
import pytest
import pyvista
import shapes
import trimesh

from plyflat.cloth.drape import drape
from plyflat.cloth.draped import draped_flat
from plyflat.cloth.flatten import flatten
from plyflat.cloth.pieces import warp_frame
from plyflat.errors import CheckError
from plyflat.export import fibres as module
from plyflat.export.fibres import PROPERTIES, fibres_of, ply_bytes, write_fibres
from plyflat.planned import Piece3D
from plyflat.surface.mesh import Surface

FORWARD = np.array([1.0, 0, 0])


def ply_of(surface, flat, angle, face_up="out"):
    frame, _ = warp_frame(surface, flat, FORWARD, angle_deg=angle, face_up=face_up)
    piece = Piece3D(surface, flat, np.zeros(len(surface.faces)), table_mm=frame.apply(flat.uv_mm))
    return SimpleNamespace(pieces=(piece,), angle_deg=angle, name="P1", cloth="carbon twill 200")


@pytest.fixture(scope="module")
def dome():
    v, f = shapes.cap(45, 1000.0, triangles=12000)
    return Surface(v, f)


@pytest.fixture(scope="module")
def draped(dome):
    return draped_flat(drape(dome, [0, 0, 1000], [1, 0, 0], turn_deg=20))


@pytest.mark.parametrize("face_up", ["out", "in"])
def test_fibres_of_a_draped_dome_are_those_of_its_net(dome, draped, face_up):
    found = fibres_of(ply_of(dome, draped.flat, 20.0, face_up), warp=FORWARD, areal_weight_g_m2=200.0)
    net = draped.drape
    inner = np.ones(len(dome.vertices_mm), dtype=bool)
    inner[dome.boundary_loops[0]] = False
    for mine, theirs in ((found.warp, net.warp), (found.weft, net.weft)):
        off = np.degrees(np.arccos(np.clip((mine * theirs).sum(axis=1), -1, 1)))
        assert np.percentile(off[inner], 99) < 0.5
    assert np.percentile(np.abs(found.shear_deg - net.shear_deg)[inner], 99) < 0.5
    assert np.percentile(np.abs(found.thickness_factor - net.weight_factor)[inner], 99) < 0.01
    assert np.allclose(found.areal_weight_g_m2, 200 * found.thickness_factor)
    assert found.thickness_factor.max() > 1.03


def test_at_the_start_the_warp_is_at_the_plys_angle(dome, draped):
    found = fibres_of(ply_of(dome, draped.flat, 20.0), warp=FORWARD, areal_weight_g_m2=200.0)
    at = np.linalg.norm(dome.vertices_mm - [0, 0, 1000], axis=1) < 60
    assert np.abs(found.warp_off_deg[at]).max() < 0.3
    assert np.abs(found.weft_off_deg[at]).max() < 0.6
    # Stated at another angle they are off by the difference, positive when they lie to the left of it.
    other = fibres_of(ply_of(dome, draped.flat, 5.0), warp=FORWARD, areal_weight_g_m2=200.0)
    assert other.warp_off_deg[at] == pytest.approx(15, abs=0.3)


def test_a_flat_sheet_that_was_flattened_keeps_square_fibres_at_its_angle():
    v, f = shapes.rectangle(300.0, 200.0, 1000)
    s = Surface(np.column_stack([v, 0 * v[:, 0]]), f)
    found = fibres_of(ply_of(s, flatten(s), 45.0), warp=FORWARD, areal_weight_g_m2=300.0)
    assert np.allclose(found.warp, np.array([1, 1, 0]) / np.sqrt(2), atol=1e-6)
    assert np.allclose(found.weft, np.array([-1, 1, 0]) / np.sqrt(2), atol=1e-6)
    assert np.abs(found.warp_off_deg).max() < 1e-4
    assert np.abs(found.shear_deg).max() < 1e-4
    assert np.allclose(found.thickness_factor, 1)


def test_the_ply_file_is_read_by_another_reader(dome, draped, tmp_path):
    found = fibres_of(ply_of(dome, draped.flat, 20.0), warp=FORWARD, areal_weight_g_m2=200.0)
    path = tmp_path / "fibres.ply"
    path.write_bytes(ply_bytes(found))
    mesh = trimesh.load(path, process=False)
    assert np.allclose(mesh.vertices, found.points_mm)
    assert (mesh.faces == found.faces).all()
    data = mesh.metadata["_ply_raw"]["vertex"]["data"]
    for name, column in zip(PROPERTIES, found.table.T):
        assert np.allclose(np.asarray(data[name]).ravel(), column, rtol=1e-6, atol=1e-4), name


def test_files_of_a_plan(dome, draped, tmp_path, tmp_path_factory):
    plan = plans.make(tmp_path_factory.mktemp("plan"))
    ply = ply_of(dome, draped.flat, 20.0)
    region = SimpleNamespace(name=plans.REGION, plies=(ply, ply), warp_mm=np.array([[0, 0, 0], [1.0, 0, 0]]))
    files = write_fibres(SimpleNamespace(job=plan.job, regions=(region,)), tmp_path)
    assert len({f.name for f in files}) == 4
    mesh = pyvista.read(next(f for f in files if f.suffix == ".vtp"))
    assert mesh.point_data["warp"].shape == (len(dome.vertices_mm), 3)
    assert mesh.point_data["areal_weight_g_m2"].min() == pytest.approx(200, rel=0.01)
    assert set(mesh.point_data.keys()) == {"warp", "weft", *PROPERTIES[6:]}


def test_a_file_that_does_not_read_back_stops_the_export(dome, draped, tmp_path, tmp_path_factory, monkeypatch):
    def moved(fibres):
        data = bytearray(ply_bytes(fibres))
        at = data.index(b"end_header\n") + 11
        data[at : at + 8] = np.float64(12345.0).tobytes()
        return bytes(data)

    monkeypatch.setattr(module, "ply_bytes", moved)
    plan = plans.make(tmp_path_factory.mktemp("plan"))
    region = SimpleNamespace(
        name=plans.REGION, plies=(ply_of(dome, draped.flat, 20.0),), warp_mm=np.array([[0, 0, 0], [1.0, 0, 0]])
    )
    with pytest.raises(CheckError, match="read back"):
        write_fibres(SimpleNamespace(job=plan.job, regions=(region,)), tmp_path)


def test_pieces_whose_place_on_the_table_is_not_known_have_none(dome, draped):
    ply = ply_of(dome, draped.flat, 20.0)
    bare = SimpleNamespace(pieces=(*ply.pieces, Piece3D(dome, draped.flat, np.zeros(3))), angle_deg=0.0)
    assert fibres_of(bare, warp=FORWARD, areal_weight_g_m2=200.0) is None
