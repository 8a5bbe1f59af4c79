"""What is done to a film in the guarded child: read it once, frame by frame, and keep the sightings.

Nothing but the film and ball rooms is imported here, so that the child starts quickly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from calibration.steady import Steadiness, SteadyWatch
from tracker.ball.watch import BallHint, BallWatch, common_radius, needs_survey
from tracker.film.decode import frames
from tracker.film.facts import read_facts
from tracker.values import ClipFacts, Sightings

PROGRESS_EVERY = 20


@dataclass(frozen=True, slots=True)
class Seen:
    """A clip's facts, what was seen in it, how its background moved, and how many pictures were lost."""

    facts: ClipFacts
    sightings: Sightings
    steady: Steadiness
    frames: int
    lost: int


@dataclass(frozen=True, slots=True)
class Viewing:
    """The child's job: a clip, what is known of the ball, and the part of the film that matters."""

    path: Path
    hint: BallHint
    start_s: float | None = None
    end_s: float | None = None

    def __call__(self, progress: Callable[[int, int], None]) -> Seen:
        """Watch the film; ``progress`` hears of frames done and in all."""
        facts = read_facts(self.path)
        total = len(facts.file_time_s)
        hint = self.hint
        if needs_survey(hint):
            hint = replace(hint, radius_px=common_radius(self._watch(hint, total, progress)[0]))
        steady = SteadyWatch()
        sightings, count, lost = self._watch(hint, total, progress, steady)
        progress(total, total)
        return Seen(facts, sightings, steady.result(), count, lost)

    def _watch(
        self,
        hint: BallHint,
        total: int,
        progress: Callable[[int, int], None],
        steady: SteadyWatch | None = None,
    ) -> tuple[Sightings, int, int]:
        watch = BallWatch(hint)
        count = 0
        with frames(self.path, start_s=self.start_s, end_s=self.end_s) as reel:
            for frame in reel:
                boxes = watch.see(frame)
                if steady is not None:
                    steady.see(frame.index, frame.y, boxes)
                count += 1
                if count % PROGRESS_EVERY == 0:
                    progress(frame.index + 1, total)
            lost = reel.lost
        return watch.result(), count, lost
