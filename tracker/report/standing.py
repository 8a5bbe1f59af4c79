"""How single shots of a session are named, and what is known about those that stand out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ShotLabel:
    """A shot of a session: its number in the log, its clip, and its number within the clip."""

    number: int
    clip: str
    shot: int

    def __str__(self) -> str:
        return f"no. {self.number} ({self.clip}, shot {self.shot})"


@dataclass(frozen=True, slots=True)
class StandOut:
    """A shot that stands apart, how far it is from the median, and why that may be.

    ``reasons`` are keys of ``REASONS``; none means that nothing speaks against its measurement.
    """

    label: ShotLabel
    away: float
    reasons: tuple[str, ...]


REASONS = {
    "blurred": "the ball is drawn out by its motion in that clip",
    "few_sightings": "it was seen far less often than the others",
    "poor_fit": "the flight model does not fit it",
    "partly_hidden": "it was partly hidden",
    "exit_elsewhere": "it was first seen at another place on its way, where it flies at another speed",
    "less_sure": "it is known less well than the others",
    "calibration": "scale, clock or camera of its clip are in doubt",
}
