"""What makes two measurements the same: fingerprints of a set-up and of a calibration."""

from __future__ import annotations

import hashlib
import json

from calibration.values import Picture
from tracker.store.coding import essence, from_plain, to_plain
from tracker.values import Setup


def setup_fingerprint(setup: Setup, how: str = "") -> str:
    """Equal for set-ups that say the same, whatever their comments and spacing: 64 hex digits.

    ``how`` is whatever else a measurement was told that no set-up holds.
    """
    said = essence(_exact(setup))
    said.pop("text", None)
    return _digest({"setup": said, "how": how})


def calibration_fingerprint(setup: Setup, picture: Picture) -> str:
    """Equal for clips that share a calibration: 16 hex digits.

    That is: the same reference points, the same statement about the camera and the same picture.
    Where no reference is given the ball's diameter may carry the scale, so it belongs to it then.
    """
    setup = _exact(setup)
    carries = {"ball": to_plain((setup.ball.diameter_m, setup.ball.u_diameter_m))}
    if setup.board is not None:
        reference = {"board": essence(setup.board)}
    else:
        reference = carries if setup.reference is None else {"reference": essence(setup.reference)}
    return _digest({**reference, "camera": essence(setup.camera), "picture": essence(picture)})[:16]


def reference_fingerprint(setup: Setup) -> str:
    """Equal for set-ups that count places from the same thing in the room, wherever the phone stands.

    Which pixels were pointed at does not matter. Empty where the set-up states no reference.
    """
    if setup.board is not None:
        return _digest({"board": essence(setup.board)})
    if setup.reference is None:
        return ""
    there = essence(_exact(setup).reference)
    seen = ("points_px", "picture_px", "frame", "u_click_px")
    return _digest({"reference": {key: value for key, value in there.items() if key not in seen}})


def _exact(setup: Setup) -> Setup:
    """The set-up with 1 where a float is due turned into 1.0, so that both give one fingerprint."""
    return from_plain(Setup, to_plain(setup))


def _digest(plain: object) -> str:
    text = json.dumps(plain, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()
