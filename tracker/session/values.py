"""What the session room takes and gives: frozen values, in whatever one unit the sample is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, frozen
from tracker.errors import SessionError
from tracker.values import Number


@dataclass(frozen=True, slots=True)
class Sample:
    """One quantity of the shots of one session, in the order in which they were fired.

    Parameters
    ----------
    values : (n,) array
        One value a shot, n at least 1.
    u_random : (n,) array
        Each shot's own random standard uncertainty; the scatter of ``values`` already holds it.
    u_common : float
        Standard uncertainty that all shots share.
    calibration : str
        Identity of the calibration behind ``u_common``; samples with the same one share its error.
        Empty is "not known" and is shared with none.

    Raises
    ------
    SessionError
        If there is no shot, or a value is not a number.
    """

    values: Floats
    u_random: Floats
    u_common: float = 0.0
    calibration: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "values", frozen(self.values, shape=(None,)))
        object.__setattr__(self, "u_random", frozen(self.u_random, shape=(len(self.values),)))
        if len(self.values) == 0:
            raise SessionError(
                "no_shots", "There is no shot to evaluate.", "Measure a clip with at least one shot first."
            )
        doubtful = (self.u_random, np.asarray([self.u_common]))
        if not np.all(np.isfinite(self.values)) or any(
            not np.all(np.isfinite(u)) or np.any(u < 0) for u in doubtful
        ):
            raise SessionError(
                "not_a_number",
                "A shot's value is not a number, or its uncertainty is negative.",
                "Leave that shot out, or measure its clip again.",
            )

    def __len__(self) -> int:
        return len(self.values)

    @classmethod
    def of(cls, numbers: Sequence[Number], calibration: str = "") -> Sample:
        """One sample from the measured numbers of shots that share a calibration.

        The common parts are fully correlated, so that of the mean is the mean of theirs
        (JCGM 100:2008, 5.2.2 with correlation 1).
        """
        common = float(np.mean([number.u_common for number in numbers])) if numbers else 0.0
        return cls(
            np.array([number.value for number in numbers]),
            np.array([number.u_random for number in numbers]),
            common,
            calibration,
        )

    def shares_calibration(self, other: Sample) -> bool:
        """Whether the common errors of both are one and the same error."""
        return self.calibration != "" and self.calibration == other.calibration


def need(sample_size: int, at_least: int, what: str) -> None:
    """Refuse a sample that is too small for ``what``.

    Raises
    ------
    SessionError
    """
    if sample_size < at_least:
        there = "there is 1 shot" if sample_size == 1 else f"there are {sample_size} shots"
        raise SessionError(
            "too_few_shots",
            f"{what} needs at least {at_least} shots; {there}.",
            "Film more shots with the same setting.",
        )
