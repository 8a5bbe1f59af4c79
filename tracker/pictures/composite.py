"""Pictures of the film -> one picture that holds the ball of several moments."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from calibration.values import Floats
from tracker.values import Path

Bgr: TypeAlias = npt.NDArray[np.uint8]  # (height, width, 3), upright

APART = 1.5  # diameters between pasted balls, so that each stays readable
NEARLY = 0.8  # balls this near to the distance wanted are still clear of one another
ROOM_PX = 2.0
GREYED = 0.65
LIGHTENED = 0.22
LUMA_BGR = np.array([0.114, 0.587, 0.299])  # ITU-R BT.601


def frames_to_paste(path: Path, most: int = 12) -> tuple[int, ...]:
    """Frames whose balls stand clear of one another along the path.

    Parameters
    ----------
    path : Path
    most : int
        No more than this many are chosen.

    Returns
    -------
    tuple of int
        Ascending; the first sighting is always among them. Empty without sightings.
    """
    used = np.flatnonzero(path.used)
    if len(used) == 0 or most < 1:
        return ()
    x, y = path.x_px[used], path.y_px[used]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    least = APART * 2 * float(np.max(path.radius_px[used]))
    count = min(most, 1 + int(along[-1] // least))
    evenly = np.linspace(0, along[-1], count)
    nearest = np.unique(np.abs(along - evenly[:, np.newaxis]).argmin(axis=1))
    chosen = [int(nearest[0])]
    for k in nearest[1:]:
        # A gap in the sightings moves a choice toward its neighbour.
        if np.hypot(x[k] - x[chosen[-1]], y[k] - y[chosen[-1]]) >= least * NEARLY:
            chosen.append(int(k))
    return tuple(int(path.frame[used[k]]) for k in chosen)


def paste_balls(path: Path, stills: Mapping[int, Bgr]) -> Bgr:
    """The first still, greyed, with the ball of every still pasted in where it was seen.

    Parameters
    ----------
    path : Path
        Tells where the ball is in each still.
    stills : mapping of frame to (height, width, 3) array
        Upright pictures of the film, all of one size; at least one.

    Returns
    -------
    (height, width, 3) uint8 array, blue first

    Raises
    ------
    ValueError
        Without stills, or with stills of different sizes.
    """
    if not stills:
        raise ValueError("a composite needs at least one picture of the film")
    if len({still.shape for still in stills.values()}) > 1:
        raise ValueError("the pictures of the film differ in size")
    first = stills[min(stills)]
    grey = (first @ LUMA_BGR)[..., np.newaxis]
    made = first * (1 - GREYED) + grey * GREYED
    made += (255 - made) * LIGHTENED
    for frame, still in sorted(stills.items()):
        for i in np.flatnonzero(path.frame == frame):
            _paste(made, still, path.x_px[i], path.y_px[i], path.radius_px[i])
    composite: Bgr = np.clip(made.round(), 0, 255).astype(np.uint8)
    return composite


def _paste(made: Floats, still: Bgr, x_px: float, y_px: float, radius_px: float) -> None:
    """Blend a disc of the still into the picture; the rim fades over a third of the radius."""
    fade = max(radius_px / 3, 1.0)
    reach = radius_px + ROOM_PX + fade
    height, width = made.shape[:2]
    left, right = max(0, int(np.floor(x_px - reach))), min(width, int(np.ceil(x_px + reach)) + 1)
    top, bottom = max(0, int(np.floor(y_px - reach))), min(height, int(np.ceil(y_px + reach)) + 1)
    if left >= right or top >= bottom:
        return
    rows, columns = np.ogrid[top:bottom, left:right]
    away = np.hypot(columns - x_px, rows - y_px)
    share = np.clip((reach - away) / fade, 0, 1)[..., np.newaxis]
    window = made[top:bottom, left:right]
    window += share * (still[top:bottom, left:right] - window)
