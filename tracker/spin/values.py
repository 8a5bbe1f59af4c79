"""What leaves the spin room."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.values import Floats
from tracker.values import Number

#: What to stick on a ball. Common practice, no source.
MARKING_ADVICE = (
    "Stick or draw three to five dots of different sizes, unevenly spaced, on the side of the ball that "
    "faces the camera, each a fifth to a quarter of the ball's diameter wide, half way between the middle "
    "and the rim, in a matt colour much lighter or darker than the ball. An even pattern (one stripe, two "
    "equal dots opposite, a star) looks the same after a part of a turn and may leave the spin open."
)

REASONS = {
    "no_strips": "The insides of the sightings were not kept.",
    "too_few_frames": "The ball is seen clearly too few times.",
    "no_marks": "No marks can be read.",
    "too_little_turn": "The ball turns too little for its marks to be told from its shade.",
    "too_fast": "The marks turn faster than a ball can.",
    "unsteady": "The marks do not turn steadily.",
    "alias": "The marks look the same after a part of a turn, and several spins fit.",
}


@dataclass(frozen=True, slots=True)
class MarkedSpin:
    """Spin read from marks, at the instant asked for.

    Parameters
    ----------
    spin_rad_s : Number
        Positive is backspin; the common part is the clock's.
    decay_per_s : float
        How fast the spin falls off: it is proportional to exp(-decay t).
    frames : (m,) int array
        Which of the strips were used.
    angle_rad : (m,) array
        Turn of the marks in each of them, in the sense of the spin, unwrapped; its zero means nothing.
    scatter_rad : float
        Standard deviation of such an angle about the fitted turn.
    strength : float
        How far the found rate stands out of all others, in standard deviations of their scores.
    symmetry : int
        The marks look the same after 1/symmetry of a turn.
    alternatives_rad_s : tuple of float
        Spins that would look the same in these frames: the next ones, or those that are possible too.
    chosen : bool
        Whether what is known from elsewhere had to choose among possible ones.
    """

    spin_rad_s: Number
    decay_per_s: float
    frames: np.typing.NDArray[np.int64]
    angle_rad: Floats
    scatter_rad: float
    strength: float
    symmetry: int
    alternatives_rad_s: tuple[float, ...]
    chosen: bool = False


@dataclass(frozen=True, slots=True)
class NoMarks:
    """Why no spin could be read: a code of ``REASONS``; the spins that fit if several do."""

    code: str
    strength: float = 0.0
    alternatives_rad_s: tuple[float, ...] = ()

    @property
    def message(self) -> str:
        """One plain sentence."""
        return REASONS[self.code]
