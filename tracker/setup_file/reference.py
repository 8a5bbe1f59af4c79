"""[reference] -> Reference: a known length or known places in one picture."""

from __future__ import annotations

import math

import numpy as np

from calibration.values import Floats, Reference
from tracker.setup_file import units
from tracker.setup_file.section import Section
from tracker.setup_file.units import Quantity
from tracker.values import Ball

CLICK_PX = 1.0  # how well an end of a staff is pointed at; common practice, no source
OFFSET_M = 0.010  # how well a staff is put into a plane nobody can see; common practice, no source
OFFSET_SHARE = 0.02  # of a stated offset, taken with a tape across a room; common practice, no source
END_M = 0.0005  # where a staff's coloured end begins; common practice, no source
NOMINAL_SHARE = 0.001  # a length written more coarsely than this is a nominal one, not a reading
PICTURE_PX = (16, 20_000)
LAST_FRAME = 100_000_000
HALF_RECTANGLE = 1.0 / math.sqrt(3.0)  # JCGM 100:2008, 4.3.7


def length_uncertainty_m(length: Quantity) -> float:
    """Give the standard uncertainty of a length that comes without one.

    Three parts in quadrature: half of the last digit written, as a rectangle, but no more than
    0.1 % ("1 m" names a length, it does not round one); the maximum permissible error of a class
    III tape, 0.6 mm + 0.4 mm for each metre begun (Directive 2014/32/EU, annex X, table 1), as a
    rectangle; 0.5 mm for the ends. "1.000 m" has 0.82 mm, "1 m" has 0.96 mm.
    """
    digit = min(length.half_digit, NOMINAL_SHARE * length.value)
    tape = 0.6e-3 + 0.4e-3 * math.ceil(length.value)
    return math.hypot(digit * HALF_RECTANGLE, tape * HALF_RECTANGLE, END_M)


def reference(section: Section) -> Reference | None:
    """Read a known length or known places; an empty section is none."""
    if not section.content:
        return None
    points_px = section.points("points_px", "[[212, 640], [851, 634]]")
    if points_px is None:
        raise section.error(
            "setup_key_missing",
            "points_px",
            "is missing.",
            "Write where its ends are in the picture, such as points_px = [[212, 640], [851, 634]].",
        )
    picture_px = _picture(section)
    length = section.written("length", units.LENGTH)
    points_m = section.points("points_m", "[[0, 0], [1.2, 0], [1.2, 0.8], [0, 0.8]]")
    _check_counts(section, points_px, length, points_m)
    check_points(section, "points_px", points_px, picture_px)
    if points_m is not None:
        _check_area(section, "points_m", points_m)
        _check_area(section, "points_px", points_px)
    stated_click = section.number("click_uncertainty_px", "pixels", "1.0")
    click_px = CLICK_PX if stated_click is None else stated_click
    if click_px <= 0:
        raise section.error(
            "setup_not_positive",
            "click_uncertainty_px",
            "is zero or less.",
            "Give how far off a click may be, in pixels, such as click_uncertainty_px = 1.0.",
        )
    offset_m = section.quantity("offset", units.LENGTH, "any") or 0.0
    span_m = length if length is not None else Quantity(_span(points_m), 0.0)
    return Reference(
        points_px=points_px,
        picture_px=picture_px,
        frame=section.whole("frame", 0, LAST_FRAME, 0),
        length_m=None if length is None else length.value,
        points_m=points_m,
        offset_m=offset_m,
        u_length_m=section.quantity("length_uncertainty", units.LENGTH) or length_uncertainty_m(span_m),
        u_offset_m=section.quantity("offset_uncertainty", units.LENGTH)
        or math.hypot(OFFSET_M, OFFSET_SHARE * offset_m),
        u_click_px=click_px,
    )


def _picture(section: Section) -> tuple[int, int]:
    size = section.content.get("picture")
    low, high = PICTURE_PX
    if (
        not isinstance(size, list)
        or len(size) != 2
        or not all(isinstance(n, int) and not isinstance(n, bool) and low <= n <= high for n in size)
    ):
        raise section.error(
            "setup_picture_size",
            "picture",
            "is missing." if size is None else "is not the size of a picture.",
            "Write width and height of the upright picture in pixels, such as picture = [1280, 720].",
        )
    return size[0], size[1]


def _check_counts(
    section: Section, points_px: Floats, length: Quantity | None, points_m: Floats | None
) -> None:
    if length is not None and points_m is not None:
        raise section.error(
            "setup_reference_twice",
            "length",
            "and points_m are both given, and only one can hold.",
            "Keep length for two points, or points_m for four and more.",
        )
    if length is None and points_m is None:
        raise section.error(
            "setup_reference_incomplete",
            "length",
            "is missing, so the points say nothing about size.",
            'Write how far apart the two points are, such as length = "1.500 m", or give points_m.',
        )
    count = len(points_px)
    if length is not None and count != 2:
        raise section.error(
            "setup_points_count",
            "points_px",
            f"holds {count} point{'' if count == 1 else 's'}, but a length needs two.",
            "Give the two ends of the known length, or use points_m for four points and more.",
        )
    if points_m is not None and (count < 4 or count != len(points_m)):
        raise section.error(
            "setup_points_count",
            "points_px",
            f"holds {count} and points_m holds {len(points_m)} points.",
            "Give four points or more, and as many in points_m as in points_px, in the same order.",
        )


def check_points(section: Section, key: str, points_px: Floats, picture_px: tuple[int, int] | None) -> None:
    """Refuse points that are given twice or lie outside the picture, shape (n, 2).

    Raises
    ------
    SetupError
        With code ``setup_points_identical`` or ``setup_point_outside``.
    """
    for index, point in enumerate(points_px):
        if any(np.array_equal(point, other) for other in points_px[:index]):
            raise section.error(
                "setup_points_identical",
                key,
                "holds the same point twice.",
                "Point at two different places.",
            )
        if picture_px is not None and not inside(point, picture_px):
            size = f"{picture_px[0]} x {picture_px[1]}"
            raise section.error(
                "setup_point_outside",
                key,
                f"holds ({point[0]:g}, {point[1]:g}), which is outside the picture of {size} pixels.",
                "Point at it again in the upright picture; x runs to the right and y down from the top left.",
            )


def inside(point_px: Floats, picture_px: tuple[int, int]) -> bool:
    """Whether a point, shape (2,), lies on the picture; the outermost pixels reach half a pixel out."""
    x, y = point_px
    width, height = picture_px
    return bool(-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5)


def _check_area(section: Section, key: str, points: Floats) -> None:
    if len(np.unique(points, axis=0)) != len(points):
        raise section.error(
            "setup_points_identical", key, "holds the same point twice.", "Give each point its own place."
        )
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[1] < 1e-3 * spread[0]:
        raise section.error(
            "setup_points_on_a_line",
            key,
            "holds points that all lie on one line.",
            "Choose points that span an area, such as the corners of a rectangle.",
        )


def _span(points: Floats | None) -> float:
    """Largest distance between two points, shape (n, 2)."""
    if points is None:
        return 0.0
    return float(np.max(np.linalg.norm(points[:, None] - points[None], axis=2)))


def check_ball_fits(section: Section, described: Ball, known: Reference) -> None:
    """Refuse a ball that would be wider than the picture.

    Raises
    ------
    SetupError
        With code ``setup_ball_too_large``.
    """
    span_m = known.length_m if known.length_m is not None else _span(known.points_m)
    diameter_px = described.diameter_m / span_m * _span(known.points_px)
    if diameter_px > known.picture_px[0]:
        raise section.error(
            "setup_ball_too_large",
            "diameter",
            f"would be {diameter_px:.0f} pixels by the reference, wider than the picture.",
            "Check the units of the ball's diameter and of the reference's length.",
        )
