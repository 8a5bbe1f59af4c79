"""One clip's pictures, paths and results -> a folder."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from tracker.cli.files import RESULT_FILE, cannot_write, clip_folder, write_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tracker.values import Measured, Shot

SHOTS_AT_A_TIME = 6  # the film pictures of so many shots are held in memory together


def keep(measured: Measured, clip: Path, out: Path) -> Path:
    """Write everything about one clip into a folder of its own inside ``out``, and say so.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    from tracker.report import as_json, path_csv

    try:
        folder = clip_folder(out, clip, measured.sha256)
        write_text(folder / RESULT_FILE, as_json([measured]))
        for shot in measured.shots:
            write_text(folder / f"shot-{shot.shot}-path.csv", path_csv([shot]))
        for start in range(0, len(measured.shots), SHOTS_AT_A_TIME):
            _draw(measured.shots[start : start + SHOTS_AT_A_TIME], clip, folder)
    except OSError as error:
        raise cannot_write(out, error) from error
    sys.stderr.write(f"Kept results, paths and pictures of {clip.name} in {folder}\n")
    return folder


def _draw(shots: Sequence[Shot], clip: Path, folder: Path) -> None:
    from tracker import pictures
    from tracker.drawing import captions
    from tracker.film.stills import stills

    wanted = {shot.shot: pictures.frames_to_paste(shot.path) for shot in shots}
    film = stills(clip, sorted({frame for frames in wanted.values() for frame in frames}))
    for shot in shots:
        words = captions(shot, clip.name)
        seen = {frame: film[frame] for frame in wanted[shot.shot] if frame in film}
        if seen:
            pictures.save(
                pictures.flight_over_film(shot, seen, words), folder / f"shot-{shot.shot}-flight.png"
            )
        pictures.save(pictures.path_and_residuals(shot, words), folder / f"shot-{shot.shot}-residuals.png")
        pictures.save(pictures.budget_bars(shot, words), folder / f"shot-{shot.shot}-budget.png")
