"""Who may speak to the page: the one who started it, from this machine, unless told otherwise.

A page on the loopback address can still be spoken to by any other page open in the same browser, and a name can be made to
point at it. So the names it answers to, the pages it takes words from, and a key are checked with every request.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import OutputError

if TYPE_CHECKING:
    from aiohttp import web

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
#: Addresses that stand for every address of this machine.
EVERY = ("0.0.0.0", "::", "")
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
    numbers : bool
        Whether it answers to any address in numbers too, as where it listens on every address of this machine. A name can
        be made to point here by a stranger, numbers cannot.
    key : str
        Stands in the address that is opened first; afterwards in a cookie.
    """

    port: int
    names: tuple[str, ...] = LOOPBACK
    numbers: bool = False
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
        if not self._known(host):
            return "the page does not answer to this name"
        if origin is None:
            if socket:
                return "a socket, or what is sent, must say which page it comes from"
        elif not (origin.startswith("http://") and self._known(origin.removeprefix("http://"))):
            return "another page may not speak to this one"
        # A browser may still hold the cookie of an earlier start on this port.
        if not any(hmac.compare_digest((given or "").encode(), self.key.encode()) for given in (cookie, key)):
            return "the key is missing or wrong: open the address that was printed when the page was started last"
        return None

    def _known(self, host: str) -> bool:
        """Whether a name with its port is one that the page answers to."""
        name, _, port = host.rpartition(":")
        if port != str(self.port):
            return False
        return name in self.names or (self.numbers and _is_number(name))

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


def _is_number(name: str) -> bool:
    """Whether a host is an address in numbers."""
    try:
        ipaddress.ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        return False
    return True


def guard_of(host: str, port: int) -> Guard:
    """Return what is checked where the page listens on an address.

    Parameters
    ----------
    host : str
        One of `LOOPBACK`, of `EVERY`, or another address or name of this machine.
    port : int
    """
    if host in EVERY:
        return Guard(port, numbers=True)
    host = f"[{host}]" if ":" in host and not host.startswith("[") else host
    return Guard(port, names=LOOPBACK if host in LOOPBACK else (host, *LOOPBACK))


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
