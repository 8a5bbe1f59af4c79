"""``lobscope measure``: clips and a setup file -> exit speed, angle and spin."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli import show
from tracker.cli.failures import WrongUsage, failed, tell
from tracker.cli.files import usable_folder
from tracker.cli.from_log import LogOption
from tracker.cli.into_log import add, log_for
from tracker.cli.progress import FramesDone
from tracker.errors import LogError

if TYPE_CHECKING:
    from tracker.store import Log
    from tracker.values import Failed, Measured, Setup


PRELOAD = ("numpy", "av", "cv2", "tracker.viewing")


@dataclass(frozen=True, slots=True)
class Wish:
    """How one call wants its clips measured and shown."""

    start_s: float | None = None
    end_s: float | None = None
    every_flight: bool = False
    as_json: bool = False
    out: Path | None = None
    explain: bool = False
    session: str | None = None
    log: str | None = None

    @property
    def how(self) -> str:
        """What else changes a measurement, for the log."""
        said = [
            f"{word} {s:g} s" for word, s in (("from", self.start_s), ("to", self.end_s)) if s is not None
        ]
        return ", ".join([*said, "every flight"] if self.every_flight else said)


def measure(
    clips: Annotated[
        list[Path],
        typer.Argument(
            metavar="CLIP", help="One or more clips, as they came from the phone.", show_default=False
        ),
    ],
    setup: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help='The setup file ("lobscope setup" writes one to fill in).'),
    ] = None,
    capture_fps: Annotated[
        float | None,
        typer.Option(metavar="N", help="Frames a second at which the phone really filmed, such as 240."),
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print the results for programs instead of people.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Keep pictures, paths and results in this folder.")
    ] = None,
    start: Annotated[
        float | None,
        typer.Option(
            "--from", metavar="S", min=0, help="Begin at this second of the film as a player shows it."
        ),
    ] = None,
    end: Annotated[
        float | None,
        typer.Option(
            "--to", metavar="S", min=0, help="Stop at this second of the film as a player shows it."
        ),
    ] = None,
    wheel_speed: Annotated[
        str | None,
        typer.Option(metavar="SPEED", help='The wheel\'s speed for these clips, such as "3200 rpm".'),
    ] = None,
    gap: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help='The gap the ball is squeezed through, such as "126 mm".'),
    ] = None,
    every_flight: Annotated[
        bool, typer.Option("--every-flight", help="Measure rebounds and other free flights as well.")
    ] = False,
    explain: Annotated[
        bool,
        typer.Option("--explain", help="Tell also what the uncertainty is made of, and what was left out."),
    ] = False,
    session: Annotated[
        str | None, typer.Option(metavar="NAME", help="Add the shots to this session of the launch log.")
    ] = None,
    log: LogOption = None,
) -> None:
    """Measure the shots in one or more clips.

    Prints, for every shot, how fast and how steeply the ball left the launcher and how much it spun,
    each with its uncertainty, and says how far to trust it. Nothing is written to disk unless --out
    names a folder or --session a session of the launch log.

    Example: lobscope measure shot.mp4 --setup setup.toml --capture-fps 240
    """
    file = _check_usage(setup, capture_fps, start, end)
    wish = Wish(start, end, every_flight, json, out, explain, session, log)
    raise typer.Exit(
        measure_all(clips, file, wish, capture_fps=capture_fps, wheel_speed=wheel_speed, gap=gap)
    )


def _check_usage(
    setup: Path | None, capture_fps: float | None, start: float | None, end: float | None
) -> Path:
    if setup is None:
        raise WrongUsage(
            "setup_missing",
            "Measuring needs a setup file: how big the ball is, and a length in the picture that you know.",
            'Write one with "lobscope setup setup.toml", fill it in, and add --setup setup.toml.',
        )
    if capture_fps is not None and not (math.isfinite(capture_fps) and capture_fps > 0):
        raise WrongUsage("bad_capture_fps", "--capture-fps must be above zero.", "Give a number such as 240.")
    if any(second is not None and not math.isfinite(second) for second in (start, end)):
        raise WrongUsage("bad_time", "--from and --to must be numbers.", "Give seconds, such as --from 1.5.")
    if start is not None and end is not None and end <= start:
        raise WrongUsage(
            "bad_time", "--to must come after --from.", "Give a later time, or leave one of them out."
        )
    return setup


def measure_all(clips: list[Path], setup_file: Path, wish: Wish, **stated: float | str | None) -> int:
    """Measure the clips one after the other, show each, and give the exit status."""
    if wish.out is not None:
        usable_folder(wish.out)
    with contextlib.ExitStack() as stack:
        try:
            setup = _read_setup(setup_file, stated)
            # Opened before anything is measured: a log that cannot be used is told at once.
            log = stack.enter_context(log_for(wish.session, wish.log))
        except Exception as error:
            if wish.as_json:
                show.document([failed(clip, error) for clip in clips])
            raise
        return _measure_each(clips, setup, wish, log)


def _measure_each(clips: list[Path], setup: Setup, wish: Wish, log: Log | None) -> int:
    results: list[Measured | Failed] = []
    fine = True
    for clip in clips:
        try:
            measured = _measure_one(clip, setup, wish)
        except Exception as error:  # noqa: BLE001 - one bad clip does not stop the others
            tell(error, clip)
            results.append(failed(clip, error))
            fine = False
            continue
        results.append(measured)
        if not wish.as_json:
            show.tables(measured, explain=wish.explain)
        fine &= _kept_in_log(log, measured, setup, wish)
    if wish.as_json:
        show.document(results)
    return 0 if fine else 1


def _kept_in_log(log: Log | None, measured: Measured, setup: Setup, wish: Wish) -> bool:
    """Whether the clip is in the log, if it should be; what was measured is shown even if it is not."""
    if log is None or wish.session is None:
        return True
    try:
        add(log, wish.session, measured, setup, wish.how)
    except LogError as error:
        tell(error)
        return False
    return True


def _read_setup(file: Path, stated: dict[str, Any]) -> Setup:
    from tracker.setup_file import read_setup

    return read_setup(file, **stated)


def _measure_one(clip: Path, setup: Setup, wish: Wish) -> Measured:
    from tracker.film.guard import Child

    # The decoding process gets ready while this one loads what the fit needs.
    with Child(PRELOAD) as child, FramesDone(clip.name) as progress:
        from tracker.pipeline import measure as measure_clip

        measured = measure_clip(
            clip,
            setup,
            start_s=wish.start_s,
            end_s=wish.end_s,
            every_flight=wish.every_flight,
            progress=progress,
            child=child,
        )
    if wish.out is not None:
        from tracker.cli.keep import keep

        keep(measured, clip, wish.out)
    return measured
