"""The live page as it is served: one job at a time, or a folder to choose from."""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import OutputError
from .actions import ACTIONS, BLANK, Page, caught, told
from .alone import alone
from .draft import Draft
from .guard import guard_of
from .hold import Hold, Stamp, changes
from .look import looks
from .mouse import View
from .preview import first_picture
from .start import Opened, begin_job, chosen, listing, load_text, open_job, receiver, target_of
from .view import load_drawing
from .work import Standby, Task

if TYPE_CHECKING:
    from aiohttp import web

_HERE = Path(__file__).parent
#: How often tasks are asked for news, s.
_ASK_S = 0.1
#: How many times as seldom files on disk are looked at.
_SELDOM = 10


class App:
    """The page with or without a job.

    Parameters
    ----------
    server : trame server
    folder : Path
        Whose jobs and meshes can be opened.
    view : View or None
    """

    def __init__(self, server: Any, folder: Path, view: Any = None) -> None:
        self.server, self.state, self.folder, self.view = server, server.state, folder, view
        self.page: Page | None = None
        self._opening: Task | None = None
        self._preview: Task | None = None
        self._draft: Draft | None = None
        self._hold: Hold | None = None
        self._stamps: dict[str, Stamp] = {}
        self._sockets = 0
        self.state.update({**BLANK, "where": str(folder), "trame__title": "plyflat"})
        for name in ACTIONS:
            server.trigger(name)(told(self.state, self._on_page(name)))
        for name in ("list_folder", "open_job", "begin_job", "load_again", "stop_opening"):
            server.trigger(name)(told(self.state, getattr(self, name)))

    def _on_page(self, name: str) -> Callable[..., None]:
        def act(*args: Any) -> None:
            if self.page is not None:
                getattr(self.page, name)(*args)

        return act

    # -- from a folder to a job -----------------------------------------------------------------------------------------
    def list_folder(self) -> None:
        """Show what lies in the folder."""
        self.state.jobs, self.state.files = listing(self.folder)
        if self.state.chosen not in self.state.files:
            self.state.chosen = self.state.files[0] if self.state.files else ""

    def open_job(self, name: str) -> None:
        """Open a job file of the folder."""
        self.start(open_job, chosen(self.folder, name))

    def begin_job(self, name: str, unit: str) -> None:
        """Write a first job for a mesh of the folder; the unit is empty where the file states it."""
        self.start(begin_job, chosen(self.folder, name), unit or None)

    def load_again(self) -> None:
        """Load the meshes of the open job anew, as its tables now have them."""
        if self.page is not None:
            self._draft = self.page.draft
            self.start(load_text, str(self._draft.path), self._draft.text)

    def start(self, work: Callable[..., Opened], *args: Any) -> None:
        """Read meshes in the background, then show the job.

        Parameters
        ----------
        work : callable
        args
            Must pickle.

        Raises
        ------
        OutputError
            If meshes are being read already.
        """
        if self._opening is not None and not self._opening.over:
            raise OutputError("a mesh is being read already", do="Wait for it.")
        self.state.opening = "reading the mesh …"
        self._opening = Task(work, *args)
        if self.page is None:
            self._preview = Task(first_picture, args[0])
        threading.Thread(target=load_drawing, daemon=True).start()

    def stop_opening(self) -> None:
        """Stop reading a mesh."""
        if self._opening is not None:
            self._opening.stop()
        self._draft, self.state.opening = None, ""
        self._end_preview()

    def _end_preview(self) -> None:
        if self._preview is not None:
            self._preview.stop()
        self._preview, self.state.preview = None, ""

    def hear(self) -> None:
        """Take what tasks have told since the last time."""
        for message in self._opening.news() if self._opening is not None else ():
            with self.state:
                if message.kind == "progress":
                    self.state.opening = f"{message.content[0]} …"
                    continue
                self.state.opening = ""
                self._end_preview()
                if message.kind == "fault":
                    self.state.message, self._draft = str(message.content), None
                else:
                    self.opened(message.content)
        for message in self._preview.news() if self._preview is not None else ():
            # What cannot be read is told by the one who reads it in earnest.
            if message.kind == "done":
                with self.state:
                    self.state.preview = message.content
        if self.page is not None:
            self.page.hear()

    def opened(self, found: Opened) -> None:
        """Show a job whose meshes are there.

        Parameters
        ----------
        found : Opened
        """
        draft, self._draft = self._draft or Draft.open(Path(found.path)), None
        self._hold_file(draft.path)
        draft.put_aside()
        standby, one = Standby(looks, found.surfaces), Standby(alone, found.surfaces, behind=True)
        page = Page(draft, found.copies, self.state, standby=standby, alone=one, view=self.view)
        if self.page is not None:
            self.page.close()
        self.page, self._stamps = page, found.stamps
        self.page.look()

    def _hold_file(self, path: Path) -> None:
        """Hold a job file, in place of the one that was held."""
        if self._hold is None or self._hold.path != path.absolute():
            held = Hold(path)
            if self._hold is not None:
                self._hold.let_go()
            self._hold = held

    def watch(self) -> None:
        """Look whether files were changed under the open page."""
        if self.page is None:
            return
        self._hold_file(self.page.draft.path)
        self.state.update({"file_changed": self.page.draft.changed_elsewhere(), "mesh_file": changes(self._stamps)})

    # -- as it is served ------------------------------------------------------------------------------------------------
    async def pulse(self, **_: Any) -> None:
        """Listen to what runs in the background, for as long as the page is served."""
        count = 0
        while True:
            await asyncio.sleep(_ASK_S)
            count += 1
            said = self.state.message
            caught(self.state, self.hear)
            if count % _SELDOM == 0:
                caught(self.state, self.watch)
                self.state.flush()
            elif self.state.message != said:
                self.state.flush()

    def counter(self) -> Callable[..., Any]:
        """Return what counts the tabs that show the page, as aiohttp takes it."""
        from aiohttp import web

        @web.middleware
        async def count(request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]) -> web.StreamResponse:
            if request.headers.get("Upgrade", "").lower() != "websocket":
                return await handler(request)
            self._tabs(+1)
            try:
                return await handler(request)
            finally:
                self._tabs(-1)

        return count

    def _tabs(self, change: int) -> None:
        self._sockets += change
        with self.state:
            self.state.tabs = self._sockets

    def received(self, name: str) -> None:
        """Show a mesh that was sent."""
        with self.state:
            self.state.chosen, self.state.sent = name, name
            self.list_folder()

    def close(self) -> None:
        """Stop what runs, free what is drawn."""
        for task in (self._opening, self._preview):
            if task is not None:
                task.stop()
        if self.page is not None:
            self.page.close()
        if self._hold is not None:
            self._hold.let_go()


def build(folder: Path, server: Any) -> App:
    """Put the page together.

    Parameters
    ----------
    folder : Path
    server : trame server
    """
    from trame.widgets import client, rca
    from trame_client.ui.html import DivLayout

    with DivLayout(server) as layout:
        area = rca.RemoteControlledArea(display="image", send_mouse_move=False, event_throttle_ms=30)
        layout.root.clear()
        client.Style((_HERE / "page.css").read_text(encoding="utf-8"))
        client.Script((_HERE / "page.js").read_text(encoding="utf-8"))
        markup = (_HERE / "page.html").read_text(encoding="utf-8").replace("@AREA@", area.html)
        layout.root.add_child(markup)
    server.state.trame__template_error = (_HERE / "lost.html").read_text(encoding="utf-8")
    return App(server, folder, View(area))


def serve(
    path: Path | None, *, unit: str | None = None, port: int = 0, host: str = "127.0.0.1", open_browser: bool = True
) -> None:
    """Serve the page until it is stopped.

    Parameters
    ----------
    path : Path or None
        A job file, a mesh file or a folder; None for the folder one stands in.
    unit : str, optional
        Of the mesh file.
    port : int
        0 for any that is free.
    host : str
        Address to listen on; another than the loopback address lets others in who know the key.
    open_browser : bool

    Raises
    ------
    JobError
        If what is to be opened is not there, or the job file has faults before the page is open.
    """
    import socket
    import webbrowser

    from trame.app import get_server

    folder, kind, file = target_of(path)
    if kind == "job" and file is not None:
        Draft.open(file).sound_job()
    if port == 0:
        with socket.socket() as probe:
            probe.bind((host, 0))
            port = probe.getsockname()[1]
    guard = guard_of(host, port)
    # The framework reads the command line by itself; what stands there is for this program.
    sys.argv[1:] = []
    server = get_server("plyflat", client_type="vue3")
    app = build(folder, server)
    app.list_folder()

    def bind(ws: Any) -> None:
        ws.app.middlewares.extend([guard.middleware(), app.counter()])
        ws.app.router.add_post("/upload", receiver(folder, app.received))

    def ready(**_: Any) -> None:
        print(f"plyflat page: {guard.address()}", flush=True)
        print("Close it with Ctrl-C. Work is kept beside the job file as it is done.", flush=True)
        if open_browser:
            webbrowser.open(guard.address())
        with app.state:
            _first(app, kind, file, unit)

    server.controller.on_server_bind.add(bind)
    server.controller.on_server_ready.add(ready)
    server.controller.on_server_ready.add_task(app.pulse)
    try:
        server.start(port=port, host=host, timeout=0, open_browser=False, show_connection_info=False)
    finally:
        app.close()


def _first(app: App, kind: str, file: Path | None, unit: str | None) -> None:
    """Open what the page was started with."""
    if file is None:
        return
    if kind == "job":
        app.start(open_job, str(file))
    else:
        app.state.chosen, app.state.chosen_unit = file.name, unit or ""
        app.start(begin_job, str(file), unit)
