"""What is known so far -> a commented setup file to be filled in."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from tracker.errors import OutputError
from tracker.setup_file.colours import FAMILIES

SAFETY = (
    "Before hands go near the gap: power off, and the wheel at a stop.",
    "Eye protection for everyone near a spinning wheel; hair, sleeves, laces and cables away from it.",
    "Nobody in line with the exit; an adult who knows the machine is present.",
    "Never above the wheel's rated speed.",
    "The event's rules, the school's rules and the makers' instructions come first.",
    "This program advises; it does not certify a launcher as safe.",
)


def template(
    *,
    diameter: str = "",
    mass: str = "",
    colour: str = "",
    points_px: Sequence[Sequence[float]] = (),
    picture: tuple[int, int] | None = None,
    frame: int = 0,
    length: str = "",
    distance: str = "",
    capture_fps: float | None = None,
    exit_px: tuple[float, float] | None = None,
) -> str:
    """Make a setup file in which what is given stands as given, and the rest as commented examples.

    It can be read once the ball's diameter and, if any of the reference is given, ``points_px``,
    ``picture`` and ``length`` are there. Lengths and masses are texts with units, as in the file.
    """
    safety = "\n".join(f"#   {line}" for line in SAFETY)
    known = bool(len(points_px)) and picture is not None
    fields = {
        "safety": safety,
        "names": " ".join(FAMILIES),
        "diameter": f"diameter = {_quoted(diameter)}"
        + ("" if diameter else '   # fill this in, such as "140 mm"'),
        "mass": _line("mass", _quoted(mass) if mass else None, '"88 g"'),
        "colour": _line("colour", _quoted(colour) if colour else None, '"orange"'),
        "points_px": _line("points_px", _pairs(points_px) if known else None, "[[212, 640], [851, 634]]"),
        "picture": _line(
            "picture", f"[{picture[0]}, {picture[1]}]" if known and picture else None, "[1280, 720]"
        ),
        "frame": _line("frame", str(frame) if known else None, "0"),
        "length": _line("length", _quoted(length) if known and length else None, '"1.500 m"'),
        "distance": _line("distance", _quoted(distance) if distance else None, '"4.2 m"'),
        "capture_fps": _line("capture_fps", None if capture_fps is None else f"{capture_fps:.10g}", "240"),
        "exit_px": _line("exit_px", None if exit_px is None else _pair(exit_px), "[204, 512]"),
    }
    return _FORM.format(**fields)


def write_template(path: Path, text: str | None = None) -> None:
    """Write a template, or the text of one; a file that exists is left alone.

    Raises
    ------
    OutputError
        If there is such a file already, or none can be made there.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(template() if text is None else text)
    except FileExistsError as error:
        raise OutputError(
            "output_exists",
            f"{path.name} exists already and was left as it is.",
            "Give another name, or move the old file away first.",
        ) from error
    except (OSError, ValueError) as error:
        raise OutputError(
            "output_not_writable",
            f"{path.name} cannot be written there.",
            "Choose a folder that exists and that you may write to.",
        ) from error


def _quoted(text: str) -> str:
    # A TOML basic string is a JSON string, but for DEL.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _pair(point: Sequence[float]) -> str:
    return f"[{float(point[0]):.10g}, {float(point[1]):.10g}]"


def _pairs(points: Sequence[Sequence[float]]) -> str:
    return "[" + ", ".join(_pair(point) for point in points) + "]"


def _line(key: str, value: str | None, example: str) -> str:
    return f"# {key} = {example}" if value is None else f"{key} = {value}"


_FORM = """\
# Setup of one launcher and one camera place, for lobscope.
# Lines that begin with # are notes and examples: take the # away to use one.
# Every length, speed, mass and angle is written in quotes with its unit:
#   lengths mm cm m in ft | speeds m/s km/h ft/s mph | masses g kg oz lb
#   angles deg rad | rotations rpm rev/s rad/s | times s ms us
#
# Safety first:
{safety}

[ball]
{diameter}
{mass}
{colour}
#   {names}, or "#rrggbb"
# solid = false
#   true for a ball that is filled, false for a hollow one
# diameter_uncertainty = "1 mm"
# mass_uncertainty = "1 g"

[reference]
#   Something of known size, held in the plane in which the ball flies.
#   Read the places off one upright picture: x to the right, y down, in pixels.
{points_px}
{picture}
#   width and height of that picture
{frame}
#   which picture of the clip it was; the first is 0
{length}
#   how far apart the two points are; write as many digits as you measured
# points_m = [[0, 0], [1.2, 0], [1.2, 0.8], [0, 0.8]]
#   instead of length: the places of four points or more in the plane, along and up, in metres
# offset = "0 m"
#   how far behind the plane of flight it stands, seen from the camera; in front is negative
# length_uncertainty = "1 mm"
# offset_uncertainty = "10 mm"
# click_uncertainty_px = 1.0
#   Or, in place of all these, a printed board ("lobscope board" makes one), which is found in the clip:
# board = "A4"
# sheets = [1, 1]
#   how many sheets across and up
# marker = "64 mm"
#   the width of a marker as it was ordered; it stands at the foot of each sheet
# ruler = "150.0 mm"
#   how long the printed ruler line really is

[camera]
{distance}
#   from the phone to the plane of flight
# distance_uncertainty = "5 cm"
{capture_fps}
#   the rate the phone was set to, if the file does not say it or says it wrongly
# readout = "4 ms"
#   how long the camera takes to read one picture from top to bottom
# lens = "lens.toml"
# plumb_px = [[640, 40], [642, 690]]
#   two points of a line that hangs straight down

[launcher]
{exit_px}
#   where the ball's centre is when it last touches the launcher
# wheels = 1
# wheel_diameter = "96 mm"
# wheel_speed = "3200 rpm"
# second_wheel_speed = "3000 rpm"
#   only with wheels = 2
# gap_entry = "126 mm"
# gap_exit = "126 mm"
# deflector_angle = "38 deg"

[design]
#   What the launcher is meant to do, to be compared with what it does.
# exit_speed = "7.2 m/s"
# exit_angle = "52 deg"
# spin = "8 rev/s"
# speed_tolerance = "0.2 m/s"
# angle_tolerance = "1.5 deg"
# spin_tolerance = "2 rev/s"

[target]
#   All three from the exit.
# distance = "3.0 m"
# height = "1.10 m"
# opening = "0.45 m"

[room]
#   An ordinary room is assumed where nothing is said.
# temperature = "22 degC"
# pressure = "1005 hPa"
#   as read on the spot, not reduced to sea level
# humidity = "45 %"
# latitude = "48 deg"
"""
