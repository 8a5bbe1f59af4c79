"""A pinhole camera looking at the plane of flight, and how its picture changes with its parameters.

Parameters theta, shape (7,): natural logarithm of pixels a metre at the anchor, yaw, pitch, roll
(radians), logarithm of the anchor's depth in metres, and the anchor's place in the picture (x, y).
The anchor is a point of the world that the picture shows there: the first reference point, say.
World: x right in the upright picture, y away from the camera, z up. Turned by nothing the camera
looks along y; yaw turns it about the vertical, pitch about its own horizontal, roll about its axis.

All functions are analytic, so that derivatives can be taken by complex steps, exact to rounding:
Squire & Trapp, SIAM Review 40 (1998) 110 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from calibration.values import Floats

LOG_SCALE, YAW, PITCH, ROLL, LOG_DEPTH, ANCHOR_X, ANCHOR_Y = range(7)
PARAMETERS = 7
COMPLEX_STEP = 1e-30
Numbers = npt.NDArray[Any]  # float or complex


@dataclass(frozen=True, slots=True)
class View:
    """What of the camera is not fitted: principal point (pixels) and the anchor's place (metres)."""

    centre_x_px: float
    centre_y_px: float
    anchor_m: Floats  # (3,)


def rotation(theta: Numbers) -> Numbers:
    """World directions (x, y, z) to camera directions (right, down, forward), shape (3, 3)."""
    cy, sy = np.cos(theta[YAW]), np.sin(theta[YAW])
    cp, sp = np.cos(theta[PITCH]), np.sin(theta[PITCH])
    cr, sr = np.cos(theta[ROLL]), np.sin(theta[ROLL])
    zero, one = 0 * cy, 0 * cy + 1
    level = np.array([[one, zero, zero], [zero, zero, -one], [zero, one, zero]])
    yaw = np.array([[cy, zero, -sy], [zero, one, zero], [sy, zero, cy]])
    pitch = np.array([[one, zero, zero], [zero, cp, -sp], [zero, sp, cp]])
    roll = np.array([[cr, -sr, zero], [sr, cr, zero], [zero, zero, one]])
    return np.asarray(roll @ pitch @ yaw @ level)


def focal_px(theta: Numbers) -> Any:
    """Focal length in pixels."""
    return np.exp(theta[LOG_SCALE] + theta[LOG_DEPTH])


def in_camera(theta: Numbers, view: View, world_m: Numbers) -> Numbers:
    """Points (n, 3) of the world in the camera's axes (right, down, forward), metres, (n, 3)."""
    f, depth = focal_px(theta), np.exp(theta[LOG_DEPTH])
    ray = np.array(
        [(theta[ANCHOR_X] - view.centre_x_px) / f, (theta[ANCHOR_Y] - view.centre_y_px) / f, 1 + 0 * f]
    )
    return np.asarray((world_m - view.anchor_m) @ rotation(theta).T + depth * ray)


def project(theta: Numbers, view: View, world_m: Numbers, radius_m: float = 0.0) -> Numbers:
    """Where points (n, 3), or the outlines of balls about them, stand in the picture, (n, 2).

    A ball's outline is the conic in which its tangent cone meets the picture; its centre lies
    outward of the projected centre by Z^2 / (Z^2 - r^2) (plane geometry of that cone).
    """
    at = in_camera(theta, view, world_m)
    forward = at[:, 2]
    along = focal_px(theta) * forward / (forward**2 - radius_m**2)
    return np.stack([view.centre_x_px + along * at[:, 0], view.centre_y_px + along * at[:, 1]], axis=1)


def outline_radius_px(theta: Numbers, view: View, world_m: Numbers, radius_m: float) -> Numbers:
    """Mean radius of balls' outlines, (n,): root of the product of the ellipse's half axes."""
    at = in_camera(theta, view, world_m)
    side = at[:, 0] ** 2 + at[:, 1] ** 2
    near = at[:, 2] ** 2 - radius_m**2
    # Half axes across and along the direction to the axis: r f / sqrt(near) times 1 and sqrt(1 + side/near).
    return np.asarray(focal_px(theta) * radius_m / np.sqrt(near) * (1 + side / near) ** 0.25)


def project_with_derivatives(
    theta: Floats, view: View, world_m: Floats, radius_m: float = 0.0
) -> tuple[Floats, Floats, Floats]:
    """Pictures of points (n, 3): places (n, 2), derivatives by theta (n, 2, 7), by the points (n, 2, 3)."""
    turn, f, depth = rotation(theta), focal_px(theta), np.exp(theta[LOG_DEPTH])
    arm = world_m - view.anchor_m
    ray = np.array([(theta[ANCHOR_X] - view.centre_x_px) / f, (theta[ANCHOR_Y] - view.centre_y_px) / f, 1.0])
    at = arm @ turn.T + depth * ray
    forward = at[:, 2]
    near = forward**2 - radius_m**2
    along = f * forward / near
    by_forward = f / near - 2 * f * forward**2 / near**2
    by_axes = np.zeros((len(world_m), 2, 3))
    by_axes[:, 0, 0] = by_axes[:, 1, 1] = along
    by_axes[:, 0, 2] = at[:, 0] * by_forward
    by_axes[:, 1, 2] = at[:, 1] * by_forward
    from_centre = along[:, None] * at[:, :2]
    places = from_centre + np.array([view.centre_x_px, view.centre_y_px])
    # How the point moves in the camera's axes; scale and depth also magnify the picture.
    moves = np.zeros((len(world_m), 3, PARAMETERS))
    moves[:, :2, LOG_SCALE] = -depth * ray[:2]
    moves[:, 2, LOG_DEPTH] = depth
    moves[:, 0, ANCHOR_X] = moves[:, 1, ANCHOR_Y] = depth / f
    for k in (YAW, PITCH, ROLL):
        moved = theta.astype(complex)
        moved[k] += 1j * COMPLEX_STEP
        moves[:, :, k] = arm @ (rotation(moved).imag / COMPLEX_STEP).T
    by_theta = by_axes @ moves
    by_theta[:, :, LOG_SCALE] += from_centre
    by_theta[:, :, LOG_DEPTH] += from_centre
    return places, by_theta, by_axes @ turn


def to_plane(theta: Numbers, view: View, xy_px: Numbers, y_m: float = 0.0) -> Numbers:
    """Picture points (n, 2) to places (x, z) on the plane y = y_m of the world, (n, 2)."""
    f, depth = focal_px(theta), np.exp(theta[LOG_DEPTH])
    turn = rotation(theta)
    one = np.ones(len(xy_px)) + 0 * f
    rays = np.stack([(xy_px[:, 0] - view.centre_x_px) / f, (xy_px[:, 1] - view.centre_y_px) / f, one], axis=1)
    anchor_ray = np.array(
        [(theta[ANCHOR_X] - view.centre_x_px) / f, (theta[ANCHOR_Y] - view.centre_y_px) / f, 1 + 0 * f]
    )
    # world = anchor + turn^T (lambda ray - depth anchor_ray); y fixes lambda.
    rays_world = rays @ turn
    start = view.anchor_m - depth * (anchor_ray @ turn)
    far = (y_m - start[1]) / rays_world[:, 1]
    return np.stack([start[0] + far * rays_world[:, 0], start[2] + far * rays_world[:, 2]], axis=1)


def distance_m(theta: Numbers, view: View, y_m: float = 0.0) -> Any:
    """Distance of the camera from the plane y = y_m, square to it."""
    f, depth = focal_px(theta), np.exp(theta[LOG_DEPTH])
    ray = np.array(
        [(theta[ANCHOR_X] - view.centre_x_px) / f, (theta[ANCHOR_Y] - view.centre_y_px) / f, 1 + 0 * f]
    )
    return y_m - (view.anchor_m - depth * (ray @ rotation(theta)))[1]


def bend_px(theta: Floats, view: View, xy_px: Floats) -> Floats:
    """By how much a lens with k1 = 1 moves straight pixels (n, 2), to first order, (n, 2)."""
    arm = xy_px - np.array([view.centre_x_px, view.centre_y_px])
    return np.asarray(arm * (arm**2).sum(axis=1, keepdims=True) / focal_px(theta) ** 2)
