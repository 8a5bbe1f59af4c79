"""Results on stdout: tables for people, one document for programs."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tracker.values import Failed, Measured, Shot


def document(results: Sequence[Measured | Failed]) -> None:
    """Print the one JSON document."""
    from tracker.report import as_json

    sys.stdout.write(as_json(results).rstrip("\n") + "\n")


def tables(measured: Measured, *, explain: bool = False) -> None:
    """Print what was measured in one clip, for a person."""
    from rich.console import Console

    from tracker.report import result_table

    console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
    console.print(result_table([measured]))
    if explain:
        for line in explanation(measured):
            console.print(line)
    console.print()


def explanation(measured: Measured) -> Iterator[str]:
    """What stands behind the numbers: second opinions, flags, and what was not taken for a shot."""
    from tracker.flags import FLAGS

    clock = measured.clock
    yield "\n  How it was worked out"
    yield (
        f"    {clock.capture_fps:.6g} frames a second (source: {clock.source});"
        f" the file plays {clock.stretch:.4g} times slower than life."
    )
    if measured.scale is not None:
        mm_per_px = 1000 * measured.scale.m_per_px.value
        tilt_deg = math.degrees(measured.scale.tilt_rad.value)
        yield (
            f"    One pixel is {mm_per_px:.4g} mm (source: {measured.scale.source});"
            f" the camera is tilted by {tilt_deg:.2f} degrees."
        )
    for shot in measured.shots:
        yield from _second_opinions(shot)
        for code in shot.flags:
            entry = FLAGS.get(code)
            yield f"      {code}: {entry.message} {entry.advice}" if entry else f"      {code}"
    if measured.refused:
        yield "\n  What was seen but not taken for a shot"
        for reason in measured.refused:
            yield f"    {reason}"


def _second_opinions(shot: Shot) -> Iterator[str]:
    from tracker.report.rounding import plus_minus

    fit = f"chi-square per degree of freedom {shot.chi2_per_dof:.2f}"
    yield f"    Shot {shot.shot}: {shot.sightings} sightings, {fit}"
    yield f"      gravity, if left free: {plus_minus(shot.free_g_m_s2)} m/s2 (it is 9.8 where people live)"
    if shot.ball_diameter_m is not None:
        yield f"      the ball's diameter, as seen: {plus_minus(shot.ball_diameter_m.times(1000))} mm"
    yield (
        f"      drag coefficient {plus_minus(shot.drag_coefficient)},"
        f" lift coefficient {plus_minus(shot.lift_coefficient)}"
    )
