"""From a folder to an open job: which jobs and meshes lie there, a first job for a mesh, a mesh that is sent to the page."""

from __future__ import annotations

import asyncio
import os
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import JobError, MeshError, OutputError, PlyflatError, UnknownUnit
from ..job.model import Job
from ..job.starter import starter_job
from ..progress import Tell
from ..surface.load import load_surface
from ..surface.mesh import Surface
from ..surface.suggest import flattest_outline
from .draft import Draft, free_name
from .guard import LARGEST_UPLOAD, MESH_SUFFIXES, MOST_TRIANGLES, clean_name, inside
from .hold import Stamp, stamps
from .view import Copies, copies_of

if TYPE_CHECKING:
    from aiohttp import web


@dataclass(frozen=True, eq=False)
class Opened:
    """A job with its meshes.

    Attributes
    ----------
    path : str
        The job file.
    copies : dict of str to Copies
        The meshes, mended as the plan has them, with what is drawn of them.
    stamps : dict of str to Stamp
        How the files of the meshes stood on disk when they were read.
    """

    path: str
    copies: dict[str, Copies]
    stamps: dict[str, Stamp] = field(default_factory=dict)

    @property
    def surfaces(self) -> dict[str, Surface]:
        """The meshes themselves."""
        return {name: copies.full for name, copies in self.copies.items()}


def listing(folder: Path) -> tuple[list[str], list[str]]:
    """Return the names of job files and of mesh files in a folder; links that lead out of it are left out.

    Parameters
    ----------
    folder : Path
    """
    jobs, meshes = [], []
    for path in sorted(folder.iterdir()):
        if path.name.startswith(".") or not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
            continue
        if path.suffix.lower() == ".toml":
            jobs.append(path.name)
        elif path.suffix.lower() in MESH_SUFFIXES:
            meshes.append(path.name)
    return jobs, meshes


def open_job(path: str, *, progress: Tell) -> Opened:
    """Open a job file and load its meshes.

    Parameters
    ----------
    path : str
    progress : callable

    Raises
    ------
    JobError
        If the file cannot be read, or no state of it that is known has no faults.
    MeshError, UnknownUnit
        As `load_meshes`.
    """
    progress("reading the meshes", 0.1)
    try:
        job = Draft.open(Path(path)).sound_job()
    except JobError as error:
        raise JobError(error.faults, where=error.where or path, do=error.do) from None
    return _loaded(path, job, progress)


def load_text(path: str, text: str, *, progress: Tell) -> Opened:
    """Load the meshes of a job as an editor has it.

    Parameters
    ----------
    path, text : str
        Where the job file lies, and what it is to hold.
    progress : callable

    Raises
    ------
    JobError, MeshError, UnknownUnit
        As `open_job`.
    """
    progress("reading the meshes", 0.1)
    return _loaded(path, Draft(Path(path), text).job(), progress)


def _loaded(path: str, job: Job, progress: Tell) -> Opened:
    before = stamps(mesh.file for mesh in job.meshes.values())
    return _opened(path, load_meshes(job), before, progress)


def _opened(path: str, surfaces: dict[str, Surface], before: dict[str, Stamp], progress: Tell) -> Opened:
    """Thin what is drawn here too, in the process that reads: a large mesh takes seconds, in which no page would answer."""
    progress("thinning what is drawn", 0.6)
    return Opened(path, {name: copies_of(surface) for name, surface in surfaces.items()}, before)


def load_meshes(job: Job) -> dict[str, Surface]:
    """Return the meshes of a job, mended as the plan has them.

    Parameters
    ----------
    job : Job

    Raises
    ------
    MeshError, UnknownUnit
        As `plyflat.load_surface`; also for a mesh too large for the page.
    """
    from ..plan import job_surface

    return {name: _not_too_large(job_surface(job, name), job.meshes[name].file) for name in job.meshes}


def begin_job(mesh: str, unit: str | None, *, progress: Tell) -> Opened:
    """Write a first job beside a mesh; a file that is there is never written over.

    Parameters
    ----------
    mesh : str
        The mesh file.
    unit : str or None
        None where the file states its own.
    progress : callable

    Raises
    ------
    UnknownUnit
        If the file states no unit and none is given.
    MeshError
        If the mesh cannot be used.
    OutputError
        If the job file cannot be written.
    """
    progress("reading the mesh", 0.1)
    file = Path(mesh)
    before = stamps([file])
    try:
        surface = _not_too_large(load_surface(file, unit=unit), file)
    except UnknownUnit as error:
        raise UnknownUnit(error.what, where=error.where, do="Choose it, then begin again.") from None
    path = free_name(file.with_suffix(".toml"))
    progress("a first job", 0.5)
    text = starter_job(
        file, job_path=path, unit=unit, size_mm=surface.size_mm, has_colours=surface.colors is not None,
        outline_mm=flattest_outline(surface),
    )  # fmt: skip
    try:
        with path.open("x", encoding="utf-8", newline="") as out:
            out.write(text)
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror}", where=str(path), do="Choose another folder.") from error
    return _opened(str(path), {"hull": surface}, before, progress)


def _not_too_large(surface: Surface, file: Path) -> Surface:
    if len(surface.faces) > MOST_TRIANGLES:
        raise MeshError(
            f"{len(surface.faces)} triangles, and the page shows {MOST_TRIANGLES} at most", where=str(file), do="Thin the mesh first."
        )
    return surface


def chosen(folder: Path, name: str) -> str:
    """Return the path of a file in the folder that was chosen on the page.

    Parameters
    ----------
    folder : Path
    name : str

    Raises
    ------
    OutputError
        If it lies elsewhere.
    """
    return str(inside(folder / name, [folder]))


def receiver(folder: Path, take: Callable[[str], None]) -> Callable[[web.Request], Awaitable[web.Response]]:
    """Return what takes a mesh file that is sent to the page, as aiohttp has it.

    The body is the file; it is written as it comes, under another name until it is whole.

    Parameters
    ----------
    folder : Path
        Where it is put.
    take : callable
        Told the name once it is there.
    """
    from aiohttp import web

    async def receive(request: web.Request) -> web.Response:
        try:
            name = clean_name(request.query.get("name", ""))
            await _write(request, _new(folder, name), request.headers)
        except PlyflatError as error:
            return web.Response(status=400, text=str(error))
        take(name)
        return web.Response(text=name)

    return receive


def _new(folder: Path, name: str) -> Path:
    path = inside(folder / name, [folder])
    if path.exists():
        raise OutputError("a file of this name is there already", where=name, do="Give yours another name.")
    return path


async def _write(request: web.Request, path: Path, headers: Mapping[str, str]) -> None:
    too_large = OutputError(f"more than {LARGEST_UPLOAD / 1e6:.0f} MB", where=path.name, do="Thin the mesh first.")
    if int(headers.get("Content-Length", "0")) > LARGEST_UPLOAD:
        raise too_large
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        count = 0
        with part.open("xb") as out:
            async for piece in request.content.iter_chunked(1 << 18):
                count += len(piece)
                if count > LARGEST_UPLOAD:
                    raise too_large
                out.write(piece)
            out.flush()
            # A slow disk takes seconds for hundreds of MB, in which no page would answer.
            await asyncio.to_thread(os.fsync, out.fileno())
        if count == 0:
            raise OutputError("the file is empty", where=path.name, do="Save the scan again, and send it then.")
        # Another tab may have sent the same name meanwhile.
        os.replace(part, _new(path.parent, path.name))
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror}", where=path.name, do="Make room on the disk.") from error
    finally:
        part.unlink(missing_ok=True)


def target_of(path: Path | None) -> tuple[Path, str, Path | None]:
    """Return the folder, what is to be opened ("job", "mesh" or "folder") and the file.

    Parameters
    ----------
    path : Path or None
        What the page was started with; None for the folder one stands in.

    Raises
    ------
    JobError
        If it is not there, or neither a job file, a mesh file nor a folder.
    """
    if path is None:
        return Path.cwd(), "folder", None
    path = path.absolute()
    if not path.exists():
        raise JobError(["there is no such file or folder"], where=str(path), do="Check the path")
    if path.is_dir():
        return path, "folder", None
    kind = "job" if path.suffix.lower() == ".toml" else "mesh" if path.suffix.lower() in MESH_SUFFIXES else ""
    if not kind:
        raise JobError(["neither a job file nor a mesh file"], where=str(path), do=f"Give one of .toml, {', '.join(MESH_SUFFIXES)}")
    return path.parent, kind, path
