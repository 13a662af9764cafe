"""From a folder to an open job, and meshes that are sent."""

import asyncio

import pytest
import shapes
import trimesh
from aiohttp import ClientError, web
from aiohttp.test_utils import TestClient, TestServer

from plyflat.errors import JobError, MeshError, OutputError, UnknownUnit
from plyflat.job.reader import read_job
from plyflat.page import start, view
from plyflat.page.guard import Guard
from plyflat.page.hold import changes
from plyflat.page.start import begin_job, chosen, listing, load_text, open_job, receiver, target_of


def _quiet(stage, done):
    """Nothing is shown."""


@pytest.fixture
def folder(tmp_path):
    v, f = shapes.smooth_patch(600.0, rise=40.0, triangles=2000)
    trimesh.Trimesh(v, f, process=False).export(tmp_path / "hull.stl")
    return tmp_path


def test_a_mesh_gets_a_first_job_that_reads_and_nothing_is_written_over(folder):
    first = begin_job(str(folder / "hull.stl"), "mm", progress=_quiet)
    assert first.path == str(folder / "hull.toml")
    text = (folder / "hull.toml").read_text()
    again = begin_job(str(folder / "hull.stl"), "cm", progress=_quiet)
    assert again.path == str(folder / "hull_2.toml")
    assert (folder / "hull.toml").read_text() == text
    assert read_job(again.path).meshes["hull"].unit == "cm"
    # What is handed over is what opening the job would load.
    opened = open_job(first.path, progress=_quiet).surfaces["hull"]
    assert (opened.vertices_mm == first.surfaces["hull"].vertices_mm).all()


def test_what_is_drawn_is_thinned_where_the_mesh_is_read(folder, monkeypatch):
    monkeypatch.setattr(view, "TURNING", 500)
    stages = []
    found = begin_job(str(folder / "hull.stl"), "mm", progress=lambda stage, done: stages.append((stage, done)))
    for opened in (found, open_job(found.path, progress=_quiet), load_text(found.path, (folder / "hull.toml").read_text(), progress=_quiet)):
        copies = opened.copies["hull"]
        assert 400 < len(copies.turning[1]) <= 500 < len(copies.still[1]) == len(copies.full.faces)
        assert opened.surfaces["hull"] is copies.full
    assert stages[-1][0] == "thinning what is drawn"
    assert [done for _, done in stages] == sorted(done for _, done in stages)


def test_a_unit_is_asked_for_and_never_guessed(folder):
    with pytest.raises(UnknownUnit, match="Choose it"):
        begin_job(str(folder / "hull.stl"), None, progress=_quiet)
    assert listing(folder) == ([], ["hull.stl"])


def test_a_mesh_with_too_many_triangles_is_refused(folder, monkeypatch):
    monkeypatch.setattr(start, "MOST_TRIANGLES", 100)
    with pytest.raises(MeshError, match="shows 100 at most"):
        begin_job(str(folder / "hull.stl"), "mm", progress=_quiet)
    assert not (folder / "hull.toml").exists()


def test_the_folder_is_listed_without_ways_out(folder):
    room = folder / "room"
    room.mkdir()
    for name in ("b.toml", "a.toml", "scan.PLY", "notes.txt", ".hidden.toml"):
        (room / name).write_text("")
    (room / "way_out.stl").symlink_to(folder / "hull.stl")
    assert listing(room) == (["a.toml", "b.toml"], ["scan.PLY"])
    with pytest.raises(OutputError, match="outside"):
        chosen(room, "way_out.stl")
    with pytest.raises(OutputError, match="outside"):
        chosen(room, "../hull.stl")
    assert chosen(room, "a.toml") == str((room / "a.toml").resolve())


def test_what_the_page_is_started_with(folder, monkeypatch):
    (folder / "job.toml").write_text("")
    (folder / "notes.txt").write_text("")
    assert target_of(folder / "job.toml")[1:] == ("job", folder / "job.toml")
    assert target_of(folder / "hull.stl") == (folder, "mesh", folder / "hull.stl")
    assert target_of(folder) == (folder, "folder", None)
    monkeypatch.chdir(folder)
    assert target_of(None)[0].samefile(folder)
    for name, why in (("none.toml", "no such file"), ("notes.txt", "neither a job file")):
        with pytest.raises(JobError, match=why):
            target_of(folder / name)


def test_a_job_that_cannot_be_read_is_named(folder):
    (folder / "odd one.toml").write_text("x")
    with pytest.raises(JobError, match=r"odd one\.toml: not valid TOML"):
        open_job(str(folder / "odd one.toml"), progress=_quiet)


async def _post(folder, name, body, *, origin=None, key="k" * 32):
    took = []
    server = TestServer(web.Application())
    app = server.app
    app.router.add_post("/upload", receiver(folder, took.append))
    await server.start_server(access_log=None)
    port = server.port
    await server.close()
    guard = Guard(port, key="k" * 32)
    app = web.Application(middlewares=[guard.middleware()])
    app.router.add_post("/upload", receiver(folder, took.append))
    client = TestClient(TestServer(app, port=port))
    await client.start_server()
    try:
        headers = {} if origin is None else {"Origin": origin.format(port=port)}
        answer = await client.post("/upload", params={"name": name, "key": key}, data=body, headers=headers)
        return answer.status, await answer.text(), took
    finally:
        await client.close()


def _sent(*args, origin="http://127.0.0.1:{port}", **kwargs):
    return asyncio.run(_post(*args, origin=origin, **kwargs))


def test_a_mesh_that_is_sent_lies_in_the_folder(tmp_path):
    body = bytes(range(256)) * 4000
    assert _sent(tmp_path, "../scan 1.ply", body) == (200, "scan 1.ply", ["scan 1.ply"])
    assert (tmp_path / "scan 1.ply").read_bytes() == body
    assert [p.name for p in tmp_path.iterdir()] == ["scan 1.ply"]
    status, text, took = _sent(tmp_path, "scan 1.ply", b"other")
    assert (status, took) == (400, [])
    assert "there already" in text
    assert (tmp_path / "scan 1.ply").read_bytes() == body


async def _pieces():
    for _ in range(4):
        yield b"x" * 500


@pytest.mark.parametrize("body", [b"x" * 2000, _pieces], ids=["its length told", "its length not told"])
def test_what_is_too_large_leaves_nothing_behind(tmp_path, monkeypatch, body):
    monkeypatch.setattr(start, "LARGEST_UPLOAD", 1500)
    status, text, took = _sent(tmp_path, "scan.ply", body() if callable(body) else body)
    assert (status, took, list(tmp_path.iterdir())) == (400, [], [])
    assert "Thin the mesh" in text


def test_an_empty_file_is_refused_and_leaves_nothing_behind(tmp_path):
    status, text, took = _sent(tmp_path, "scan.ply", b"")
    assert (status, took, list(tmp_path.iterdir())) == (400, [], [])
    assert text == "scan.ply: the file is empty. Save the scan again, and send it then."


def test_what_breaks_off_leaves_nothing_behind(tmp_path):
    async def breaks_off():
        yield b"x" * 500
        raise ConnectionResetError

    with pytest.raises(ClientError):
        _sent(tmp_path, "scan.ply", breaks_off())
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_came_meanwhile_is_not_written_over(tmp_path):
    async def slow():
        yield b"x" * 500
        (tmp_path / "scan.ply").write_bytes(b"first")
        yield b"y"

    assert _sent(tmp_path, "scan.ply", slow())[0] == 400
    assert (tmp_path / "scan.ply").read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["scan.ply"]


def test_how_a_mesh_stood_on_disk_is_told_with_it(folder):
    opened = begin_job(str(folder / "hull.stl"), "mm", progress=_quiet)
    assert changes(opened.stamps) == ""
    assert open_job(opened.path, progress=_quiet).stamps == opened.stamps
    (folder / "hull.stl").unlink()
    assert changes(opened.stamps) == "hull.stl is gone since it was read"


def test_strangers_send_nothing(tmp_path):
    for origin in ("http://evil.example", "null", None):
        assert _sent(tmp_path, "scan.ply", b"x", origin=origin)[0] == 403
    assert _sent(tmp_path, "scan.ply", b"x", key="wrong")[0] == 403
    assert _sent(tmp_path, "job.toml", b"x")[0] == 400
    assert list(tmp_path.iterdir()) == []
