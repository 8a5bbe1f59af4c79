"""Each section of a setup file -> its value.

What is not stated about uncertainty is filled in here and in ``reference``, so that each
assumption stands in one place.
"""

from __future__ import annotations

import math

from calibration.values import CameraStatement
from tracker.errors import SetupError
from tracker.setup_file import units
from tracker.setup_file.colours import colour
from tracker.setup_file.reference import check_points
from tracker.setup_file.section import Section
from tracker.values import Ball, Design, Launcher, Room, Target

BALL_SHARE = 0.01  # soft balls of one batch differ by about that much; common practice, no source
DISTANCE_SHARE = 0.02  # of a distance taken with a tape across a room; common practice, no source
DISTANCE_M = 0.020  # from the tape's hook to the lens, somewhere inside the phone; common practice, no source
LARGEST_CAPTURE_FPS = 100_000.0
RIGHT_ANGLE_RAD = math.pi / 2.0


def ball(section: Section) -> Ball:
    """Read diameter, mass, colour; 1 % of diameter and mass where no uncertainty is stated."""
    diameter_m = section.quantity("diameter", units.LENGTH) if section.content.get("diameter") != "" else None
    if diameter_m is None:
        raise section.error(
            "setup_ball_diameter_missing",
            "diameter",
            "is missing.",
            'Measure across the ball and write it as diameter = "140 mm" under [ball].',
        )
    mass_kg = section.quantity("mass", units.MASS)
    u_mass_kg = section.quantity("mass_uncertainty", units.MASS)
    if u_mass_kg is None and mass_kg is not None:
        u_mass_kg = BALL_SHARE * mass_kg
    stated = section.content.get("colour")
    return Ball(
        diameter_m=diameter_m,
        mass_kg=mass_kg,
        colour=None if stated is None else colour(stated, section.where("colour")),
        solid=section.truth("solid", default=False),
        u_diameter_m=section.quantity("diameter_uncertainty", units.LENGTH) or BALL_SHARE * diameter_m,
        u_mass_kg=u_mass_kg,
    )


def camera(section: Section, picture_px: tuple[int, int] | None) -> CameraStatement:
    """Read what is stated about the camera."""
    distance_m = section.quantity("distance", units.LENGTH)
    u_distance_m = section.quantity("distance_uncertainty", units.LENGTH)
    if u_distance_m is None and distance_m is not None:
        u_distance_m = math.hypot(DISTANCE_M, DISTANCE_SHARE * distance_m)
    rate = section.number("capture_fps", "the frames a second", "240")
    plumb_px = section.points("plumb_px", "[[640, 40], [642, 690]]")
    if plumb_px is not None:
        if len(plumb_px) != 2:
            raise section.error(
                "setup_points_count",
                "plumb_px",
                f"holds {len(plumb_px)}, but a plumb line has two points.",
                "Give a point at its top and a point at its bottom.",
            )
        check_points(section, "plumb_px", plumb_px, picture_px)
    return CameraStatement(
        distance_m=distance_m,
        u_distance_m=u_distance_m,
        capture_fps=None if rate is None else capture_rate(rate, section.where("capture_fps")),
        readout_s=section.quantity("readout", units.TIME, "not_negative"),
        lens_file=section.word("lens"),
        plumb_px=plumb_px,
    )


def capture_rate(rate: float, where: str) -> float:
    """Refuse a frame rate no camera has.

    Raises
    ------
    SetupError
        With code ``setup_capture_fps``.
    """
    if not 1.0 <= rate <= LARGEST_CAPTURE_FPS:  # also refuses not-a-number
        raise SetupError(
            "setup_capture_fps",
            f"{where} is {rate:g} frames a second, which no camera films at.",
            "Give the rate the phone was set to, such as 120 or 240.",
        )
    return rate


def launcher(section: Section, picture_px: tuple[int, int] | None) -> Launcher:
    """Read the launcher's setting."""
    exit_px = section.points("exit_px", "[204, 512]", single=True)
    if exit_px is not None:
        check_points(section, "exit_px", exit_px, picture_px)
    wheels = section.whole("wheels", 1, 2, 1)
    second = section.quantity("second_wheel_speed", units.ROTATION)
    if second is not None and wheels == 1:
        raise section.error(
            "setup_wheels",
            "second_wheel_speed",
            "is given, but the launcher has one wheel.",
            "Write wheels = 2, or leave second_wheel_speed out.",
        )
    return Launcher(
        exit_px=None if exit_px is None else (float(exit_px[0, 0]), float(exit_px[0, 1])),
        wheels=wheels,
        wheel_diameter_m=section.quantity("wheel_diameter", units.LENGTH),
        wheel_speed_rad_s=section.quantity("wheel_speed", units.ROTATION),
        second_wheel_speed_rad_s=second,
        gap_entry_m=section.quantity("gap_entry", units.LENGTH),
        gap_exit_m=section.quantity("gap_exit", units.LENGTH),
        deflector_angle_rad=section.between(
            "deflector_angle",
            units.ANGLE,
            -2 * RIGHT_ANGLE_RAD,
            2 * RIGHT_ANGLE_RAD,
            "from -180 to 180 degrees",
        ),
    )


def design(section: Section) -> Design:
    """Read what the launcher is meant to do."""
    return Design(
        exit_speed_m_s=section.quantity("exit_speed", units.SPEED),
        exit_angle_rad=section.between(
            "exit_angle", units.ANGLE, -RIGHT_ANGLE_RAD, RIGHT_ANGLE_RAD, "from -90 to 90 degrees"
        ),
        spin_rad_s=section.quantity("spin", units.ROTATION, "any"),
        speed_tolerance_m_s=section.quantity("speed_tolerance", units.SPEED),
        angle_tolerance_rad=section.quantity("angle_tolerance", units.ANGLE),
        spin_tolerance_rad_s=section.quantity("spin_tolerance", units.ROTATION),
    )


def target(section: Section) -> Target | None:
    """Read where the ball is meant to go; an empty section is none, a partial one is refused."""
    if not section.content:
        return None
    distance_m = section.quantity("distance", units.LENGTH)
    height_m = section.quantity("height", units.LENGTH, "any")
    opening_m = section.quantity("opening", units.LENGTH)
    if distance_m is None or height_m is None or opening_m is None:
        missing = next(key for key in ("distance", "height", "opening") if key not in section.content)
        raise section.error(
            "setup_target_incomplete",
            missing,
            "is missing.",
            "Give distance, height and opening, all three measured from the exit, or none of them.",
        )
    return Target(distance_m, height_m, opening_m)


def room(section: Section) -> Room:
    """Read air and place."""
    return Room(
        temperature_k=section.between(
            "temperature", units.TEMPERATURE, 223.15, 333.15, "from -50 to 60 degC, as people play in"
        ),
        pressure_pa=section.between(
            "pressure", units.PRESSURE, 4e4, 1.2e5, "from 400 to 1200 hPa, as read on the spot"
        ),
        humidity=_humidity(section),
        latitude_rad=section.between(
            "latitude", units.ANGLE, -RIGHT_ANGLE_RAD, RIGHT_ANGLE_RAD, "from -90 to 90 degrees"
        ),
    )


def _humidity(section: Section) -> float | None:
    stated = section.content.get("humidity")
    if isinstance(stated, str):
        return section.between("humidity", units.SHARE, 0.0, 1.0, "from 0 to 100 %")
    value = section.number("humidity", 'a share from 0 to 1, or a text such as "45 %",', "0.45")
    if value is not None and not 0.0 <= value <= 1.0:
        raise section.error(
            "setup_out_of_range",
            "humidity",
            f"is {value:g}, which cannot be.",
            'Write a share from 0 to 1 such as 0.45, or a text such as "45 %".',
        )
    return value
