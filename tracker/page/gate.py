"""What reaches the page's rooms at all: this machine, this run's key, this origin, small and quick bodies.

A page of another site that is open in the same browser can send requests to any port of this machine,
and a name of its own can be made to point here; hence host, origin and key are checked each time.
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from typing import Any

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

KEY_HEADER = b"x-lobscope-key"
LARGEST_BODY = 128 * 1024
BODY_S = 5.0
METHODS = frozenset({"GET", "HEAD", "POST", "DELETE"})

#: The page is made of its own files only: no script, style or picture of anybody else, and no frame round it.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
    (b"cache-control", b"no-store"),
)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request goes no further."""

    status: int
    code: str
    message: str
    advice: str


_WRONG_HOST = Refusal(403, "wrong_host", "This page has another address.", "Open the address as printed.")
_WRONG_ORIGIN = Refusal(
    403, "wrong_origin", "Another page may not ask this.", "Open the address as it was printed."
)
_NO_KEY = Refusal(
    401, "no_key", "The key of this run is missing or wrong.", "Open the address as it was printed."
)
_METHOD = Refusal(405, "wrong_method", "That cannot be done here.", "Use the page.")
_TYPE = Refusal(415, "not_json", "Only JSON is taken.", "Use the page.")
_LARGE = Refusal(413, "too_large", "That is more than a setup holds.", "Send less.")
_SLOW = Refusal(408, "too_slow", "The request did not arrive in time.", "Try again.")


@dataclass(slots=True)
class Keys:
    """The key of one run, and a ticket that is exchanged for it once.

    The browser is started with the ticket, since everybody on the machine can read how a program was
    started; after its first use it is worth nothing.
    """

    key: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    ticket: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    _used: bool = False

    def fits(self, offered: bytes) -> bool:
        """Whether this is the key."""
        return secrets.compare_digest(offered, self.key.encode())

    def exchange(self, offered: str) -> str | None:
        """The key for the ticket, the first time."""
        if self._used or not secrets.compare_digest(offered.encode(), self.ticket.encode()):
            return None
        self._used = True
        return self.key


class Gate:
    """Stands before the application; what it refuses costs nothing.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    hosts : frozenset of str
        What a request may call this server, each with its port.
    is_open : callable
        Whether a path needs no key: the page's own files, which hold nothing.
    """

    def __init__(self, app: App, keys: Keys, hosts: frozenset[str], is_open: Callable[[str], bool]) -> None:
        self._app = app
        self._keys = keys
        self._hosts = frozenset(host.encode() for host in hosts)
        self._origins = frozenset(f"http://{host}".encode() for host in hosts)
        self._is_open = is_open

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Refuse the request or let it through."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)
        body = b""
        if refusal is None:
            try:
                body = await asyncio.wait_for(_body(receive), BODY_S)
            except TimeoutError:
                refusal = _SLOW
            except OverflowError:
                refusal = _LARGE
        if refusal is not None:
            await _refuse(refusal, scope, send)
            return
        await self._app(scope, _again(body, receive), _with_headers(send))

    def _refusal(self, scope: Message) -> Refusal | None:
        given: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            given.setdefault(name.lower(), []).append(value)
        changes = scope["method"] not in {"GET", "HEAD"}
        stranger = self._stranger(given, changes=changes)
        if stranger is not None or scope["method"] not in METHODS:
            return stranger or _METHOD
        offered = given.get(KEY_HEADER, [])
        if not self._is_open(scope["path"]) and not (len(offered) == 1 and self._keys.fits(offered[0])):
            return _NO_KEY
        if changes and given.get(b"content-type", [b""])[0].partition(b";")[0].strip() != b"application/json":
            return _TYPE
        length = given.get(b"content-length", [b"0"])[0]
        return _LARGE if not length.isdigit() or int(length) > LARGEST_BODY else None

    def _stranger(self, given: dict[bytes, list[bytes]], *, changes: bool) -> Refusal | None:
        """Refuse what another page or another name for this machine asks."""
        if given.get(b"host", [b""]) not in [[host] for host in self._hosts]:
            return _WRONG_HOST
        origins = given.get(b"origin", [])
        if (origins or changes) and not (len(origins) == 1 and origins[0] in self._origins):
            return _WRONG_ORIGIN
        if given.get(b"sec-fetch-site", [b"same-origin"])[0] not in {b"same-origin", b"none"}:
            return _WRONG_ORIGIN
        return None


async def _body(receive: Receive) -> bytes:
    """The whole body; one that does not end is not waited for."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b""
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > LARGEST_BODY:
            raise OverflowError
        if not message.get("more_body", False):
            return b"".join(parts)


def _again(body: bytes, receive: Receive) -> Receive:
    """Hand on a body that was read already; then whatever comes, such as that the other side has left."""
    given = False

    async def handed_on() -> Message:
        nonlocal given
        if not given:
            given = True
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    return handed_on


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *HEADERS]
        await send(message)

    return sent


async def _refuse(refusal: Refusal, scope: Message, send: Send) -> None:
    said = {"code": refusal.code, "message": refusal.message, "advice": refusal.advice}
    body = json.dumps(said).encode()
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        # What is left of a body nobody reads must not be taken for the next request.
        (b"connection", b"close"),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": refusal.status, "headers": headers})
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
