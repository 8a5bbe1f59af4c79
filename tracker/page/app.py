"""The page's application: its own files, its rooms, and the gate before them."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from importlib import resources

from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response, StreamingResponse
from jinja2 import Environment, StrictUndefined
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from calibration.errors import PlainError
from tracker import __version__
from tracker.page.events import Events
from tracker.page.gate import App, Gate, Keys
from tracker.page.jobs import in_words

_KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_PAGE = "page.html"


class Ticket(BaseModel):
    """What the browser was started with."""

    model_config = ConfigDict(extra="forbid")
    ticket: str = Field(max_length=100)


def make_app(
    rooms: Sequence[APIRouter], events: Events, keys: Keys, hosts: frozenset[str], *, title: str
) -> App:
    """Put rooms behind the gate.

    Parameters
    ----------
    rooms : sequence of APIRouter
    events : Events
    keys : Keys
    hosts : frozenset of str
        What requests may call this server, with its port.
    title : str
        What stands in the browser's window.
    """
    shell = _shell(title)

    @asynccontextmanager
    async def life(_app: FastAPI) -> AsyncIterator[None]:
        events.begin()
        yield

    app = FastAPI(lifespan=life, docs_url=None, redoc_url=None, openapi_url=None, redirect_slashes=False)
    app.add_api_route("/", lambda: _file(shell, _PAGE), methods=["GET"], response_model=None)
    app.add_api_route("/shell/{name}", lambda name: _file(shell, name), methods=["GET"], response_model=None)

    @app.post("/api/enter")
    def enter(offered: Ticket) -> Response:
        key = keys.exchange(offered.ticket)
        if key is None:
            return _said(
                401, "ticket_used", "This address was used already.", "Open the one that is printed."
            )
        return JSONResponse({"key": key})

    @app.get("/api/events")
    async def news() -> StreamingResponse:
        return StreamingResponse(events.listen(), media_type="text/event-stream")

    @app.post("/api/left")
    def left() -> dict[str, bool]:
        events.left()
        return {"heard": True}

    for room in rooms:
        app.include_router(room)
    _translate(app)
    open_paths = {"/", "/api/enter", *(f"/shell/{name}" for name in shell)}
    return Gate(app, keys, hosts, open_paths.__contains__)


def _shell(title: str) -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, read once: no request ever names a file of the disk."""
    out: dict[str, tuple[bytes, str]] = {}
    folder = resources.files("tracker.page") / "shell"
    for file in folder.iterdir():
        ending = file.name[file.name.rfind(".") :]
        if ending in _KINDS:
            out[file.name] = file.read_bytes(), _KINDS[ending]
    page = Environment(autoescape=True, undefined=StrictUndefined).from_string(
        (folder / _PAGE).read_text(encoding="utf-8")
    )
    out[_PAGE] = page.render(title=title, version=__version__).encode(), "text/html; charset=utf-8"
    return out


def _file(shell: dict[str, tuple[bytes, str]], name: str) -> Response:
    if name not in shell:
        return _said(404, "not_found", "There is nothing here.", "Use the page.")
    data, kind = shell[name]
    return Response(data, media_type=kind)


def _said(status: int, code: str, message: str, advice: str) -> Response:
    return JSONResponse({"code": code, "message": message, "advice": advice}, status)


def _translate(app: FastAPI) -> None:
    """Every failure as code, sentence and advice."""

    @app.exception_handler(PlainError)
    async def plain(_request: Request, error: PlainError) -> Response:
        return JSONResponse(in_words(error), 409 if error.code == "setup_not_ours" else 400)

    @app.exception_handler(RequestValidationError)
    async def invalid(_request: Request, _error: RequestValidationError) -> Response:
        return _said(422, "not_understood", "That is not what the page sends.", "Load the page again.")

    @app.exception_handler(HTTPException)
    async def refused(_request: Request, error: HTTPException) -> Response:
        return _said(error.status_code, "not_found", "There is nothing here.", "Use the page.")

    @app.exception_handler(Exception)
    async def broken(_request: Request, error: Exception) -> Response:
        return Response(json.dumps(in_words(error)), 500, media_type="application/json")
