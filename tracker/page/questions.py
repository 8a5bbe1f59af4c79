"""What the page asks of the open clip; each is answered in the guarded process."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tracker.values import Bytes, ClipFacts

if TYPE_CHECKING:
    from tracker.film.keeper import Keeper


@dataclass(frozen=True, slots=True)
class Facts:
    """What the container says."""

    def __call__(self, clip: Keeper) -> ClipFacts:
        """Answer."""
        from tracker.film.facts import read_facts  # noqa: PLC0415 - the server itself decodes nothing

        return read_facts(clip.path)


@dataclass(frozen=True, slots=True)
class Shown:
    """One picture, ready for the browser; None where it is damaged."""

    index: int

    def __call__(self, clip: Keeper) -> bytes | None:
        """Answer."""
        return clip.jpeg(self.index)


@dataclass(frozen=True, slots=True)
class Background:
    """Luma of the first picture, in stored orientation."""

    def __call__(self, clip: Keeper) -> Bytes | None:
        """Answer."""
        return clip.luma(0)


@dataclass(frozen=True, slots=True)
class Film:
    """Upright pictures by frame, blue green red."""

    frames: tuple[int, ...]

    def __call__(self, clip: Keeper) -> dict[int, Bytes]:
        """Answer."""
        found = {index: clip.bgr(index) for index in self.frames}
        return {index: image for index, image in found.items() if image is not None}


@dataclass(frozen=True, slots=True)
class ColourThere:
    """Name and "#rrggbb" of the colour at a place of a picture."""

    index: int
    x_px: float
    y_px: float
    reach_px: float

    def __call__(self, clip: Keeper) -> tuple[str, str] | None:
        """Answer."""
        from tracker.ball.sample import colour_at  # noqa: PLC0415 - the server itself looks at no picture

        image = clip.bgr(self.index)
        return None if image is None else colour_at(image, self.x_px, self.y_px, self.reach_px)
