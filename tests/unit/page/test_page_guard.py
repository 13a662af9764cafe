"""Who may speak to the page."""

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from plyflat.errors import OutputError
from plyflat.page.guard import Guard, clean_name, guard_of, inside

GUARD = Guard(8123, key="k" * 32)
GOOD = {"host": "127.0.0.1:8123", "origin": "http://127.0.0.1:8123", "socket": True, "key": None, "cookie": "k" * 32}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, None),
        ({"host": "localhost:8123", "origin": "http://localhost:8123"}, None),
        ({"origin": None, "socket": False}, None),
        ({"cookie": None, "key": "k" * 32}, None),
        ({"host": "evil.example"}, "name"),
        ({"host": "evil.example:8123"}, "name"),
        ({"host": "127.0.0.1:80"}, "name"),
        ({"host": ""}, "name"),
        ({"origin": "http://evil.example"}, "another page"),
        ({"origin": "null"}, "another page"),
        ({"origin": "https://127.0.0.1:8123"}, "another page"),
        ({"origin": None}, "socket"),
        ({"cookie": None}, "key"),
        ({"cookie": "k" * 31}, "key"),
        ({"cookie": "ü"}, "key"),
        # A browser that still holds the cookie of an earlier start on this port is let in by the new key.
        ({"cookie": "old", "key": "k" * 32}, None),
        ({"cookie": "old", "key": "older"}, "key"),
        ({"cookie": "k" * 32, "key": "old"}, None),
    ],
)
def test_what_is_let_in_and_what_is_not(change, said):
    why = GUARD.refuses(**{**GOOD, **change})
    assert (why is None) if said is None else (said in why)


@pytest.mark.parametrize(
    ("host", "names", "others"),
    [
        ("127.0.0.1", ["127.0.0.1", "localhost", "[::1]"], ["192.168.1.20", "evil.example"]),
        ("::1", ["[::1]", "localhost"], ["[fe80::1]"]),
        ("192.168.1.20", ["192.168.1.20", "localhost"], ["192.168.1.21", "evil.example"]),
        ("0.0.0.0", ["192.168.1.20", "127.0.0.1", "localhost", "[fe80::1]"], ["evil.example", "192.168.1.20.evil.example", ""]),
        ("::", ["[fe80::1]", "192.168.1.20"], ["evil.example"]),
    ],
)
def test_it_answers_to_the_names_it_listens_on(host, names, others):
    guard = guard_of(host, 8123)
    for name in names + others:
        for origin in (f"http://{name}:8123", None):
            why = guard.refuses(host=f"{name}:8123", origin=origin, socket=False, key=guard.key, cookie=None)
            assert (why is None) == (name in names)
        assert guard.refuses(host=f"{name}:80", origin=None, socket=False, key=guard.key, cookie=None)


def test_keys_are_long_and_never_the_same():
    keys = {Guard(1).key for _ in range(20)}
    assert len(keys) == 20
    assert min(map(len, keys)) >= 32
    assert Guard(1).cookie != Guard(2).cookie


async def _ask(path, **kwargs):
    async def hello(request):
        return web.Response(text="hello")

    app = web.Application()
    app.router.add_get("/", hello)
    server = TestServer(app)
    await server.start_server()
    guard = Guard(server.port, key="k" * 32)
    client = TestClient(TestServer(_guarded(hello, guard), port=server.port))
    await server.close()
    await client.start_server()
    try:
        answer = await client.get(path, **kwargs)
        return answer.status, answer.headers, answer.cookies
    finally:
        await client.close()


def _guarded(handler, guard):
    app = web.Application(middlewares=[guard.middleware()])
    app.router.add_get("/", handler)
    return app


def test_over_http_the_key_becomes_a_cookie_and_strangers_are_refused():
    import asyncio

    status, headers, cookies = asyncio.run(_ask("/?key=" + "k" * 32))
    assert status == 200
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    (cookie,) = cookies.values()
    assert cookie["httponly"]
    assert cookie["samesite"] == "Strict"
    assert asyncio.run(_ask("/"))[0] == 403
    assert asyncio.run(_ask("/?key=" + "k" * 32, headers={"Host": "evil.example"}))[0] == 403
    assert asyncio.run(_ask("/?key=" + "k" * 32, headers={"Origin": "http://evil.example"}))[0] == 403


def test_files_outside_the_folders_are_not_opened(tmp_path):
    room, other = tmp_path / "room", tmp_path / "other"
    room.mkdir()
    other.mkdir()
    (other / "secret.toml").write_text("x")
    (room / "way_out.toml").symlink_to(other / "secret.toml")
    assert inside(room / "a.toml", [room]) == (room / "a.toml").resolve()
    for path in (room / ".." / "other" / "secret.toml", room / "way_out.toml", "/etc/passwd"):
        with pytest.raises(OutputError, match="outside"):
            inside(path, [room])


@pytest.mark.parametrize("name", ["../../x.stl", "C:\\scans\\x.stl", "x.stl", "\x00x.stl"])
def test_names_of_meshes_are_bare(name):
    assert clean_name(name) == "x.stl"


@pytest.mark.parametrize("name", ["", "x", "x.toml", ".stl.py", "a" * 300 + ".stl"])
def test_what_is_no_mesh_is_not_taken(name):
    with pytest.raises(OutputError, match="no mesh"):
        clean_name(name)
