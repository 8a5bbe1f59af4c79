"""Measured -> named truth values about whether to believe it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tracker.values import Measured

KNOWN_LENGTH = ("length", "plane", "board")


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that has to be so for the numbers to hold.

    ``doubt`` says the same where it does not hold, ``detail`` what was found.
    """

    claim: str
    doubt: str
    holds: bool
    detail: str = ""


# claim, doubt, and the warnings any of which takes it away
_BY_WARNING = {
    "film": (
        "the film is whole and real",
        "pictures of the film are missing or made up",
        {"film_damaged", "frames_missing", "interpolated_frames", "uneven_frames"},
    ),
    "clock": (
        "the frame rate is known",
        "the frame rate is not certain",
        {"clock_from_fall", "clock_disagrees"},
    ),
    "gravity": (
        "gravity comes out right",
        "gravity does not come out right",
        {"clock_disagrees", "scale_disagrees"},
    ),
    "size": (
        "the ball looks its stated size",
        "the ball does not look its stated size",
        {"plane_disagrees", "ball_disagrees"},
    ),
    "square": (
        "the camera looked straight across",
        "the camera may not have looked straight across the flight",
        {"yaw_suspected", "out_of_plane", "lens_unknown"},
    ),
    "still": ("the camera stood still", "the camera moved", {"camera_moved"}),
    "seen": (
        "the ball was seen well",
        "the ball was not seen often or sharply enough",
        {"few_sightings", "long_streaks"},
    ),
}


def checks(clip: Measured) -> tuple[Check, ...]:
    """Every check of one clip; none without a shot.

    Each is drawn from the warnings and flags that the measuring parts gave, so that the table and
    the warnings cannot contradict each other.
    """
    if not clip.shots:
        return ()
    codes = {warning.code for warning in clip.warnings}
    rate = f"{clip.clock.capture_fps:.5g} a second, {CLOCK_WORDS.get(clip.clock.source, clip.clock.source)}"
    details = {"clock": rate, "gravity": _gravity(clip), "seen": _sightings(clip)}
    found = {
        name: Check(claim, doubt, not codes & against, details.get(name, ""))
        for name, (claim, doubt, against) in _BY_WARNING.items()
    }
    return (
        found["film"],
        found["clock"],
        _scale(clip),
        *(found[name] for name in ("gravity", "size", "square", "still", "seen")),
        _fit(clip),
    )


def healthy(clip: Measured) -> bool:
    """Whether every check holds."""
    return all(check.holds for check in checks(clip))


def _scale(clip: Measured) -> Check:
    source = None if clip.scale is None else clip.scale.source
    return Check(
        "a known length sets the scale",
        "no known length sets the scale",
        source in KNOWN_LENGTH,
        "" if source is None else SCALE_WORDS.get(source, source),
    )


def _fit(clip: Measured) -> Check:
    bad = [str(shot.shot) for shot in clip.shots if "poor_fit" in shot.flags]
    return Check(
        "the flight model fits",
        f"the flight model does not fit shot {', '.join(bad)}",
        not bad,
        f"not shot {', '.join(bad)}" if bad else "",
    )


def _gravity(clip: Measured) -> str:
    values = [shot.free_g_m_s2.value for shot in clip.shots if math.isfinite(shot.free_g_m_s2.value)]
    if not values:
        return ""
    low, high = f"{min(values):.2f}", f"{max(values):.2f}"
    return f"{low} m/s² when left free" if low == high else f"{low} to {high} m/s² when left free"


def _sightings(clip: Measured) -> str:
    counts = [shot.sightings for shot in clip.shots]
    low, high = min(counts), max(counts)
    return f"{low} times" if low == high else f"{low} to {high} times"


CLOCK_WORDS = {
    "stated": "as you stated",
    "metadata": "as the file says",
    "fall": "as the fall of the ball says",
    "container": "as the file plays",
}
SCALE_WORDS = {
    "length": "your known length",
    "plane": "your points of known place",
    "board": "the printed board",
    "ball": "the ball itself",
    "fall": "the fall of the ball",
}
