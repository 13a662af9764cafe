"""A picture of a mesh as its file has it, within seconds: a large scan is read, mended and thinned for half a minute before it can be used."""

from __future__ import annotations

import base64
import io
import os
from pathlib import Path
from typing import Any

import numpy as np

from ..job.reader import read_job
from ..progress import Tell
from ..surface._files import read_file
from ..surface.mesh import Floats, Ints

#: Cells along the longest side that the points of a mesh are put together in, and the picture's size in pixels.
CELLS, SIZE = 220, (960, 640)
_HULL = "#c9cdd2"


def first_picture(path: str, *, progress: Tell) -> str:
    """Draw the mesh of a job's first region, or a mesh by itself, from port.

    Parameters
    ----------
    path : str
        Of the job file or the mesh file.
    progress : callable

    Returns
    -------
    str
        A picture (JPEG) as an address that holds it.

    Raises
    ------
    JobError, MeshError
        If a file cannot be read.
    """
    file, forward, up = Path(path), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
    if file.suffix.lower() == ".toml":
        job = read_job(file)
        file = job.meshes[job.regions[0].mesh].file
        forward, up = np.array(job.boat.forward), np.array(job.boat.up)
    progress("reading the mesh", 0.1)
    raw = read_file(file)
    points, faces, of = clustered(raw.vertices, raw.faces)
    progress("drawing it", 0.6)
    return _drawn(points, faces, None if raw.colors is None else raw.colors[of], np.cross(up, forward), up)


def clustered(points: Floats, faces: Ints, *, cells: int = CELLS) -> tuple[Floats, Ints, Ints]:
    """Put all points of a mesh within a cell of a grid together: rough, and many times quicker than thinning with care.

    Parameters
    ----------
    points : (n, 3) float array
    faces : (m, 3) int array
    cells : int
        Along the longest side.

    Returns
    -------
    points : (k, 3) float array
        One of those in each cell.
    faces : (j, 3) int array
        Those whose corners lie in three cells.
    of : (k,) int array
        Which points were taken.
    """
    low = points.min(axis=0)
    side = max(float(np.ptp(points, axis=0).max()) / cells, 1e-12)
    a, b, c = ((points - low) / side).astype(np.int64).T
    _, of, at = np.unique((a * (cells + 2) + b) * (cells + 2) + c, return_index=True, return_inverse=True)
    new = at.ravel()[faces]
    kept = (new[:, 0] != new[:, 1]) & (new[:, 1] != new[:, 2]) & (new[:, 2] != new[:, 0])
    return points[of], new[kept], of


def _drawn(points: Floats, faces: Ints, colours: np.ndarray | None, back: Floats, up: Floats) -> str:
    if not os.environ.get("DISPLAY") and os.name == "posix":
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    import pyvista
    from PIL import Image

    kit: Any = pyvista
    plotter = kit.Plotter(off_screen=True, window_size=list(SIZE), lighting="none")
    plotter.add_light(kit.Light(light_type="headlight"))
    plotter.set_background("white")
    mesh = kit.PolyData.from_regular_faces(np.ascontiguousarray(points), np.ascontiguousarray(faces))
    look: dict[str, Any] = {"color": _HULL}
    if colours is not None:
        mesh.point_data["seen"] = colours
        look = {"scalars": "seen", "rgb": True}
    plotter.add_mesh(mesh, **look)
    middle, reach = 0.5 * (points.min(axis=0) + points.max(axis=0)), float(np.ptp(points, axis=0).max())
    plotter.camera_position = [tuple(middle + 2.0 * reach * back), tuple(middle), tuple(up)]
    plotter.reset_camera()
    image = Image.fromarray(np.asarray(plotter.screenshot(return_img=True))[:, :, :3])
    plotter.close()
    out = io.BytesIO()
    image.save(out, "JPEG", quality=85)
    return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode('ascii')}"
