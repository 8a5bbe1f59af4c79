"""What is known of the camera before a ball is seen, as rows of one adjustment.

Each row is a residual over its standard uncertainty and its derivative by the camera's parameters; a
row says what it stands for, so that its share of a result's uncertainty can be named.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.camera import (
    ANCHOR_X,
    ANCHOR_Y,
    COMPLEX_STEP,
    LOG_DEPTH,
    LOG_SCALE,
    PARAMETERS,
    PITCH,
    ROLL,
    YAW,
    Numbers,
    View,
    distance_m,
    project,
    to_plane,
)
from calibration.errors import CalibrationError
from calibration.values import CameraStatement, Floats, Picture, Reference, frozen

U_YAW_RAD = math.radians(2.0)
U_PITCH_RAD = math.radians(2.0)
#: The picture's vertical is the room's to +-1 degree, rectangular: u = 1 / sqrt(3) degree.
U_LEVEL_RAD = math.radians(1.0) / math.sqrt(3)
#: Focal length over the longer side of the picture: main cameras of phones, with and without the crop
#: of a stabiliser. Common practice, no source.
FOCAL_SHARE, U_LN_FOCAL = 0.87, 0.22
U_DISTANCE_SHARE = 0.02
U_DISTANCE_LEAST_M = 0.02
LEAST_REFERENCE_PX = 8.0


@dataclass(frozen=True, slots=True)
class Rows:
    """Pseudo-observations of the camera: residuals (m,), derivatives (m, 7), and each row's shares.

    ``shares`` gives for each row the input quantities whose variances add up to its own, as
    (name, part of the variance).
    """

    residual: Floats
    jacobian: Floats
    shares: tuple[tuple[tuple[str, float], ...], ...]


@dataclass(frozen=True, slots=True)
class CameraPrior:
    """Where the adjustment starts, what it holds fixed, and the rows it must meet.

    ``source`` is "length", "plane" or "none"; ``rows`` gives the rows at any parameters.
    """

    view: View
    start: Floats  # (7,)
    source: str
    rows: Callable[[Floats], Rows]
    floor_m: float  # height of the lowest reference point over the anchor
    origin_x_m: float | None  # x of the setup's own origin, where it states places


def _derivative(function: Callable[[Numbers], Numbers], theta: Floats) -> Floats:
    columns = []
    for k in range(PARAMETERS):
        moved = theta.astype(complex)
        moved[k] += 1j * COMPLEX_STEP
        columns.append(np.atleast_1d(function(moved)).imag / COMPLEX_STEP)
    return np.stack(columns, axis=-1)


def camera_prior(
    picture: Picture,
    reference: Reference | None,
    camera: CameraStatement,
    *,
    straighten: Callable[[Floats], Floats] | None = None,
    focal_px: tuple[float, float] | None = None,
    centre_px: tuple[float, float] | None = None,
) -> CameraPrior:
    """Start values and rows from what the setup says.

    Parameters
    ----------
    picture, reference, camera
        The upright picture and what was stated.
    straighten : callable, optional
        Takes upright pixels (n, 2) to those of a camera without distortion.
    focal_px : (value, standard uncertainty), optional
        Focal length from a lens file.
    centre_px : (x, y), optional
        Principal point from a lens file; the middle of the picture otherwise.

    Raises
    ------
    CalibrationError
        If the reference belongs to another picture size or is too short to carry a scale.
    """
    cx, cy = centre_px or (0.5 * (picture.width_px - 1), 0.5 * (picture.height_px - 1))
    straight = straighten or (lambda points: points)
    makers: list[Callable[[Floats], Rows]] = []
    if reference is None:
        view, start, source = View(cx, cy, frozen([0.0, 0.0, 0.0])), _start(picture, 200.0, cx, cy), "none"
        points_m = None
    else:
        _check(picture, reference)
        points = straight(reference.points_px)
        view, start, source = _from_reference(picture, reference, points, cx, cy)
        points_m = reference.points_m
    if source != "plane":
        makers.append(_pose_rows)
    if focal_px is not None:
        start[LOG_DEPTH] = math.log(focal_px[0]) - start[LOG_SCALE]
    elif camera.distance_m is not None:
        offset = 0.0 if reference is None else reference.offset_m
        start[LOG_DEPTH] = math.log(camera.distance_m + offset)
    if reference is not None:
        depth = math.exp(float(start[LOG_DEPTH]))
        makers.append(_reference_rows(view, reference, straight(reference.points_px), depth))
    makers.append(_focal_row(picture, focal_px))
    if camera.distance_m is not None:
        makers.append(_distance_row(view, camera))
    if source != "plane":
        makers.append(_anchor_rows(start, 1.0 if reference is None else reference.u_click_px))
    plumb = camera.plumb_px
    if plumb is not None:
        makers.append(_plumb_row(view, straight(plumb), 1.0 if reference is None else reference.u_click_px))
    elif source != "plane":
        makers.append(_level_row)
    if plumb is not None and source != "plane":
        start[ROLL] = _plumb_roll(straight(plumb))

    def rows(theta: Floats) -> Rows:
        parts = [maker(theta) for maker in makers]
        return Rows(
            np.concatenate([part.residual for part in parts]),
            np.concatenate([part.jacobian for part in parts]),
            tuple(share for part in parts for share in part.shares),
        )

    if points_m is not None:
        floor = float(points_m[:, 1].min() - view.anchor_m[2])
        origin: float | None = 0.0
    else:
        floor, origin = 0.0, None
    return CameraPrior(view, frozen(start), source, rows, floor, origin)


def _check(picture: Picture, reference: Reference) -> None:
    if reference.picture_px != (picture.width_px, picture.height_px):
        wide, high = reference.picture_px
        raise CalibrationError(
            "picture_size",
            f"The reference was pointed at in a picture of {wide} x {high}, "
            f"but this clip shows {picture.width_px} x {picture.height_px}.",
            "Point at the reference in a frame of this clip, as a player shows it.",
        )
    size = float(np.ptp(reference.points_px, axis=0).max())
    if size < LEAST_REFERENCE_PX:
        raise CalibrationError(
            "reference_short",
            f"The reference is only {size:.1f} px long, too short to carry a scale.",
            "Use a longer known length, or film from nearer.",
        )


def _start(picture: Picture, px_per_m: float, x: float, y: float) -> Floats:
    focal = FOCAL_SHARE * max(picture.width_px, picture.height_px)
    start = np.zeros(PARAMETERS)
    start[LOG_SCALE] = math.log(px_per_m)
    start[LOG_DEPTH] = math.log(focal / px_per_m)
    start[ANCHOR_X], start[ANCHOR_Y] = x, y
    return start


def _from_reference(
    picture: Picture, reference: Reference, points: Floats, cx: float, cy: float
) -> tuple[View, Floats, str]:
    if reference.points_m is None:
        assert reference.length_m is not None
        lowest = int(np.argmax(points[:, 1]))
        scale = float(np.hypot(*(points[1] - points[0]))) / reference.length_m
        view = View(cx, cy, frozen([0.0, reference.offset_m, 0.0]))
        return view, _start(picture, scale, points[lowest, 0], points[lowest, 1]), "length"
    places = reference.points_m
    middle_px, middle_m = points.mean(axis=0), places.mean(axis=0)
    px = (points - middle_px) * [1.0, -1.0]
    m = places - middle_m
    # Similarity through the points (complex least squares), good enough to start from.
    a = np.vdot(m[:, 0] + 1j * m[:, 1], px[:, 0] + 1j * px[:, 1]) / (m**2).sum()
    view = View(cx, cy, frozen([middle_m[0], reference.offset_m, middle_m[1]]))
    start = _start(picture, abs(a), middle_px[0], middle_px[1])
    return view, start, "plane"


def _pose_rows(theta: Floats) -> Rows:
    jacobian = np.zeros((2, PARAMETERS))
    jacobian[0, YAW], jacobian[1, PITCH] = 1 / U_YAW_RAD, 1 / U_PITCH_RAD
    residual = np.array([theta[YAW] / U_YAW_RAD, theta[PITCH] / U_PITCH_RAD])
    return Rows(residual, jacobian, ((("yaw", 1.0),), (("pitch", 1.0),)))


def _level_row(theta: Floats) -> Rows:
    jacobian = np.zeros((1, PARAMETERS))
    jacobian[0, ROLL] = 1 / U_LEVEL_RAD
    return Rows(np.array([theta[ROLL] / U_LEVEL_RAD]), jacobian, ((("tilt", 1.0),),))


def _focal_row(picture: Picture, focal: tuple[float, float] | None) -> Callable[[Floats], Rows]:
    longer = max(picture.width_px, picture.height_px)
    mean, u = (
        (math.log(FOCAL_SHARE * longer), U_LN_FOCAL)
        if focal is None
        else (math.log(focal[0]), focal[1] / focal[0])
    )
    name = "distance" if focal is None else "lens"

    def row(theta: Floats) -> Rows:
        jacobian = np.zeros((1, PARAMETERS))
        jacobian[0, LOG_SCALE] = jacobian[0, LOG_DEPTH] = 1 / u
        return Rows(
            np.array([(theta[LOG_SCALE] + theta[LOG_DEPTH] - mean) / u]), jacobian, (((name, 1.0),),)
        )

    return row


def _anchor_rows(start: Floats, u_click_px: float) -> Callable[[Floats], Rows]:
    x, y = float(start[ANCHOR_X]), float(start[ANCHOR_Y])

    def rows(theta: Floats) -> Rows:
        jacobian = np.zeros((2, PARAMETERS))
        jacobian[0, ANCHOR_X] = jacobian[1, ANCHOR_Y] = 1 / u_click_px
        residual = np.array([theta[ANCHOR_X] - x, theta[ANCHOR_Y] - y]) / u_click_px
        return Rows(residual, jacobian, ((("click", 1.0),), (("click", 1.0),)))

    return rows


def _distance_row(view: View, camera: CameraStatement) -> Callable[[Floats], Rows]:
    assert camera.distance_m is not None
    stated = camera.distance_m
    u = camera.u_distance_m or math.hypot(U_DISTANCE_SHARE * stated, U_DISTANCE_LEAST_M)

    def residual(theta: Numbers) -> Numbers:
        return np.atleast_1d((distance_m(theta, view) - stated) / u)

    def row(theta: Floats) -> Rows:
        return Rows(residual(theta), _derivative(residual, theta), ((("distance", 1.0),),))

    return row


def _reference_rows(
    view: View, reference: Reference, points: Floats, depth_m: float
) -> Callable[[Floats], Rows]:
    if reference.points_m is None:
        return _length_row(view, reference, points, depth_m)
    world = np.column_stack(
        [reference.points_m[:, 0], np.full(len(points), reference.offset_m), reference.points_m[:, 1]]
    )
    u = reference.u_click_px

    def residual(theta: Numbers) -> Numbers:
        return np.asarray(((project(theta, view, world) - points) / u).ravel())

    def rows(theta: Floats) -> Rows:
        shares = ((("click", 1.0),),) * (2 * len(points))
        return Rows(residual(theta), _derivative(residual, theta), shares)

    return rows


def _length_row(
    view: View, reference: Reference, points: Floats, depth_m: float
) -> Callable[[Floats], Rows]:
    """The distance from the anchor, where the lower point was clicked, to the other point.

    The anchor's own click error is carried by its rows; this row has that of the other point, the
    error of the length, and that of the offset, which acts like one of length. Their variances are
    those at the depth that the adjustment starts from.
    """
    assert reference.length_m is not None
    length = reference.length_m
    lowest = int(np.argmax(points[:, 1]))
    other = points[1 - lowest][None]
    span_px = float(np.hypot(*(points[1] - points[0])))
    click = (reference.u_click_px / span_px) ** 2
    measure = (reference.u_length_m / length) ** 2
    offset = (reference.u_offset_m / depth_m) ** 2
    variance = click + measure + offset
    u = math.sqrt(variance)
    shares = ((("click", click / variance), ("length", measure / variance), ("offset", offset / variance)),)

    def log_length(theta: Numbers) -> Numbers:
        away = to_plane(theta, view, other, reference.offset_m)[0] - view.anchor_m[[0, 2]]
        return np.atleast_1d(0.5 * np.log(away[0] ** 2 + away[1] ** 2) - math.log(length))

    def row(theta: Floats) -> Rows:
        return Rows(log_length(theta) / u, _derivative(log_length, theta) / u, shares)

    return row


def _plumb_roll(points: Floats) -> float:
    top, bottom = points[np.argsort(points[:, 1])]
    return math.atan2(-(bottom[0] - top[0]), bottom[1] - top[1])


def _plumb_row(view: View, points: Floats, u_click_px: float) -> Callable[[Floats], Rows]:
    span = float(np.hypot(*(points[1] - points[0])))
    u = math.sqrt(2) * u_click_px / max(span, 1.0)

    def lean(theta: Numbers) -> Numbers:
        places = to_plane(theta, view, points)
        return np.atleast_1d((places[1, 0] - places[0, 0]) / (places[1, 1] - places[0, 1]))

    def row(theta: Floats) -> Rows:
        return Rows(lean(theta) / u, _derivative(lean, theta) / u, ((("tilt", 1.0),),))

    return row
