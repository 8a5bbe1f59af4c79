"""Measured and Failed -> what the terminal shows, with or without colour.

Health stands before numbers and numbers before their explanation. Nothing is framed, and only
characters that every code page of a western terminal has are used.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from tracker.flags import FLAGS
from tracker.report import words
from tracker.report.document import DESIGN_KEYS, PER_DEGREE
from tracker.report.health import checks
from tracker.report.rounding import at_place, place_of, plus_minus
from tracker.values import BudgetLine, Failed, Measured, Number, Shot

INDENT = 2
HEAD = "bold"
GOOD = "green"
BAD = "bold red"
DIM = "dim"
DESIGN_NAMES = {
    "exit_speed_m_s": ("exit speed", "m/s"),
    "exit_angle_rad": ("exit angle", "deg"),
    "spin_rad_s": ("spin", "rev/s"),
}


def result_table(results: Sequence[Measured | Failed]) -> RenderableType:
    """Everything about every clip, for a rich console of any width."""
    parts: list[RenderableType] = []
    for index, clip in enumerate(results):
        if index:
            parts.append(Text())
        parts.extend(_failed(clip) if isinstance(clip, Failed) else _measured(clip))
    return _Page(Group(*parts))


def result_text(results: Sequence[Measured | Failed], width: int = 80) -> str:
    """The same as plain text."""
    console = Console(file=io.StringIO(), width=width, color_system=None, legacy_windows=False)
    with console.capture() as captured:
        console.print(result_table(results))
    return captured.get()


@dataclass(frozen=True, slots=True)
class _Page:
    """A renderable whose lines do not end in spaces, for pipes and for copying."""

    body: RenderableType

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for line in console.render_lines(self.body, options, pad=False):
            while line and not line[-1].text.rstrip():
                line.pop()
            if line:
                line[-1] = Segment(line[-1].text.rstrip(), line[-1].style)
            yield from line
            yield Segment.line()


def _failed(clip: Failed) -> list[RenderableType]:
    lines = Table.grid(padding=(0, 2))
    lines.add_row(Text("not measured", BAD), Text(clip.message))
    lines.add_row("", Text(clip.advice))
    return [Text(clip.clip, HEAD), _indented(lines)]


def _measured(clip: Measured) -> list[RenderableType]:
    parts: list[RenderableType] = [Text(clip.clip, HEAD), _indented(Text(words.headline(clip)))]
    if clip.shots:
        parts += _section("Can this be believed?", _health(clip))
    if clip.warnings:
        parts += _section("Warnings", _warnings(clip))
    if clip.shots:
        parts += _section("Each shot", _shots(clip.shots), _NOTE_INTERVAL)
        parts.extend(_indented(line, 2) for line in _flags(clip.shots))
    designed = any(shot.design for shot in clip.shots)
    driven = any(shot.wheel_budget for shot in clip.shots)
    if designed:
        parts += _section("Designed against measured", _design(clip.shots), _NOTE_DESIGN)
    if driven:
        body = Group(Text(words.wheel_words(clip.shots)), _wheel(clip.shots))
        parts += _section("Where the wheel's speed goes", body, _NOTE_WHEEL)
    if designed or driven:
        parts += [Text(), _indented(Text(_SAFETY))]
    budget = words.typical_budget(clip.shots)
    if budget:
        title = "What makes the numbers uncertain, largest first"
        parts += _section(title, _budget(budget), _NOTE_BUDGET + (_NOTE_MEAN if len(clip.shots) > 1 else ""))
    return parts + _section("How far to trust this", Text(clip.trust or words.trust(clip)))


_NOTE_INTERVAL = "± and 'to' hold the true value 19 times out of 20."
_NOTE_WHEEL = "m/s; exit + spin loss + slip = wheel. Slip at the backing stands beside the sum."
_NOTE_DESIGN = "Undecided: the uncertainty is too large to tell."
_SAFETY = (
    "Before changing anything on the launcher: power off, the wheel at a stop, and an adult who knows "
    "the machine present."
)
_NOTE_BUDGET = (
    "One standard uncertainty each; their squares add up. Common: the same in every shot, so more "
    "shots do not help. Random: differs from shot to shot."
)
_NOTE_MEAN = " Over the shots, as root mean squares."


def _section(title: str, body: RenderableType, note: str = "") -> list[RenderableType]:
    parts: list[RenderableType] = [Text(), _indented(Text(title, HEAD)), _indented(body, 2)]
    if note:
        parts.append(_indented(Text(note, DIM), 2))
    return parts


def _indented(body: RenderableType, steps: int = 1) -> Padding:
    return Padding(body, (0, 0, 0, INDENT * steps))


def _columns(*names: str, left: int = 1) -> Table:
    """A table without lines; the first ``left`` columns are words, the others numbers."""
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style=DIM)
    for index, name in enumerate(names):
        table.add_column(Text(name), justify="left" if index < left else "right", overflow="fold")
    return table


def _health(clip: Measured) -> Table:
    lines = Table.grid(padding=(0, 2, 0, 0))
    for check in checks(clip):
        mark = Text("yes", GOOD) if check.holds else Text("NO", BAD)
        lines.add_row(mark, Text(check.claim), Text(check.detail, DIM))
    return lines


def _warnings(clip: Measured) -> Group:
    parts: list[RenderableType] = []
    for warning in clip.warnings:
        parts.append(Text(warning.message))
        parts.append(_indented(Text(f"-> {warning.advice}", DIM)))
    return Group(*parts)


def _shots(shots: Sequence[Shot]) -> Table:
    table = _columns("shot", "speed, m/s", "angle, deg", "spin, rev/s", "", left=1)
    for column in table.columns[1:]:
        column.justify = "left"
    for shot in shots:
        table.add_row(
            Text(str(shot.shot)),
            Text(plus_minus(shot.exit_speed_m_s)),
            Text(plus_minus(shot.exit_angle_rad.times(PER_DEGREE))),
            Text(plus_minus(words.spin_rev_s(shot))),
            Text(words.spin_words(shot) if shot.spin_rad_s is not None else "", DIM),
        )
    return table


def _flags(shots: Sequence[Shot]) -> list[RenderableType]:
    """What is particular about single shots; a code nobody registered is shown as it is."""
    lines: list[RenderableType] = []
    for code in dict.fromkeys(code for shot in shots for code in shot.flags):
        having = [str(shot.shot) for shot in shots if code in shot.flags]
        whose = "every shot" if len(having) == len(shots) > 1 else f"shot {', '.join(having)}"
        entry = FLAGS.get(code)
        if entry is None:
            lines.append(Text(f"{whose}: {code}"))
            continue
        advice = "" if entry.advice.startswith("Nothing to do.") else f" {entry.advice}"
        lines.append(Text.assemble(f"{whose}: {entry.message}", (advice, DIM)))
    return lines


def _design(shots: Sequence[Shot]) -> Table:
    table = _columns("shot", "quantity", "designed", "measured", "difference", "verdict", left=2)
    table.columns[5].justify = "left"
    for shot in shots:
        for key, (_, factor) in DESIGN_KEYS.items():
            check = (shot.design or {}).get(key)
            if check is None:
                continue
            name, unit = DESIGN_NAMES[key]
            measured = {
                "exit_speed_m_s": shot.exit_speed_m_s,
                "exit_angle_rad": shot.exit_angle_rad,
                "spin_rad_s": shot.spin_rad_s,
            }[key]
            table.add_row(
                Text(str(shot.shot)),
                Text(f"{name}, {unit}"),
                Text(f"{check.designed * factor:.6g}"),
                Text(_value(measured, factor)),
                Text(plus_minus(check.difference.times(factor))),
                Text(check.verdict, {"within": GOOD, "outside": BAD}.get(check.verdict, "")),
            )
    return table


def _value(number: Number | None, factor: float) -> str:
    """The value alone, to the place its interval allows."""
    return plus_minus(number if number is None else number.times(factor)).partition(" ")[0]


def _wheel(shots: Sequence[Shot]) -> Table:
    table = _columns("shot", "exit", "spin loss", "slip", "wheel", "spin loss, %", "backing")
    for shot in shots:
        budget = shot.wheel_budget
        if budget is None:
            continue
        numbers = (
            budget.spin_loss_m_s,
            budget.slip_m_s,
            budget.wheel_speed_m_s,
            budget.spin_loss_share.times(100.0),
            budget.backing_slip_m_s,
        )
        # The interval of the exit speed stands in the table of the shots.
        exit_speed = _value(budget.exit_m_s, 1.0)
        table.add_row(Text(str(shot.shot)), Text(exit_speed), *(Text(plus_minus(each)) for each in numbers))
    return table


def _budget(budget: Sequence[BudgetLine]) -> Table:
    table = _columns("source", "kind", "speed, m/s", "angle, deg", "what makes it smaller", left=2)
    table.columns[4].justify = "left"
    speeds = _aligned([line.speed_share_m_s for line in budget])
    angles = _aligned([line.angle_share_rad * PER_DEGREE for line in budget])
    for line, speed, angle in zip(budget, speeds, angles, strict=True):
        table.add_row(Text(line.source), Text(line.kind), Text(speed), Text(angle), Text(line.remedy))
    return table


def _aligned(shares: Sequence[float]) -> list[str]:
    """Shares to the place that gives the largest two digits."""
    largest = max(shares, default=0.0)
    if largest <= 0:
        return ["0" for _ in shares]
    return [at_place(share, place_of(largest)) for share in shares]
