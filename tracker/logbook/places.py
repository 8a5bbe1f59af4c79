"""One place at which all shots are told, though each clip first saw its ball at another one.

Where the setup does not say where the exit is, a clip tells its shots where the ball was first seen free,
which is early or late by part of a frame. Over that way gravity and air change speed and angle by as much
as a good launcher scatters; so they are carried along each flight to one place before they are compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from calibration.values import Floats, Ints
from tracker.store import ShotColumns, reference_fingerprint
from tracker.values import Setup

UNSTATED = "exit_is_first_sighting"
#: A flight is carried over no more than so many frames' way: beyond, the place is another one.
MOST_FRAMES = 3.0
RATES = {"exit_speed_m_s": "speed_per_m", "exit_angle_rad": "angle_rad_per_m"}


@dataclass(frozen=True, slots=True)
class Place:
    """Where shots are told: from the lowest point of what carries the scale, which ``reference`` names.

    ``calibration`` is the one that found it, empty where several did.
    """

    x_m: float
    z_m: float
    reference: str
    calibration: str


@dataclass(frozen=True, slots=True)
class Carried:
    """What carrying did to n shots.

    Parameters
    ----------
    shift : (n,) array
        To be added to the quantity; 0 where a shot stays as it is.
    way_m : (n,) array
        How far each was carried along its path.
    there : (n,) bool array
        Which are told at the place now.
    u_common : float
        Standard uncertainty of the mean shift from how well the place is known; what was found with the
        place's own calibration shares its error.
    """

    shift: Floats
    way_m: Floats
    there: npt.NDArray[np.bool_]
    u_common: float


def place_of(columns: ShotColumns, setups: Sequence[Setup], rows: Ints) -> Place | None:
    """The middle of where these shots are told; where the setup states the exit, that of those shots.

    None where the shots' places cannot be set side by side: their references differ, or an older
    program measured them.
    """
    known = rows[np.isfinite(columns.reference_x_m[rows])]
    references = set(_references(columns, setups)[columns.clip[known]].tolist())
    if len(references) != 1:
        return None
    unstated = _unstated(columns, known)
    of = known if unstated.all() else known[~unstated]
    calibrations = np.unique(columns.calibration[of])
    return Place(
        float(np.median(columns.reference_x_m[of])),
        float(np.median(columns.exit_z_m.value[of])),
        references.pop(),
        str(calibrations[0]) if len(calibrations) == 1 else "",
    )


def carry(
    columns: ShotColumns, setups: Sequence[Setup], rows: Ints, field: str, place: Place | None
) -> Carried:
    """How much a quantity of these shots changes on the way to a place.

    Only speed and angle change noticeably; the way is so short that the change is linear.
    """
    nothing = Carried(np.zeros(len(rows)), np.zeros(len(rows)), np.zeros(len(rows), dtype=np.bool_), 0.0)
    if place is None or field not in RATES or len(rows) == 0:
        return nothing
    x, z = columns.reference_x_m[rows], columns.exit_z_m.value[rows]
    angle, speed = columns.exit_angle_rad.value[rows], columns.exit_speed_m_s.value[rows]
    away_x, away_z = place.x_m - x, place.z_m - z
    along = away_x * np.cos(angle) + away_z * np.sin(angle)
    aside = away_z * np.cos(angle) - away_x * np.sin(angle)
    clips = columns.clip[rows]
    diameter = np.array([setup.ball.diameter_m for setup in setups])[clips]
    fps = np.array([clip.capture_fps for clip in columns.clips])[clips]
    same = _references(columns, setups)[clips] == place.reference
    fits = np.isfinite(x) & (np.abs(aside) < diameter) & (np.abs(along) < MOST_FRAMES * speed / fps)
    there = fits & same & _unstated(columns, rows)
    way = np.where(there, along, 0.0)
    rate: Floats = np.where(way != 0, getattr(columns, RATES[field])[rows], 0.0)
    u_place_m = np.where(columns.calibration[rows] == place.calibration, 0.0, columns.exit_z_m.u_common[rows])
    return Carried(rate * way, way, there, float(np.mean(np.abs(rate) * u_place_m)))


def _references(columns: ShotColumns, setups: Sequence[Setup]) -> npt.NDArray[np.str_]:
    """Of each clip: equal where places are counted from the same point of the room."""
    distinct = {id(setup): setup for setup in setups}  # most clips share one
    known = {key: reference_fingerprint(setup) for key, setup in distinct.items()}
    return np.array(
        [known[id(setup)] or clip.calibration for setup, clip in zip(setups, columns.clips, strict=True)],
        dtype=np.str_,
    )


def _unstated(columns: ShotColumns, rows: Ints) -> npt.NDArray[np.bool_]:
    return np.array([UNSTATED in columns.flags[row] for row in rows], dtype=np.bool_)
