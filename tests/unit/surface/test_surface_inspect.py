"""What the inspection of a mesh file says, on files whose faults are known."""

import numpy as np
import pytest
import trimesh

from plyflat.errors import MeshError, UnknownUnit
from plyflat.surface import inspect_mesh, noise_mm
from plyflat.surface.mesh import Surface


def grid(nx, ny, h):
    x, y = np.meshgrid(np.arange(nx) * h, np.arange(ny) * h, indexing="ij")
    v = np.stack([x, y, 0 * x], axis=-1).reshape(-1, 3)
    i = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    return v, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])


def save(path, v, f, colors=None):
    trimesh.Trimesh(v, f, vertex_colors=colors, process=False).export(path)
    return path


@pytest.fixture
def damaged(tmp_path):
    """A noisy plate 240 x 160 mm of 4 mm cells with a little of everything wrong with it."""
    v, f = grid(61, 41, 4.0)
    v[:, 2] = np.random.default_rng(7).normal(0, 0.25, len(v))
    away = np.linalg.norm(v[f].mean(axis=1)[:, None, :2] - [[60, 60], [160, 80]], axis=2)
    f = f[(away[:, 0] > 10) & (away[:, 1] > 30)]
    f[500:520] = f[500:520, ::-1]  # turned
    f = np.vstack([f, f[100:103]])  # double
    f = np.vstack([f, [[5, 5, 6]]])  # flat
    n = len(v)
    v = np.vstack([v, v[f[900, 0]], v[f[700, 0]] + [0, 1, 9]])
    f[900, 0] = n  # one double point
    f = np.vstack([f, [[f[700, 0], f[700, 2], n + 1]]])  # a fin on a diagonal: an edge with three faces
    s, g = grid(3, 3, 5.0)
    f = np.vstack([f, g + len(v)])  # a loose piece
    v = np.vstack([v, s + [0, 0, 40]])
    colors = np.full((len(v), 4), 90, np.uint8)
    return save(tmp_path / "a.ply", v, f, colors), v, f


def test_every_fault_is_counted(damaged):
    path, v, f = damaged
    found = inspect_mesh(path, unit="mm")
    assert found.size_m == pytest.approx((0.24, 0.16, 0.0406), abs=1e-3)
    assert (found.triangles, found.vertices) == (len(f), len(v))
    assert found.has_colors
    assert found.turned_faces == 20
    assert found.double_faces == 3
    assert found.flat_faces == 1
    assert found.double_vertices == 1
    assert found.crowded_edges >= 1
    assert found.piece_count == 3  # the plate, the scrap, the fin
    assert found.pieces[0].area_m2 == pytest.approx(0.24 * 0.16, rel=0.15)
    assert (found.pieces[1].triangles, found.pieces[2].triangles) == (8, 1)
    assert found.pieces[1].centre_mm == pytest.approx((5, 5, 40))


def test_holes_are_measured_and_told_apart(damaged):
    found = inspect_mesh(damaged[0], unit="mm")
    widths = [h.width_mm for h in found.holes]
    assert widths == sorted(widths, reverse=True)
    assert found.hole_count == len(found.holes) == 5
    outer, opening, hole = found.holes[:3]
    assert outer.width_mm == pytest.approx(800 / np.pi, rel=0.02)
    assert not outer.filled
    assert opening.centre_mm[:2] == pytest.approx((160, 80), abs=2)
    assert not opening.filled
    assert hole.centre_mm[:2] == pytest.approx((60, 60), abs=2)
    assert hole.filled
    assert hole.points >= 10


def test_edges_noise_and_repairs(damaged):
    found = inspect_mesh(damaged[0], unit="mm")
    low, mid, high = found.edge_mm
    assert low <= 4.05
    assert 4.0 <= mid <= 5.7
    assert 5.6 <= high <= 12
    assert found.noise_mm == pytest.approx(0.25, rel=0.1)
    done = {r.what.split(" (")[0]: r.count for r in found.repairs}
    assert done["holes filled"] == 1
    assert done["loose pieces dropped"] == 2
    assert done["faces turned to agree with their neighbours"] == 20


def test_lines_are_plain_words(damaged):
    lines = inspect_mesh(damaged[0], unit="mm").lines()
    assert lines[0].startswith("size 0.240 x 0.160 x 0.04")
    assert lines[1].endswith("points, with colours")
    text = "\n".join(lines)
    assert "3 pieces:\n  " in text
    assert "5 boundaries:\n  " in text
    assert "a hole, would be filled" in text
    assert "faults: 1 double points, 1 faces without area, 3 double faces" in text
    assert "20 faces that face the other way" in text
    assert "mending: 1 holes filled (up to 50 mm across" in text
    assert all(line and "\n" not in line for line in lines)


def test_a_clean_closed_body(tmp_path):
    ball = trimesh.creation.icosphere(4, radius=200.0)
    found = inspect_mesh(save(tmp_path / "a.stl", ball.vertices, ball.faces), unit="mm")
    assert found.lines()[-3:] == ["one piece", "closed: no boundary", "faults: none"]
    assert not found.has_colors
    assert found.holes == ()
    assert found.repairs == ()


def test_only_the_ten_largest_are_listed(tmp_path):
    v, f = grid(4, 4, 10.0)
    many = [v + [40.0 * k, 0, 0] for k in range(13)]
    many[5] = many[5] * [0.9, 0.9, 1] + [20, 0, 0]
    faces = np.vstack([f + k * len(v) for k in range(13)])
    found = inspect_mesh(save(tmp_path / "a.ply", np.vstack(many), faces), unit="mm")
    assert (found.piece_count, len(found.pieces)) == (13, 10)
    assert (found.hole_count, len(found.holes)) == (13, 10)
    assert "13 pieces, the 10 largest:" in found.lines()
    assert "13 boundaries, the 10 widest:" in found.lines()


def test_errors_are_those_of_reading(tmp_path):
    with pytest.raises(MeshError, match="no such file"):
        inspect_mesh(tmp_path / "a.ply")
    with pytest.raises(UnknownUnit, match="is not known"):
        inspect_mesh(save(tmp_path / "b.ply", *grid(3, 3, 10.0)))


def test_noise_does_not_mix_the_two_faces_of_a_thin_plate():
    v, f = grid(41, 41, 4.0)
    v[:, 2] = np.random.default_rng(1).normal(0, 0.2, len(v))
    both = Surface(np.vstack([v, v + [0, 0, 2]]), np.vstack([f, f[:, ::-1] + len(v)]))
    assert noise_mm(both) == pytest.approx(0.2, rel=0.15)
