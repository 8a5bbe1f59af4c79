"""Results on stdout: tables for people, one document for programs."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tracker.values import Failed, Measured, Shot

TITLE_INDENT = 2
NEAR_ONE = 0.005  # a stretch this near to one is a file at its true rate


def document(results: Sequence[Measured | Failed]) -> None:
    """Print the one JSON document."""
    from tracker.report import as_json

    sys.stdout.write(as_json(results).rstrip("\n") + "\n")


def tables(measured: Measured, *, explain: bool = False) -> None:
    """Print what was measured in one clip, for a person."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.text import Text

    from tracker.report import result_table

    console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
    console.print(result_table([measured]))
    if explain:
        for indent, line in explanation(measured):
            text = Text(line, "bold" if indent <= TITLE_INDENT else "")
            console.print(Padding(text, (0, 0, 0, indent), expand=False))
    console.print()


def explanation(measured: Measured) -> Iterator[tuple[int, str]]:
    """What stands behind the numbers, as lines with indents: second opinions, flags, what was refused."""
    clock = measured.clock
    yield 0, ""
    yield 2, "How it was worked out"
    slower = f"the file plays {clock.stretch:.4g} times slower than life"
    pace = "the file plays as fast as life" if abs(clock.stretch - 1) < NEAR_ONE else slower
    yield 4, f"{clock.capture_fps:.6g} frames a second (source: {clock.source}); {pace}."
    if measured.scale is not None:
        mm_per_px = 1000 * measured.scale.m_per_px.value
        tilt_deg = math.degrees(measured.scale.tilt_rad.value)
        yield 4, f"One pixel is {mm_per_px:.4g} mm (source: {measured.scale.source})."
        yield 4, f"The camera is tilted by {tilt_deg:.2f} degrees."
    for shot in measured.shots:
        yield from _second_opinions(shot)
    yield from _moved(measured)
    if measured.refused:
        yield 0, ""
        yield 2, "What was seen but not taken for a shot"
        yield from ((4, line) for line in grouped(measured.refused))


def _moved(measured: Measured) -> Iterator[tuple[int, str]]:
    """The reference alone beside the adjustment in which gravity helps."""
    from tracker.report.rounding import plus_minus

    if not measured.moved:
        return
    yield 0, ""
    yield 2, "By the reference alone, and after gravity helped"
    for m in measured.moved:
        alone, adjusted = plus_minus(m.alone.times(m.factor)), plus_minus(m.adjusted.times(m.factor))
        yield 4, f"{m.what}: {alone}, then {adjusted} {m.unit}"
    if measured.verdict:
        yield 4, measured.verdict


def grouped(refused: Sequence[str]) -> list[str]:
    """The same reason for several candidates said once: "it hardly moved: frames 1 to 9; frames 20 to 31"."""
    places: dict[str, list[str]] = {}
    for line in refused:
        place, colon, reason = line.partition(": ")
        places.setdefault(reason if colon else line, []).extend([place] if colon else [])
    return [f"{reason}: {'; '.join(where)}" if where else reason for reason, where in places.items()]


def _second_opinions(shot: Shot) -> Iterator[tuple[int, str]]:
    from tracker.flags import FLAGS
    from tracker.report.rounding import plus_minus

    fit = f"chi-square per degree of freedom {shot.chi2_per_dof:.2f}"
    yield 4, f"Shot {shot.shot}: {shot.sightings} sightings, {fit}"
    yield 6, f"gravity, if left free: {plus_minus(shot.free_g_m_s2)} m/s2 (it is 9.8 where people live)"
    if shot.ball_diameter_m is not None:
        yield 6, f"the ball's diameter, as seen: {plus_minus(shot.ball_diameter_m.times(1000))} mm"
    drag, lift = plus_minus(shot.drag_coefficient), plus_minus(shot.lift_coefficient)
    yield 6, f"drag coefficient {drag}, lift coefficient {lift}"
    for code in shot.flags:
        entry = FLAGS.get(code)
        yield 6, f"{code}: {entry.message} {entry.advice}" if entry else code
