"""Sightings -> moves of whatever is clearest, without any model of motion: for judging the clock."""

from __future__ import annotations

import numpy as np

from calibration.values import Floats, Ints
from tracker.values import Sightings

LONGEST_STEP_RADII = 2.5
SHORTEST = 5


def clearest_moves(sightings: Sightings) -> tuple[list[Ints], list[Floats]]:
    """Runs of consecutive frames in which the clearest sighting stays near where it was.

    Returns
    -------
    frames, places_px : lists of (n,) int and (n, 2) arrays
    """
    if len(sightings) == 0:
        return [], []
    doubt = sightings.u_px / np.maximum(sightings.visible, 0.1)
    order = np.lexsort((doubt, sightings.frame))
    best = order[np.concatenate([[True], np.diff(sightings.frame[order]) > 0])]
    xy = np.stack([sightings.x_px[best], sightings.y_px[best]], axis=1)
    step = np.hypot(*np.diff(xy, axis=0).T)
    near = step < LONGEST_STEP_RADII * sightings.radius_px[best][1:]
    whole = near & (np.diff(sightings.frame[best]) == 1)
    runs = [run for run in np.split(np.arange(len(best)), np.flatnonzero(~whole) + 1) if len(run) >= SHORTEST]
    return [sightings.frame[best[run]] for run in runs], [xy[run] for run in runs]
