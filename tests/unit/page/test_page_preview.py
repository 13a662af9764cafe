"""The picture of a mesh as its file has it, before it is mended."""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
import shapes
import trimesh
from PIL import Image
from sheets import JOB

from plyflat.errors import MeshError
from plyflat.page.preview import SIZE, clustered, first_picture
from plyflat.progress import quiet
from plyflat.surface.mesh import Surface


def _seen(address):
    """Where the hull is in a picture: (h, w) bool."""
    data = base64.b64decode(address.removeprefix("data:image/jpeg;base64,"))
    pixels = np.asarray(Image.open(io.BytesIO(data)))
    assert pixels.shape[:2] == SIZE[::-1]
    return (pixels < 240).all(axis=2)


def test_a_clustered_mesh_covers_what_the_mesh_does():
    v, f = shapes.sphere(1000.0, triangles=80_000)
    points, faces, of = clustered(v, f, cells=60)
    assert len(faces) < 0.5 * len(f)
    assert np.array_equal(points, v[of])
    assert Surface(points, faces).area_mm2 == pytest.approx(4.0 * np.pi * 1000.0**2, rel=0.02)


def test_the_mesh_of_a_jobs_region_is_seen_from_port_with_its_up_side_up(tmp_path):
    # A wall 400 mm along the boat's forward and 100 mm high, and a far corner that only its box knows.
    v = np.array([[0, 0, 0], [0, 400, 0], [0, 400, 100], [0, 0, 100]], dtype=float)
    v = np.concatenate([v, [[0, 0, 300], [0, 20, 300], [0, 20, 280]]])
    f = np.array([[0, 1, 2], [0, 2, 3], [4, 5, 6]])
    (tmp_path / "hull.ply").write_bytes(trimesh.Trimesh(v, f, process=False).export(file_type="ply"))
    (tmp_path / "job.toml").write_text(JOB)
    seen = _seen(first_picture(str(tmp_path / "job.toml"), progress=quiet))
    rows, columns = np.nonzero(seen)
    wall = rows > rows.min() + 0.5 * np.ptp(rows)
    # Wider than high, low in the picture; from port the bow is to the left, so the scrap at y = 0 stands to the right.
    assert np.ptp(columns) > 1.1 * np.ptp(rows)
    assert columns[~wall].mean() > columns[wall].mean()


def test_a_file_that_cannot_be_read_gives_no_picture(tmp_path):
    (tmp_path / "hull.ply").write_bytes(b"")
    with pytest.raises(MeshError, match="empty"):
        first_picture(str(tmp_path / "hull.ply"), progress=quiet)
