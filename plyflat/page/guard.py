"""Who may speak to the page: the one who started it, from this machine, unless told otherwise.

A page on the loopback address can still be spoken to by any other page open in the same browser, and a name can be made to
point at it. So the names it answers to, the pages it takes words from, and a key are checked with every request.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import OutputError

if TYPE_CHECKING:
    from aiohttp import web

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
#: Bytes of an upload, and triangles of a mesh.
LARGEST_UPLOAD = 300_000_000
MOST_TRIANGLES = 5_000_000
MESH_SUFFIXES = (".stl", ".obj", ".ply", ".glb", ".3mf", ".off")
#: Nothing from elsewhere. The page's framework compiles its templates in the browser, hence 'unsafe-eval', and has one
#: script and its styles in the page itself.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-eval' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws: wss:; frame-ancestors 'none'; "
    "form-action 'none'; base-uri 'self'"
)


@dataclass(frozen=True)
class Guard:
    """What is checked with every request.

    Attributes
    ----------
    port : int
    names : tuple of str
        Host names the page answers to.
    key : str
        Stands in the address that is opened first; afterwards in a cookie.
    """

    port: int
    names: tuple[str, ...] = LOOPBACK
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def cookie(self) -> str:
        """The cookie's name; cookies know no ports, so the port is in it."""
        return f"plyflat_{self.port}"

    def address(self) -> str:
        """Return the address to open."""
        return f"http://{self.names[0]}:{self.port}/?key={self.key}"

    def refuses(self, *, host: str, origin: str | None, socket: bool, key: str | None, cookie: str | None) -> str | None:
        """Say why a request is refused; None where it is let in.

        Parameters
        ----------
        host : str
            The Host header.
        origin : str or None
            The Origin header.
        socket : bool
            Whether it opens a web socket or sends something: those must say where they come from.
        key, cookie : str or None
            From the address, and from the cookie.
        """
        if host not in self._hosts():
            return "the page does not answer to this name"
        if origin is None:
            if socket:
                return "a socket, or what is sent, must say which page it comes from"
        elif origin not in {f"http://{h}" for h in self._hosts()}:
            return "another page may not speak to this one"
        given = cookie or key or ""
        if not hmac.compare_digest(given.encode(), self.key.encode()):
            return "the key is missing or wrong: open the address that was printed at the start"
        return None

    def _hosts(self) -> set[str]:
        return {f"{name}:{self.port}" for name in self.names}

    def middleware(self) -> Callable[..., Any]:
        """Return the check as aiohttp takes it."""
        from aiohttp import web

        @web.middleware
        async def check(request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]) -> web.StreamResponse:
            why = self.refuses(
                host=request.headers.get("Host", ""),
                origin=request.headers.get("Origin"),
                socket=request.headers.get("Upgrade", "").lower() == "websocket" or request.method not in ("GET", "HEAD"),
                key=request.query.get("key"),
                cookie=request.cookies.get(self.cookie),
            )
            if why is not None:
                return web.Response(status=403, text=f"plyflat: {why}\n")
            answer = await handler(request)
            if not answer.prepared:
                answer.headers["Content-Security-Policy"] = POLICY
                answer.headers["X-Content-Type-Options"] = "nosniff"
                answer.headers["Referrer-Policy"] = "no-referrer"
                if request.query.get("key"):
                    answer.set_cookie(self.cookie, self.key, httponly=True, samesite="Strict")
            return answer

        return check


def inside(path: Path | str, folders: Iterable[Path]) -> Path:
    """Return a path with its links followed, if it lies in one of the folders that may be opened.

    Parameters
    ----------
    path : path
    folders : iterable of Path

    Raises
    ------
    OutputError
        If it leads elsewhere.
    """
    real = Path(path).resolve()
    if not any(real.is_relative_to(folder.resolve()) for folder in folders):
        raise OutputError("this file lies outside the folders that may be opened", where=str(path), do="Start the page in its folder.")
    return real


def clean_name(name: str) -> str:
    """Return the bare name of a mesh file that is sent to the page.

    Parameters
    ----------
    name : str

    Raises
    ------
    OutputError
        If it is no mesh file's name.

    Examples
    --------
    >>> clean_name("../../scan 1.ply")
    'scan 1.ply'
    """
    bare = "".join(c for c in name.replace("\\", "/").rsplit("/", 1)[-1] if c.isprintable()).strip(". ")
    if not bare.lower().endswith(MESH_SUFFIXES) or len(bare) > 200:
        raise OutputError(f"{name!r} is no mesh file", do=f"Send one of {', '.join(MESH_SUFFIXES)}.")
    return bare
