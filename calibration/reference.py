"""What is known of the camera before a ball is seen, as rows of one adjustment.

Each row is a residual over its standard uncertainty and its derivative by the camera's parameters; a
row says what it stands for, so that its share of a result's uncertainty can be named.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from calibration.board_layout import StandingBoard
from calibration.camera import (
    ANCHOR_X,
    ANCHOR_Y,
    LOG_DEPTH,
    LOG_SCALE,
    PARAMETERS,
    PITCH,
    ROLL,
    YAW,
    Numbers,
    View,
    bend_px,
    distance_m,
    project_with_derivatives,
    to_plane,
)
from calibration.errors import CalibrationError
from calibration.plane_reference import Known, found, plane_rows, pose, stated
from calibration.rows import Rows, derivative, joined, met
from calibration.values import CameraStatement, Floats, Picture, PlanePoints, Reference, frozen

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
PLUMB_CLICK_PX = 1.0  # how well a plumb line is pointed at where nothing else is


@dataclass(frozen=True, slots=True)
class CameraPrior:
    """Where the adjustment starts, what it holds fixed, and the rows it must meet.

    ``source`` is "length", "plane", "board" or "none"; ``rows`` gives the rows at any parameters.
    """

    view: View
    start: Floats  # (7,)
    source: str
    rows: Callable[[Floats], Rows]
    origin_x_m: float | None  # x of the setup's own origin where it states places; heights are over it, too
    #: What a lens that bends, by one unit of k1, would do to the rows' residuals, (m,).
    bent: Callable[[Floats], Floats] | None = None


def loosened(camera: CameraPrior, u_yaw_rad: float) -> CameraPrior:
    """The same camera, but expected to be turned to the plane of flight by about so much."""

    def rows(theta: Floats) -> Rows:
        tight = camera.rows(theta)
        factor = np.array([U_YAW_RAD / u_yaw_rad if s == (("yaw", 1.0),) else 1.0 for s in tight.shares])
        return Rows(tight.residual * factor, tight.jacobian * factor[:, None], tight.shares)

    return replace(camera, rows=rows)


Makers = list[Callable[[Floats], Rows]]


def camera_prior(
    picture: Picture,
    reference: Reference | None,
    camera: CameraStatement,
    *,
    straighten: Callable[[Floats], Floats] | None = None,
    focal_px: tuple[float, float] | None = None,
    centre_px: tuple[float, float] | None = None,
    board: tuple[StandingBoard, PlanePoints] | None = None,
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
    board : optional
        A board that was found, in the reference's place, and its points, straightened.

    Raises
    ------
    CalibrationError
        If the reference belongs to another picture size, is too short to carry a scale, or has points
        that no plane can have.
    """
    centre = centre_px or (0.5 * (picture.width_px - 1), 0.5 * (picture.height_px - 1))
    straight = straighten or (lambda points: points)
    plumb = None if camera.plumb_px is None else straight(camera.plumb_px)
    if board is not None:
        known = found(board[1], board[0].offset_m, board[0].u_offset_m)
        return _by_plane(picture, camera, known, "board", centre, focal_px, plumb)
    if reference is not None:
        _check(picture, reference)
        points = straight(reference.points_px)
        if reference.points_m is not None:
            return _by_plane(picture, camera, stated(reference, points), "plane", centre, focal_px, plumb)
    else:
        points = np.empty((0, 2))
    return _by_length(picture, camera, reference, points, centre, focal_px, plumb)


def _by_plane(
    picture: Picture,
    camera: CameraStatement,
    known: Known,
    source: str,
    centre_px: tuple[float, float],
    focal_px: tuple[float, float] | None,
    plumb: Floats | None,
) -> CameraPrior:
    """From points of known place, which tell how the camera is turned."""
    focal = FOCAL_SHARE * max(picture.width_px, picture.height_px) if focal_px is None else focal_px[0]
    view, start = pose(known, centre_px, focal)
    others: Makers = [_focal_row(picture, focal_px)]
    if camera.distance_m is not None:
        others.append(_distance_row(view, camera.distance_m, camera.u_distance_m))
    if plumb is not None:
        others.append(_plumb_row(view, plumb, PLUMB_CLICK_PX))
    # Twice: what moves the points together depends a little on where the camera stands.
    for _ in range(2):
        start = met([plane_rows(view, known, start), *others], start)
    at = frozen(start)

    def moved(points_px: Floats) -> Makers:
        return [plane_rows(view, replace(known, points_px=points_px), at), *others]

    bent = None if focal_px is not None else _bent(view, at, known.points_px, moved)
    whole = moved(known.points_px)
    return CameraPrior(view, at, source, lambda theta: joined(whole, theta), 0.0, bent)


def _by_length(
    picture: Picture,
    camera: CameraStatement,
    reference: Reference | None,
    points: Floats,
    centre_px: tuple[float, float],
    focal_px: tuple[float, float] | None,
    plumb: Floats | None,
) -> CameraPrior:
    """From two points, (2, 2), or from none, (0, 2)."""
    cx, cy = centre_px
    makers: Makers = [_pose_rows]
    if reference is None:
        view, start = View(cx, cy, frozen([0.0, 0.0, 0.0])), _start(picture, 200.0, cx, cy)
    else:
        view, start = _from_length(picture, reference, points, cx, cy)
    if focal_px is not None:
        start[LOG_DEPTH] = math.log(focal_px[0]) - start[LOG_SCALE]
    elif camera.distance_m is not None:
        offset = 0.0 if reference is None else reference.offset_m
        start[LOG_DEPTH] = math.log(camera.distance_m + offset)
    u_click_px = 1.0 if reference is None else reference.u_click_px
    makers.append(_focal_row(picture, focal_px))
    if camera.distance_m is not None:
        makers.append(_distance_row(view, camera.distance_m, camera.u_distance_m))
    if plumb is not None:
        makers.append(_plumb_row(view, plumb, u_click_px))
        start[ROLL] = _plumb_roll(plumb)
    else:
        makers.append(_level_row)
    at = frozen(start)

    def moved(points_px: Floats) -> Makers:
        if reference is None:
            return [*makers, _anchor_rows(at[ANCHOR_X], at[ANCHOR_Y], u_click_px)]
        lowest = points_px[int(np.argmax(points[:, 1]))]
        depth_m = math.exp(float(at[LOG_DEPTH]))
        length = _length_row(view, reference, points_px, depth_m)
        return [*makers, length, _anchor_rows(lowest[0], lowest[1], u_click_px)]

    whole = moved(points)
    bent = None if focal_px is not None or reference is None else _bent(view, at, points, moved)
    source = "none" if reference is None else "length"
    return CameraPrior(view, at, source, lambda theta: joined(whole, theta), None, bent)


def _bent(
    view: View, at: Floats, points_px: Floats, moved: Callable[[Floats], Makers]
) -> Callable[[Floats], Floats]:
    """How the rows' residuals change where points were read off a picture with k1 = 1, by a small one.

    k1 is counted in the focal length of the start, (7,).
    """
    step = 1e-4
    shift = bend_px(at, view, points_px)

    def bent(theta: Floats) -> Floats:
        straight = joined(moved(points_px - step * shift), theta).residual
        return np.asarray((straight - joined(moved(points_px), theta).residual) / step)

    return bent


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


def _from_length(
    picture: Picture, reference: Reference, points: Floats, cx: float, cy: float
) -> tuple[View, Floats]:
    lowest = int(np.argmax(points[:, 1]))
    scale = float(np.hypot(*(points[1] - points[0]))) / _length(reference)
    view = View(cx, cy, frozen([0.0, reference.offset_m, 0.0]))
    return view, _start(picture, scale, points[lowest, 0], points[lowest, 1])


def _length(reference: Reference) -> float:
    if reference.length_m is None:
        raise ValueError("a reference of two points has a length")
    return reference.length_m


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
        return Rows(np.array([(theta[LOG_SCALE] + theta[LOG_DEPTH] - mean) / u]), jacobian, (((name, 1.0),),))

    return row


def _anchor_rows(x: float, y: float, u_click_px: float) -> Callable[[Floats], Rows]:
    def rows(theta: Floats) -> Rows:
        jacobian = np.zeros((2, PARAMETERS))
        jacobian[0, ANCHOR_X] = jacobian[1, ANCHOR_Y] = 1 / u_click_px
        residual = np.array([theta[ANCHOR_X] - x, theta[ANCHOR_Y] - y]) / u_click_px
        return Rows(residual, jacobian, ((("click", 1.0),), (("click", 1.0),)))

    return rows


def _distance_row(view: View, taped_m: float, u_taped_m: float | None) -> Callable[[Floats], Rows]:
    u = u_taped_m or math.hypot(U_DISTANCE_SHARE * taped_m, U_DISTANCE_LEAST_M)

    def residual(theta: Numbers) -> Numbers:
        return np.atleast_1d((distance_m(theta, view) - taped_m) / u)

    def row(theta: Floats) -> Rows:
        return Rows(residual(theta), derivative(residual, theta), ((("distance", 1.0),),))

    return row


def _length_row(view: View, reference: Reference, points: Floats, depth_m: float) -> Callable[[Floats], Rows]:
    """The distance from the anchor, where the lower point was clicked, to the other point.

    The anchor's own click error is carried by its rows; this row has that of the other point, the
    error of the length, and that of the offset, which acts like one of length. Their variances are
    those at the depth that the adjustment starts from.
    """
    length = _length(reference)
    lowest = int(np.argmax(points[:, 1]))
    other = points[1 - lowest][None]
    span_px = float(np.hypot(*(points[1] - points[0])))
    click = (reference.u_click_px / span_px) ** 2
    measure = (reference.u_length_m / length) ** 2
    offset = (reference.u_offset_m / depth_m) ** 2
    variance = click + measure + offset
    u = math.sqrt(variance)
    shares = ((("click", click / variance), ("length", measure / variance), ("offset", offset / variance)),)

    def row(theta: Floats) -> Rows:
        x, z = to_plane(theta, view, other, reference.offset_m)[0]
        _, by_theta, by_point = project_with_derivatives(theta, view, np.array([[x, reference.offset_m, z]]))
        # The point stays where it was clicked: what the camera does to its picture, its place undoes.
        moves = -np.linalg.solve(by_point[0][:, [0, 2]], by_theta[0])
        away = np.array([x, z]) - view.anchor_m[[0, 2]]
        square = float(away @ away)
        # A camera gone astray may put both points into one place; that has no value, and is no error.
        residual = 0.5 * float(np.log(square)) - math.log(length)
        return Rows(np.array([residual / u]), (away @ moves)[None] / (square * u), shares)

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
        return Rows(lean(theta) / u, derivative(lean, theta) / u, ((("tilt", 1.0),),))

    return row
