"""What the container says about a clip."""

from __future__ import annotations

from pathlib import Path

from tracker.film.survey import survey
from tracker.values import ClipFacts


def read_facts(path: Path) -> ClipFacts:
    """Frame times, size, turn and capture rate of a clip, of which one picture is decoded.

    Raises
    ------
    ClipError
        If the file is no clip, or none that can be decoded.
    """
    seen = survey(path)
    return ClipFacts(
        name=path.name,
        picture=seen.picture,
        file_time_s=seen.file_time_s,
        tick_s=seen.tick_s,
        capture_fps_tag=seen.capture_fps_tag,
        codec=seen.codec,
        pixel_format=seen.pixel_format,
        bits=seen.bits,
    )
