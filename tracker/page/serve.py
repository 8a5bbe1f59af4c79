"""The page's server: this machine only, on a free port, until the page is closed or Ctrl-C."""

from __future__ import annotations

import asyncio
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import uvicorn

from tracker.errors import OutputError
from tracker.page.app import make_app
from tracker.page.desk import Desk
from tracker.page.events import Events
from tracker.page.gate import App, Keys
from tracker.page.setup_room import setup_room

LOOPBACK = "127.0.0.1"
_LOOK_S = 0.5


@dataclass(frozen=True, slots=True)
class Address:
    """Where the page is: to be printed, and to start a browser with, which works once."""

    printed: str
    once: str


def serve_setup(desk: Desk, *, port: int = 0, tell: Callable[[Address], None]) -> None:
    """Serve the setup page of a clip until it is closed.

    Parameters
    ----------
    desk : Desk
    port : int
        0 for a free one.
    tell : callable
        Is told the address as soon as the page can be opened.

    Raises
    ------
    OutputError
        If the port is taken.
    """
    with listening(port) as door:
        number = door.getsockname()[1]
        hosts = frozenset(f"{name}:{number}" for name in (LOOPBACK, "localhost"))
        keys = Keys()
        app = make_app([setup_room(desk)], desk.events, keys, hosts, title=f"{desk.clip.name} - lobscope")
        base = f"http://{LOOPBACK}:{number}/"
        address = Address(f"{base}#key={keys.key}", f"{base}#ticket={keys.ticket}")
        run(app, door, desk.events, lambda: tell(address))


def open_browser(address: Address) -> None:
    """Open the page; a machine without a browser has the printed address."""
    threading.Thread(target=webbrowser.open, args=(address.once,), daemon=True).start()


@contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """A socket of this machine only.

    Raises
    ------
    OutputError
        If the port is taken.
    """
    door = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        door.bind((LOOPBACK, port))
        door.listen(64)
    except (OSError, OverflowError) as error:
        door.close()
        raise OutputError(
            "port_taken",
            f"Port {port} of this machine is taken or not allowed.",
            "Give another one, or leave --port out.",
        ) from error
    with door:
        yield door


def run(app: App, door: socket.socket, events: Events, ready: Callable[[], None]) -> None:
    """Serve until nobody is there any more, or Ctrl-C."""
    config = uvicorn.Config(
        app,
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        date_header=False,
        ws="none",
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=32 * 1024,
    )
    server = uvicorn.Server(config)

    async def life() -> None:
        serving = asyncio.create_task(server.serve(sockets=[door]))
        told = False
        while not serving.done():
            await asyncio.wait({serving}, timeout=_LOOK_S if told else 0.02)
            if server.started and not told:
                told = True
                ready()
            if events.deserted:
                server.should_exit = True
            if server.should_exit:
                events.end()
        await serving

    try:
        asyncio.run(life())
    except KeyboardInterrupt:
        return
