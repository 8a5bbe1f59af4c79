"""``lobscope plan``: what a film will show and how well it will measure, before it is filmed."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.failures import WrongUsage
from tracker.cli.sizes import amount, pair

if TYPE_CHECKING:
    from tracker.plan.outlook import Filming
    from tracker.planning import Forecast, Plan
    from tracker.values import Ball

FASTEST_FPS = 100_000
SMALLEST_PX = 100


DistanceOption = Annotated[
    str, typer.Option(metavar="LENGTH", help='From the phone to the plane of flight, such as "4.2 m".')
]
SpeedOption = Annotated[str, typer.Option(metavar="SPEED", help='The expected exit speed, such as "7 m/s".')]
AngleOption = Annotated[str, typer.Option(metavar="ANGLE", help='The expected exit angle, such as "52 deg".')]
RateOption = Annotated[float, typer.Option(metavar="N", help="Frames a second at which you will film.")]
SetupOption = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="A setup file, for its ball and what it says of the camera."),
]
BallOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help="The ball's diameter, if no setup file is given.")
]
PictureOption = Annotated[str, typer.Option(metavar="WxH", help="Size of the upright picture in pixels.")]
ViewOption = Annotated[
    str | None,
    typer.Option(metavar="ANGLE", help='How wide the camera sees, such as "60 deg", if you know it.'),
]
KnownOption = Annotated[
    str | None,
    typer.Option(
        metavar="LENGTH", help="In place of --view: a length in a test picture taken from there ..."
    ),
]
KnownPxOption = Annotated[
    float | None, typer.Option(metavar="N", help="... and how many pixels long it is in that picture.")
]
ReferenceOption = Annotated[
    str, typer.Option(metavar="LENGTH", help="How long a known length you will put into the picture.")
]
ShutterOption = Annotated[
    str | None,
    typer.Option(metavar="TIME", help='How long the shutter is open, such as "1 ms", if you can set it.'),
]
NearestOption = Annotated[
    str, typer.Option(metavar="LENGTH", help="The nearest place where the phone may stand.")
]
FarthestOption = Annotated[
    str | None, typer.Option(metavar="LENGTH", help="The farthest place that the room has.")
]


def plan(
    distance: DistanceOption,
    speed: SpeedOption,
    angle: AngleOption,
    fps: RateOption = 240.0,
    setup: SetupOption = None,
    ball: BallOption = None,
    picture: PictureOption = "1280x720",
    view: ViewOption = None,
    known: KnownOption = None,
    known_px: KnownPxOption = None,
    reference: ReferenceOption = "1 m",
    shutter: ShutterOption = None,
    nearest: NearestOption = "1.5 m",
    farthest: FarthestOption = None,
) -> None:
    """Plan a filming: what will be seen, how sharp, how sure, and where to stand.

    The uncertainty is worked out by the same adjustment that measures clips, from the sightings that
    such a film would have.

    Example: lobscope plan --distance "4.2 m" --speed "7 m/s" --angle "52 deg" --ball "140 mm"
    """
    from tracker.planning import Wish
    from tracker.planning import plan as work_out
    from tracker.setup_file import units

    distance_m = amount(distance, units.LENGTH, "--distance")
    described, readout_s = _ball(setup, ball)
    result = work_out(
        Wish(
            filming=_filming(distance_m, fps, picture, view, known, known_px, shutter),
            ball=described,
            speed_m_s=amount(speed, units.SPEED, "--speed"),
            angle_rad=amount(angle, units.ANGLE, "--angle", signed=True),
            reference_m=amount(reference, units.LENGTH, "--reference"),
            nearest_m=amount(nearest, units.LENGTH, "--nearest"),
            farthest_m=2 * distance_m if farthest is None else amount(farthest, units.LENGTH, "--farthest"),
            readout_s=readout_s,
        )
    )
    _show(result, fps, shutter_known=shutter is not None)


def _filming(
    distance_m: float,
    fps: float,
    picture: str,
    view: str | None,
    known: str | None,
    known_px: float | None,
    shutter: str | None,
) -> Filming:
    """How it will be filmed."""
    from tracker.plan.outlook import PHONE_FOCAL_SHARE, Filming
    from tracker.setup_file import units

    if not (math.isfinite(fps) and 1 <= fps <= FASTEST_FPS):
        raise WrongUsage("bad_fps", "--fps is no rate a camera films at.", "Give a number such as 240.")
    width, height = pair(picture, "--picture", "--picture 1280x720")
    if min(width, height) < SMALLEST_PX:
        raise WrongUsage(
            "bad_picture", "--picture is too small.", "Give its size in pixels, such as 1280x720."
        )
    focal_px = PHONE_FOCAL_SHARE * max(width, height)
    if view is not None:
        wide = amount(view, units.ANGLE, "--view")
        if not math.radians(5) < wide < math.radians(150):
            raise WrongUsage("bad_view", "--view is not from 5 to 150 degrees.", 'Write it like "60 deg".')
        focal_px = 0.5 * width / math.tan(0.5 * wide)
    elif known is not None or known_px is not None:
        focal_px = distance_m * _px_per_m(known, known_px)
    open_s = None if shutter is None else min(amount(shutter, units.TIME, "--shutter"), 1 / fps)
    return Filming(distance_m, focal_px, width, height, fps, open_s)


def _px_per_m(known: str | None, known_px: float | None) -> float:
    from tracker.setup_file import units

    if known is None or known_px is None or not known_px > 0:
        raise WrongUsage(
            "known_incomplete",
            "--known and --known-px belong together.",
            'Give both, such as --known "1.500 m" --known-px 640.',
        )
    return known_px / amount(known, units.LENGTH, "--known")


def _ball(setup: Path | None, diameter: str | None) -> tuple[Ball, float | None]:
    from tracker.setup_file import read_setup, units
    from tracker.values import Ball

    if setup is not None:
        stated = read_setup(setup)
        return stated.ball, stated.camera.readout_s
    if diameter is None:
        raise WrongUsage(
            "ball_missing",
            "How large the ball is was not said.",
            'Add --ball "140 mm", or --setup with a setup file.',
        )
    return Ball(amount(diameter, units.LENGTH, "--ball")), None


def _show(result: Plan, fps: float, *, shutter_known: bool) -> None:
    from tracker.setup_file.template import SAFETY

    lines = [f"From {result.here.distance_m:.2f} m, at {fps:g} frames a second", *_seen(result.here)]
    lines += _sharp(result.here, shutter_known=shutter_known)
    lines += _sure(result.here)
    lines += ["", "Where to stand", *_stand(result)]
    lines += ["", "Before filming", *(f"  {line}" for line in SAFETY)]
    sys.stdout.write("\n".join(lines) + "\n")


def _seen(here: Forecast) -> list[str]:
    from tracker.plan.outlook import LEAST_BALL_PX

    seen = here.outlook
    small = "" if seen.ball_px >= LEAST_BALL_PX else f"; {LEAST_BALL_PX:.0f} px or more are wanted"
    share = f"{100 * seen.share:.0f} % of the flight, with the exit at the side of the picture"
    return [
        f"  in view      {share}: {len(seen.time_s)} frames",
        f"  ball         {seen.ball_px:.0f} px across{small}",
    ]


def _sharp(here: Forecast, *, shutter_known: bool) -> list[str]:
    seen = here.outlook
    often = "" if shutter_known else "up to "
    line = f"  streak       {often}{seen.streak_px:.0f} px, {seen.streak:.2g} of the ball's diameter"
    rate = _round(1 / seen.shutter_s)
    return [line, f"  shutter      1/{rate} s or shorter keeps the streak to a quarter of the ball"]


def _round(rate: float) -> int:
    """A rate rounded up to two digits, as shutters are labelled."""
    step: int = 10 ** max(math.floor(math.log10(rate)) - 1, 0)
    return math.ceil(rate / step) * step


def _sure(here: Forecast) -> list[str]:
    from tracker.planning import interval

    if here.launch is None:
        return ["  exit speed   cannot be measured: too little of the flight is in view"]
    speed, angle = here.launch.exit_speed_m_s, here.launch.exit_angle_rad
    half = interval(speed)
    total = sum(line.speed_share_m_s**2 for line in here.launch.budget)
    main = [line for line in here.launch.budget[:3] if line.speed_share_m_s**2 > 0.05 * total]
    parts = ", ".join(f"{line.source} {100 * line.speed_share_m_s**2 / total:.0f} %" for line in main)
    known = f"{speed.value:.2f} ± {half:.2g} m/s ({100 * half / abs(speed.value):.1f} %)"
    return [
        f"  exit speed   {known}, nineteen times out of twenty",
        f"  exit angle   ± {math.degrees(interval(angle)):.2g} degrees",
        f"  comes from   {parts} (shares of the variance)",
        f"  best remedy  {main[0].remedy}",
    ]


def _stand(result: Plan) -> list[str]:
    from tracker.planning import interval

    here, better = result.here, result.better
    if better is not None and better.launch is not None:
        half, seen = interval(better.launch.exit_speed_m_s), better.outlook
        found = (
            f"± {half:.2g} m/s, {100 * seen.share:.0f} % of the flight in view, ball {seen.ball_px:.0f} px"
        )
        return [f"  Stand {better.distance_m:.1f} m away instead: {found}."]
    if here.launch is None:
        return ["  No place in the room sees enough of the flight. Use a wider lens with a lens file."]
    return [
        "  No other place in the room is much better. Stand square to the flight, so that it runs straight",
        "  across the picture; where there is no room for that, put up a board or four known points.",
    ]
