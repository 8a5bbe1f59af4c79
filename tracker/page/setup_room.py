"""The first room of the page: from a clip to its setup file, and to numbers."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from tracker.page.desk import Desk, ball_for_page, in_words
from tracker.page.jobs import in_words as failure
from tracker.setup_file.colours import FAMILIES
from tracker.setup_file.draft import for_hands
from tracker.setup_file.template import SAFETY

T = TypeVar("T")
Tables = dict[str, dict[str, Any]]
Pixel = Annotated[float, Field(ge=-0.5, le=20_000, allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Draft(_Strict):
    """A setup in the making."""

    table: Tables


class ToSave(Draft):
    """A setup to be written, and whether a file that is in the way may be replaced or is left."""

    replace: bool = False
    another: bool = False


class Spot(_Strict):
    """A place in a picture."""

    frame: int = Field(ge=0)
    x: Pixel
    y: Pixel


class Wanted(_Strict):
    """The only colour to look for."""

    colour: str | None = Field(default=None, max_length=20)


def setup_room(desk: Desk) -> APIRouter:
    """What the setup's page can ask."""
    room = APIRouter(prefix="/api")
    _clip_routes(room, desk)
    _setup_routes(room, desk)
    _work_routes(room, desk)
    _neighbour_routes(room, desk)
    return room


def _clip_routes(room: APIRouter, desk: Desk) -> None:
    @room.get("/clip")
    def clip() -> dict[str, Any]:
        facts, paper = desk.facts, desk.paper
        picture = facts.picture
        return {
            "clip": desk.clip.name,
            "frames": len(facts.file_time_s),
            "times": facts.file_time_s.round(6).tolist(),
            "width": picture.width_px,
            "height": picture.height_px,
            "capture_fps_tag": facts.capture_fps_tag,
            "file": paper.path.name,
            "exists": paper.exists,
            "table": for_hands(paper.table),
            "problem": None if paper.problem is None else failure(paper.problem),
            "colours": list(FAMILIES),
            "safety": list(SAFETY),
            "board": desk.board_for_page(),
            "ball": None if desk.ball is None else ball_for_page(desk.ball),
            "neighbours": [path.name for path in desk.neighbours()],
            "like": None if desk.like is None else desk.compared(desk.like),
        }

    @room.get("/frames/{index}")
    async def frame(request: Request, index: int) -> Response:
        data = await while_wanted(request, lambda wanted: desk.picture(index, wanted))
        if data is None:
            return _plain(404, "film_damaged", "This picture is damaged.", "Go on to the next one.")
        return Response(data, media_type="image/jpeg")

    @room.post("/colour")
    def colour(spot: Spot) -> dict[str, str] | None:
        return desk.colour(spot.frame, spot.x, spot.y)


def _setup_routes(room: APIRouter, desk: Desk) -> None:
    @room.post("/weigh")
    def weigh(draft: Draft) -> dict[str, Any]:
        return desk.weigh(draft.table)

    @room.post("/save")
    def save(draft: ToSave) -> dict[str, Any]:
        return desk.save(draft.table, replace=draft.replace, another=draft.another)


def _chosen(desk: Desk, number: int | None) -> Path | None:
    """The clip itself, or one of its neighbours by number; the browser never names a path."""
    if number is None:
        return desk.clip
    there = desk.neighbours()
    return there[number] if 0 <= number < len(there) else None


def _work_routes(room: APIRouter, desk: Desk) -> None:
    @room.post("/search")
    def search(wanted: Wanted) -> dict[str, int]:
        return {"number": desk.search(wanted.colour)}

    @room.post("/board")
    def board(draft: Draft) -> dict[str, int]:
        return {"number": desk.look_for_board(draft.table)}

    @room.post("/measure")
    def measure() -> dict[str, int]:
        return {"number": desk.measure(desk.clip)}

    @room.delete("/jobs/{name}")
    def give_up(name: str) -> dict[str, bool]:
        return {"given_up": desk.jobs.give_up(name)}


def _neighbour_routes(room: APIRouter, desk: Desk) -> None:
    @room.post("/neighbours/{number}/measure", response_model=None)
    def measure_other(number: int) -> dict[str, int] | Response:
        other = _chosen(desk, number)
        return _no_clip() if other is None else {"number": desk.measure(other)}

    @room.post("/neighbours/{number}/compare", response_model=None)
    def compare(number: int) -> dict[str, Any] | Response:
        other = _chosen(desk, number)
        if other is None:
            return _no_clip()
        found = desk.compare(other)
        return {"stands": found.stands, "comparable": found.comparable, "words": in_words(found, other.name)}

    @room.get("/flight/{shot}")
    @room.get("/neighbours/{number}/flight/{shot}")
    def flight(shot: int, number: int | None = None) -> Response:
        clip = _chosen(desk, number)
        data = None if clip is None else desk.flight_picture(clip, shot)
        if data is None:
            return _plain(404, "no_such_shot", "There is no such shot.", "Measure the clip first.")
        return Response(data, media_type="image/png")


def _no_clip() -> Response:
    return _plain(404, "no_such_clip", "There is no such clip.", "Load the page again.")


def _plain(status: int, code: str, message: str, advice: str) -> Response:
    return JSONResponse({"code": code, "message": message, "advice": advice}, status)


async def while_wanted(request: Request, work: Callable[[Callable[[], bool]], T]) -> T:
    """Do work in a thread; it is told when whoever asked for it has left."""
    left = threading.Event()

    async def watch() -> None:
        while (await request.receive())["type"] != "http.disconnect":
            pass
        left.set()

    watcher = asyncio.create_task(watch())
    try:
        return await asyncio.to_thread(work, lambda: not left.is_set())
    finally:
        watcher.cancel()
