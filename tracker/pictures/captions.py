"""The words of a picture: numbers as they were rounded for people elsewhere."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Captions:
    """What a picture says.

    Parameters
    ----------
    title : str
        Which shot of which clip.
    speed, angle : str
        Exit speed and exit angle with their uncertainties and units.
    spin : str or None
        Spin likewise; None where there is none to show.
    """

    title: str
    speed: str
    angle: str
    spin: str | None = None
