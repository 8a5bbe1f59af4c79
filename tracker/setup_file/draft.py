"""A setup in the making, as it is typed and pointed at: some of it may be missing still."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from calibration.board_layout import Board, StandingBoard
from calibration.values import CameraStatement, Floats, Reference, frozen
from tracker.errors import SetupError
from tracker.setup_file import sections, units
from tracker.setup_file.board import MARKER_MM, OF_BOARD, POINTED_AT, standing_board
from tracker.setup_file.edit import Table
from tracker.setup_file.reference import reference
from tracker.setup_file.section import Section

CORNERS = 4
_NEAR = 1e-9
_PLACE = re.compile(r"^.*?: \[(\w+)\] (\w+)")


def rectangle(width: str, height: str) -> list[list[float]]:
    """Places of a rectangle's corners in metres, from the lower left one round: right, up, left.

    Raises
    ------
    SetupError
        If one of them is no length.
    """
    w, h = (
        units.quantity(text, units.LENGTH, where).value
        for text, where in ((width, "The rectangle's width"), (height, "The rectangle's height"))
    )
    if not (w > 0 and h > 0):
        raise SetupError(
            "setup_not_positive", "The rectangle has no area.", 'Give its width and height, such as "1.2 m".'
        )
    return [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]


def sides(points_m: object) -> tuple[str, str] | None:
    """Width and height of a rectangle's places; None if they are no rectangle as written here."""
    try:
        places = np.array(points_m, dtype=np.float64)
    except (ValueError, TypeError):
        return None
    if places.shape != (CORNERS, 2):
        return None
    (_, _), (w, _), (_, h), _ = places
    fits = np.allclose(places, [[0, 0], [w, 0], [w, h], [0, h]], atol=_NEAR)
    return (f"{w:.10g} m", f"{h:.10g} m") if fits and w > 0 and h > 0 else None


def in_order(points_px: Floats) -> list[int]:
    """Numbers of four corners, (4, 2), in the order of ``rectangle``: from the lower left one round."""
    away = points_px - points_px.mean(axis=0)
    # y runs down, so that this goes round against the clock as it is seen.
    round_about = [int(i) for i in np.argsort(np.arctan2(-away[:, 1], away[:, 0]))]
    lower_left = min(range(CORNERS), key=lambda i: away[i, 0] - away[i, 1])
    at = round_about.index(lower_left)
    return round_about[at:] + round_about[:at]


def for_hands(table: Table) -> Table:
    """A table in which a rectangle is its two sides, ``reference.size``, as people say it."""
    out = {name: dict(content) for name, content in table.items()}
    known = out.get("reference", {})
    size = sides(known.get("points_m"))
    if size is not None:
        del known["points_m"]
        known["size"] = list(size)
    return out


def from_hands(table: Table) -> tuple[Table, list[int]]:
    """The inverse of ``for_hands``; the corners may have been marked in any order.

    Returns
    -------
    table : Table
    order : list of int
        Which of the marks given each mark of the table is.

    Raises
    ------
    SetupError
        If the sides are no lengths.
    """
    out = {name: dict(content) for name, content in table.items()}
    known = out.get("reference", {})
    marks = known.get("points_px")
    order = list(range(len(marks))) if isinstance(marks, list) else []
    size = known.pop("size", None)
    if isinstance(size, list) and len(size) == 2:
        known["points_m"] = rectangle(str(size[0]), str(size[1]))
        try:
            places = np.array(marks, dtype=np.float64)
        except (ValueError, TypeError):
            return out, order
        if isinstance(marks, list) and places.shape == (CORNERS, 2):
            order = in_order(places)
            known["points_px"] = [marks[i] for i in order]
    return out, order


def pointed_at(table: Table, source: str) -> tuple[Reference | None, CameraStatement]:
    """What is said of reference and camera, whatever else is missing.

    Raises
    ------
    SetupError
        If what is said cannot be used.
    """
    content = {k: v for k, v in table.get("reference", {}).items() if k != "frame"}
    whole = "points_px" in content and ("length" in content or "points_m" in content)
    known = reference(Section("reference", table["reference"], source)) if whole else None
    picture = None if known is None else known.picture_px
    camera = sections.camera(Section("camera", table.get("camera", {}), source), picture)
    if camera.plumb_px is not None:
        camera = replace(camera, plumb_px=frozen(camera.plumb_px))
    return known, camera


def stood_up(table: Table, source: str) -> StandingBoard | None:
    """The printed board that is said to stand there, whatever else is missing.

    Raises
    ------
    SetupError
        If there is no such board, or what else is said of the reference does not go with one.
    """
    return standing_board(Section("reference", table.get("reference", {}), source))


def with_board(table: Table, board: Board) -> Table:
    """A table whose reference is a printed board: marks and lengths give way, the offset and a ruler stay."""
    out = {name: dict(content) for name, content in table.items()}
    known = out.setdefault("reference", {})
    for key in (*POINTED_AT, "size", *OF_BOARD[:2]):
        known.pop(key, None)
    known |= said_of(board)
    return out


def said_of(board: Board) -> dict[str, object]:
    """What a setup file says of a board, no more than needed."""
    said: dict[str, object] = {"board": board.paper}
    if board.sheets > 1:
        said["sheets"] = [board.sheets_across, board.sheets_up]
    if board.marker_mm != MARKER_MM:
        said["marker"] = f"{board.marker_mm:.10g} mm"
    return said


def place_of(error: SetupError) -> str | None:
    """Which "section.key" an error is about, as far as it says so."""
    match = _PLACE.match(error.message)
    return None if match is None else f"{match[1]}.{match[2]}"
