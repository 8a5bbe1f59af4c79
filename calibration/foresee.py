"""Marks and measures -> how well lengths and directions will be known, before any ball is seen.

The rows that the adjustment will meet are all that is known then, so their covariance says it; which
share each input has follows from the rows' own shares. Source: JCGM 100:2008, 5.1.2 and 5.1.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from operator import itemgetter

import numpy as np

from calibration.board_layout import StandingBoard
from calibration.camera import COMPLEX_STEP, PARAMETERS, Numbers, View, to_plane
from calibration.reference import PLUMB_CLICK_PX, CameraPrior, camera_prior
from calibration.rows import met
from calibration.values import CameraStatement, Floats, Picture, PlanePoints, Reference, frozen

FoundBoard = tuple[StandingBoard, PlanePoints]

_STEP_PX = 0.05


@dataclass(frozen=True, slots=True)
class Foreseen:
    """How well a motion in the plane of flight will be known from the reference alone.

    Parameters
    ----------
    m_per_px : float
        Metres a pixel along that motion.
    u_length : float
        Relative standard uncertainty of its length, hence of a speed.
    u_angle_rad : float
        Standard uncertainty of its direction.
    shares : tuple of (input, share of length, share of direction in radians)
        Largest first; their squares add up to the squares of the two uncertainties.
    marks : (n, 2) array
        For each mark that was pointed at, what its own click does to length and to direction; for a board
        there are none.
    plumb : (2, 2) or (0, 2) array
        The same for the two marks of a plumb line.
    """

    m_per_px: float
    u_length: float
    u_angle_rad: float
    shares: tuple[tuple[str, float, float], ...]
    marks: Floats
    plumb: Floats


def foresee(
    picture: Picture,
    known: Reference | FoundBoard,
    camera: CameraStatement,
    from_px: Floats,
    to_px: Floats,
) -> Foreseen:
    """Foresee a motion from one upright place to another, (2,) each.

    Parameters
    ----------
    picture, camera
        The upright picture and what was stated.
    known : Reference, or (StandingBoard, PlanePoints)
        What was marked, or a printed board that was found, in upright pixels.

    Raises
    ------
    CalibrationError
        If the marks, or the board, cannot carry a scale.
    """
    reference = known if isinstance(known, Reference) else None
    board = None if isinstance(known, Reference) else known
    prior = camera_prior(picture, reference, camera, board=board)
    theta = met([prior.rows], prior.start)
    ends = np.array([from_px, to_px], dtype=np.float64)
    rows = prior.rows(theta)
    covariance = np.linalg.pinv(rows.jacobian.T @ rows.jacobian)
    gradient = _gradient(theta, prior.view, ends)
    by_row = (gradient @ covariance @ rows.jacobian.T).T  # (m, 2): what one standard deviation of a row does
    totals: dict[str, Floats] = {}
    for effect, shares in zip(by_row, rows.shares, strict=True):
        for name, part in shares:
            totals[name] = totals.get(name, np.zeros(2)) + part * effect**2
    named = [(name, float(np.sqrt(v[0])), float(np.sqrt(v[1]))) for name, v in totals.items()]
    u = np.sqrt(np.sum(by_row**2, axis=0))
    length_px = float(np.hypot(*(ends[1] - ends[0])))
    return Foreseen(
        m_per_px=math.exp(float(_motion(theta, prior.view, ends)[0])) / length_px,
        u_length=float(u[0]),
        u_angle_rad=float(u[1]),
        shares=tuple(sorted(named, key=itemgetter(1), reverse=True)),
        marks=frozen(np.zeros((0, 2))) if reference is None else _by_mark(picture, reference, camera, ends),
        plumb=_by_plumb(picture, known, camera, ends),
    )


def _motion(theta: Numbers, view: View, ends_px: Floats) -> Numbers:
    """Logarithm of a motion's length in the plane of flight, and its direction, (2,)."""
    places = to_plane(theta, view, ends_px)
    dx, dz = places[1] - places[0]
    forward = 1.0 if np.real(dx) >= 0 else -1.0
    # The angle's derivative is all that is asked for, so that a complex step may pass through it.
    level = np.real(dx) ** 2 + np.real(dz) ** 2
    turned = (np.real(dx) * dz - np.real(dz) * dx) / level
    angle = math.atan2(float(np.real(dz)), float(abs(np.real(dx)))) + forward * turned
    return np.array([0.5 * np.log(dx**2 + dz**2), angle])


def _gradient(theta: Floats, view: View, ends_px: Floats) -> Floats:
    """Derivatives (2, 7) of ``_motion`` by the camera's parameters."""
    columns = []
    for k in range(PARAMETERS):
        moved = theta.astype(complex)
        moved[k] += 1j * COMPLEX_STEP
        columns.append(_motion(moved, view, ends_px).imag / COMPLEX_STEP)
    return np.stack(columns, axis=-1)


def _solved(prior: CameraPrior, ends_px: Floats) -> Floats:
    return np.real(_motion(met([prior.rows], prior.start), prior.view, ends_px))


def _by_mark(picture: Picture, reference: Reference, camera: CameraStatement, ends_px: Floats) -> Floats:
    """What each mark's click does, (n, 2): both of its coordinates together."""
    effects = np.zeros((len(reference.points_px), 2))
    for k, axis in np.ndindex(*reference.points_px.shape):
        both = []
        for sign in (-1.0, 1.0):
            points = reference.points_px.copy()
            points[k, axis] += sign * _STEP_PX
            moved = replace(reference, points_px=frozen(points))
            both.append(_solved(camera_prior(picture, moved, camera), ends_px))
        slope = (both[1] - both[0]) / (2 * _STEP_PX)
        effects[k] += (slope * reference.u_click_px) ** 2
    return frozen(np.sqrt(effects))


def _by_plumb(
    picture: Picture, known: Reference | FoundBoard, camera: CameraStatement, ends_px: Floats
) -> Floats:
    """What each click of a plumb line does, (2, 2); the picture's columns matter, its rows hardly."""
    if camera.plumb_px is None:
        return frozen(np.zeros((0, 2)))
    reference = known if isinstance(known, Reference) else None
    board = None if isinstance(known, Reference) else known
    u_click_px = PLUMB_CLICK_PX if reference is None else reference.u_click_px
    effects = np.zeros((2, 2))
    for k in range(2):
        both = []
        for sign in (-1.0, 1.0):
            points = camera.plumb_px.copy()
            points[k, 0] += sign * _STEP_PX
            moved = replace(camera, plumb_px=frozen(points))
            both.append(_solved(camera_prior(picture, reference, moved, board=board), ends_px))
        effects[k] = np.abs(both[1] - both[0]) / (2 * _STEP_PX) * u_click_px
    return frozen(effects)
