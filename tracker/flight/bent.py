"""Second opinions of flights through a lens that may bend them: asked again after they were straightened.

A strong bend makes every path fit badly, so that a first look finds it weaker and less certain than it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.camera import focal_px
from calibration.reference import CameraPrior
from calibration.rows import Rows
from calibration.second_opinions import Opinions
from calibration.values import Floats
from tracker.flight.adjust import Problem
from tracker.flight.observed import Flight
from tracker.flight.opinions import Heard, second_opinions
from tracker.flight.settle import Settled, settle

#: A bend of fewer standard uncertainties is not looked at again.
WORTH_LOOKING = 1.5
ROUNDS = 4
_FIXED_POINT_ROUNDS = 40


def hear(settled: Settled) -> Heard:
    """The second opinions of a finished adjustment with gravity free, its bend taken out step by step."""
    heard, bend = second_opinions(settled), 0.0
    for _ in range(ROUNDS):
        if "bend" not in heard.opinions.names:
            return heard
        at = heard.opinions.names.index("bend")
        step, u = float(heard.opinions.values[at]), float(heard.opinions.u()[at])
        if abs(step) < WORTH_LOOKING * u:
            break
        bend += step
        settled = _settled_again(settled, step)
        heard = second_opinions(settled)
    if bend == 0.0:
        return heard
    values = np.array(heard.opinions.values)
    values[heard.opinions.names.index("bend")] += bend
    return Heard(Opinions(heard.opinions.names, values, heard.opinions.covariance), heard.causes)


def _settled_again(settled: Settled, k1: float) -> Settled:
    """The same flights through a lens that bends by so much less."""
    was = settled.problem
    problem = Problem(
        _straight(was.flights, was.camera, k1),
        _unbent(was.camera, k1),
        was.readout,
        was.assumed,
        free_g=was.free_g,
        ball_carries_scale=was.ball_carries_scale,
        own_planes=was.own_planes,
    )
    return settle(problem, settled)


def _straight(flights: Sequence[Flight], camera: CameraPrior, k1: float) -> list[Flight]:
    """Flights without a bend: r' = r (1 + k1 r^2) solved for r by fixed point."""
    centre = np.array([camera.view.centre_x_px, camera.view.centre_y_px])
    # That of the start, in which k1 is counted: a fit of bent paths may put it anywhere.
    f = float(focal_px(camera.start))
    out = []
    for flight in flights:
        bent = (flight.xy_px - centre) / f
        straight = bent
        for _ in range(_FIXED_POINT_ROUNDS):
            straight = bent / (1 + k1 * np.minimum((straight**2).sum(axis=1, keepdims=True), 1.0))
        out.append(replace(flight, xy_px=straight * f + centre))
    return out


def _unbent(camera: CameraPrior, k1: float) -> CameraPrior:
    """The camera's rows as if its reference had been read off a straight picture."""
    bent = camera.bent
    if bent is None:
        return camera

    def rows(theta: Floats) -> Rows:
        read = camera.rows(theta)
        return Rows(read.residual + k1 * bent(theta), read.jacobian, read.shares)

    return replace(camera, rows=rows)
