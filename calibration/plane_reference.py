"""Points of known place in a plane -> where the camera stands, and the rows it must meet.

The plane is meant to be that of the flight, at a known distance from it. How well it stands there is
part of what is not known: its depth, its turns about three axes, and its scale. Each moves all points
together, so the rows are the points' residuals along the principal axes of their whole covariance.
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
    View,
    project,
    project_with_derivatives,
)
from calibration.plane import plane_homography
from calibration.rows import Rows
from calibration.values import Floats, PlanePoints, Reference, frozen

_LEVEL = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])


@dataclass(frozen=True, slots=True)
class Known:
    """Points of known place, as the adjustment takes them.

    Parameters
    ----------
    points_px : (n, 2) array
        Straightened.
    points_m : (n, 2) array
        Places (x, z) with x to the right of the picture.
    covariance_px : (2n, 2n) array
        Of x0, y0, x1, y1, ...: how well the points are seen.
    u_place_m, u_scale : float
        Standard uncertainty of each coordinate of a place by itself, and of all lengths together.
    offset_m, u_offset_m : float
        Distance behind the plane of flight.
    u_turn_rad : (about the vertical, about the horizontal, within the plane)
        How well it is turned into the plane of flight.
    seen_as : str
        What the uncertainty of the points is called.
    mirrored : bool
        Whether the places were stated with x to the left of the picture.
    """

    points_px: Floats
    points_m: Floats
    covariance_px: Floats
    u_place_m: float
    u_scale: float
    offset_m: float
    u_offset_m: float
    u_turn_rad: tuple[float, float, float]
    seen_as: str
    mirrored: bool


#: A rectangle marked out where the ball flies; a board stood there by eye. Common practice, no source.
MARKED_OUT_RAD = (math.radians(0.5), math.radians(0.5), math.radians(0.25))
STOOD_UP_RAD = (math.radians(1.5), math.radians(1.5), math.radians(1.0) / math.sqrt(3))


def stated(reference: Reference, straight_px: Floats) -> Known:
    """Points that somebody pointed at; ``straight_px`` (n, 2) are they without the lens's bend."""
    places = reference.points_m
    if places is None:
        raise ValueError("a reference without places is no plane")
    span = float(np.max(np.linalg.norm(places[:, None] - places[None], axis=2)))
    return _known(
        straight_px,
        places,
        np.eye(2 * len(places)) * reference.u_click_px**2,
        u_place_m=reference.u_length_m,
        u_scale=reference.u_length_m / span,
        offset_m=reference.offset_m,
        u_offset_m=reference.u_offset_m,
        u_turn_rad=MARKED_OUT_RAD,
        seen_as="click",
    )


def found(points: PlanePoints, offset_m: float, u_offset_m: float) -> Known:
    """A printed board's points, straightened already."""
    return _known(
        points.points_px,
        points.points_m,
        points.covariance_px,
        u_place_m=0.0,
        u_scale=points.u_scale,
        offset_m=offset_m,
        u_offset_m=u_offset_m,
        u_turn_rad=STOOD_UP_RAD,
        seen_as="board",
    )


def _known(
    px: Floats,
    m: Floats,
    covariance: Floats,
    *,
    u_place_m: float,
    u_scale: float,
    offset_m: float,
    u_offset_m: float,
    u_turn_rad: tuple[float, float, float],
    seen_as: str,
) -> Known:
    # Upright pictures run down, places up: seen from the front their maps differ in handedness.
    affine = np.linalg.lstsq(np.column_stack([m, np.ones(len(m))]), px, rcond=None)[0][:2]
    mirrored = bool(np.linalg.det(affine) > 0)
    places = m * [-1.0, 1.0] if mirrored else m
    return Known(
        frozen(px),
        frozen(places),
        frozen(covariance),
        u_place_m,
        u_scale,
        offset_m,
        u_offset_m,
        u_turn_rad,
        seen_as,
        mirrored,
    )


def pose(known: Known, centre_px: tuple[float, float], focal_px: float) -> tuple[View, Floats]:
    """The camera from which the points look as they do, by the homography's columns.

    [r1 r3 t] ~ K^-1 H for a plane y = const. Source: Zhang, IEEE TPAMI 22 (2000) 1330, 3.1.

    Raises
    ------
    CalibrationError
        If the points cannot carry a plane: too few, in one line, or in the wrong order.
    """
    middle = known.points_m.mean(axis=0)
    u_px = math.sqrt(float(np.trace(known.covariance_px)) / len(known.covariance_px))
    plane = plane_homography(
        known.points_px, known.points_m - middle, u_px, covariance_px=known.covariance_px
    )
    cx, cy = centre_px
    inverse = np.array([[1 / focal_px, 0, -cx / focal_px], [0, 1 / focal_px, -cy / focal_px], [0, 0, 1.0]])
    columns = inverse @ plane.H
    size = 2 / (np.linalg.norm(columns[:, 0]) + np.linalg.norm(columns[:, 1]))
    r1, r3, t = (columns * size).T
    u, _, vt = np.linalg.svd(np.stack([r1, np.cross(r3, r1), r3], axis=1))
    turn = (u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt) @ _LEVEL.T
    theta = np.zeros(PARAMETERS)
    theta[YAW] = math.atan2(turn[2, 0], turn[2, 2])
    theta[PITCH] = math.asin(float(np.clip(turn[2, 1], -1, 1)))
    theta[ROLL] = math.atan2(-turn[0, 1], turn[1, 1])
    theta[LOG_DEPTH] = math.log(t[2])
    theta[LOG_SCALE] = math.log(focal_px / t[2])
    theta[ANCHOR_X], theta[ANCHOR_Y] = plane.H[:2, 2]
    return View(cx, cy, frozen([middle[0], known.offset_m, middle[1]])), theta


def plane_rows(view: View, known: Known, at: Floats) -> Callable[[Floats], Rows]:
    """Rows of the points; what moves them together is taken at the parameters ``at``, (7,)."""
    n = len(known.points_m)
    world = np.column_stack([known.points_m[:, 0], np.full(n, known.offset_m), known.points_m[:, 1]])
    parts = _covariances(view, known, world, at)
    values, vectors = np.linalg.eigh(np.asarray(sum(parts.values())))
    whiten = vectors.T / np.sqrt(values)[:, None]
    shares = tuple(
        tuple((name, max(float(v @ part @ v / value), 0.0)) for name, part in parts.items())
        for v, value in zip(vectors.T, values, strict=True)
    )

    def rows(theta: Floats) -> Rows:
        places, by_theta, _ = project_with_derivatives(theta, view, world)
        off = (places - known.points_px).ravel()
        return Rows(whiten @ off, whiten @ by_theta.reshape(2 * n, PARAMETERS), shares)

    return rows


def _covariances(view: View, known: Known, world: Floats, at: Floats) -> dict[str, Floats]:
    """Covariances (2n, 2n) of the points in the picture by where they come from."""
    away = world - view.anchor_m
    zero, one = np.zeros(len(world)), np.ones(len(world))
    yaw, pitch, tilt = known.u_turn_rad
    together = (
        ("length", known.u_scale, away),
        ("offset", known.u_offset_m, np.stack([zero, one, zero], axis=1)),
        ("yaw", yaw, np.stack([zero, away[:, 0], zero], axis=1)),
        ("pitch", pitch, np.stack([zero, away[:, 2], zero], axis=1)),
        ("tilt", tilt, np.stack([-away[:, 2], zero, away[:, 0]], axis=1)),
    )
    parts: dict[str, Floats] = {known.seen_as: known.covariance_px}
    for name, u, direction in together:
        moved = project(at, view, world + 1j * COMPLEX_STEP * direction).imag.ravel() / COMPLEX_STEP
        parts[name] = np.outer(moved, moved) * u**2
    px_per_m = math.exp(float(at[LOG_SCALE]))
    parts["length"] = parts["length"] + np.eye(2 * len(world)) * (known.u_place_m * px_per_m) ** 2
    return parts
