"""What is done in the guarded child to find the ball in a film of which nothing is known yet.

Each colour that a ball may have is looked for, all in one pass over the film.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tracker.ball.watch import BallHint, BallWatch
from tracker.film.decode import frames
from tracker.film.facts import read_facts
from tracker.values import ClipFacts, Sightings

#: Families of hue that together leave no hue out.
COLOURS = ("orange", "yellow", "green", "turquoise", "blue", "violet", "pink")
PROGRESS_EVERY = 20
NICENESS = 10


@dataclass(frozen=True, slots=True)
class Searched:
    """A clip's facts, and what was seen of each colour."""

    facts: ClipFacts
    seen: tuple[tuple[str, Sightings], ...]


@dataclass(frozen=True, slots=True)
class Searching:
    """The child's job: a clip, the colours to look for, and the ball's radius in pixels if it is known."""

    path: Path
    colours: tuple[str, ...] = COLOURS
    radius_px: float | None = None

    def __call__(self, progress: Callable[[int, int], None]) -> Searched:
        """Watch the film; ``progress`` hears of frames done and in all."""
        if hasattr(os, "nice"):  # somebody looks at pictures of the same film meanwhile
            os.nice(NICENESS)
        facts = read_facts(self.path)
        total = len(facts.file_time_s)
        watches = {name: BallWatch(BallHint(name, self.radius_px)) for name in self.colours}
        with frames(self.path, ahead=True) as reel:
            for frame in reel:
                for watch in watches.values():
                    watch.see(frame)
                if frame.index % PROGRESS_EVERY == 0:
                    progress(frame.index, total)
        progress(total, total)
        return Searched(facts, tuple((name, watch.result()) for name, watch in watches.items()))
