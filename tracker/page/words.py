"""What the page says about a setup in the making."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from calibration.board_layout import Board
from calibration.errors import PlainError
from calibration.foresee import Foreseen
from tracker.errors import SetupError
from tracker.setup_file.draft import place_of
from tracker.setup_file.edit import Table
from tracker.values import COVERAGE_FACTOR_95

#: What each thing is called on the page.
NAMES = {
    "ball.diameter": "The ball's diameter",
    "ball.mass": "The ball's mass",
    "ball.colour": "The ball's colour",
    "reference.length": "The known length",
    "reference.points_px": "The marks",
    "reference.points_m": "The rectangle",
    "reference.offset": "How far behind it stands",
    "reference.frame": "The picture",
    "reference.picture": "The size of the picture",
    "reference.board": "The printed board",
    "reference.ruler": "The ruler line",
    "reference.marker": "The marker",
    "camera.distance": "The distance",
    "camera.capture_fps": "The capture rate",
    "camera.readout": "The readout",
    "camera.plumb_px": "The plumb line",
    "launcher.exit_px": "The exit",
    "launcher.wheel_diameter": "The wheel's diameter",
    "launcher.wheel_speed": "The wheel's speed",
    "launcher.second_wheel_speed": "The second wheel's speed",
    "launcher.gap_entry": "The gap at the entry",
    "launcher.gap_exit": "The gap at the exit",
    "launcher.deflector_angle": "The deflector's angle",
}

#: What is missing, whether nothing goes without it, and what it is good for.
MISSING = (
    ("ball.diameter", True, "Measure across the ball. Nothing can be measured without it."),
    (
        "reference",
        False,
        "Mark a known length. Without it the ball's own size carries the scale, several times less surely.",
    ),
    ("camera.plumb_px", False, "A line that hangs straight down makes the angle surer."),
    ("camera.distance", False, "The distance from the phone lets an offset be taken out."),
    ("ball.mass", False, "The ball's mass tells how much air brakes it."),
    (
        "launcher.exit_px",
        False,
        "The exit lets the speed be told where the ball leaves, not where it is seen.",
    ),
    ("launcher.wheel_speed", False, "Wheel speed and diameter show how much of it went into spin."),
)

#: What a share of the uncertainty comes from.
SOURCES = {
    "click": "where you clicked",
    "board": "how clearly the board is seen",
    "length": "how well the length was measured",
    "offset": "whether it stands in the plane of flight",
    "yaw": "whether the camera looks square on",
    "pitch": "whether the camera looks level",
    "tilt": "which way is down",
    "distance": "the distance",
    "lens": "the lens",
}

#: The same where a printed board carries the scale.
OF_BOARD = {
    **SOURCES,
    "length": "how true to size it was printed",
    "offset": "whether the board stands in the plane of flight",
    "yaw": "whether the board is turned into the plane of flight",
    "pitch": "whether the board stands upright",
    "tilt": "whether the board stands level",
}

_WHERE = re.compile(r"^.*?: \[\w+\] \w+ ")


def missing(table: Table) -> list[dict[str, Any]]:
    """What is not there yet and what it would be good for."""

    def there(place: str) -> bool:
        section, _, key = place.partition(".")
        content = table.get(section, {})
        if not key:
            return bool({"length", "points_m", "board"} & content.keys())
        return content.get(key) not in {None, ""} if not isinstance(content.get(key), list) else True

    return [
        {"place": place, "needed": needed, "good_for": words}
        for place, needed, words in MISSING
        if not there(place)
    ]


def problem(error: PlainError) -> dict[str, Any]:
    """An error about a setup, with the place on the page it belongs to."""
    place = place_of(error) if isinstance(error, SetupError) else None
    message = error.message
    if place is not None:
        said = _WHERE.sub("", message, count=1)
        message = f"{NAMES.get(place, place)} {said}"
    return {"place": place, "code": error.code, "message": message, "advice": error.advice}


def board_seen(board: Board, seen: int, looked: int) -> str:
    """That a printed board was found, and what kind of board it is."""
    kind = (
        "one sheet"
        if board.sheets == 1
        else f"{board.sheets_across} x {board.sheets_up} sheets of {board.paper}"
    )
    where = f"all {looked} pictures" if seen == looked else f"{seen} of {looked} pictures"
    return f"The printed board ({kind}) was found in {where} looked at."


def worth(
    foreseen: Foreseen, order: list[int], u_click_px: float, sources: Mapping[str, str] = SOURCES
) -> dict[str, Any]:
    """What marks and measures are worth; intervals hold 95 times out of 100.

    ``order`` tells which mark on the page each mark of the reference is.
    """
    times = COVERAGE_FACTOR_95
    return {
        "mm_per_px": 1000 * foreseen.m_per_px,
        "speed_share": times * foreseen.u_length,
        "angle_rad": times * foreseen.u_angle_rad,
        "click_px": times * u_click_px,
        "marks": [
            {"mark": mark, "speed_share": times * float(effect[0]), "angle_rad": times * float(effect[1])}
            for mark, effect in zip(order, foreseen.marks, strict=True)
        ],
        "plumb": [{"angle_rad": times * float(effect[1])} for effect in foreseen.plumb],
        "shares": [
            {"from": sources.get(name, name), "speed_share": times * speed, "angle_rad": times * angle}
            for name, speed, angle in foreseen.shares
        ],
    }
