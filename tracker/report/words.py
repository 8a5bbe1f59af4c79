"""Measured -> sentences that need no statistics to read."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tracker.flags import FLAGS, Doubt
from tracker.report.document import PER_DEGREE, PER_TURN
from tracker.report.health import checks
from tracker.report.rounding import half_width, plus_minus, rounded
from tracker.values import BudgetLine, Measured, Number, Shot

COVERAGE = "19 times out of 20"  # 95 %
MOST_OF_IT = 0.5  # share of the variance above which one line is most of the doubt
MUCH_SHARE = 0.05  # an exit speed known worse than this is called rough
LITTLE_SHARE = 0.015  # and one known better than this, good

# the first warning of this list that a clip has is the first thing to put right
GRAVEST_FIRST = (
    "clock_disagrees",
    "scale_disagrees",
    "plane_disagrees",
    "ball_disagrees",
    "yaw_suspected",
    "out_of_plane",
    "interpolated_frames",
    "uneven_frames",
    "clock_from_fall",
    "lens_unknown",
    "camera_moved",
    "few_sightings",
    "long_streaks",
    "scale_from_fall",
    "scale_from_ball",
    "film_damaged",
    "frames_missing",
)


def headline(clip: Measured) -> str:
    """One sentence about one clip."""
    shots = clip.shots
    if not shots:
        return "No shot was found in this clip."
    if len(shots) == 1:
        shot = shots[0]
        speed = give_or_take(shot.exit_speed_m_s, "m/s")
        angle = give_or_take(shot.exit_angle_rad.times(PER_DEGREE), "degrees")
        return f"One shot left at {speed}, {angle} above the horizontal."
    speeds = sorted(shots, key=lambda shot: shot.exit_speed_m_s.value)
    low, high = (_short(shot.exit_speed_m_s) for shot in (speeds[0], speeds[-1]))
    return f"{len(shots)} shots left at {low} to {high} m/s."


def give_or_take(number: Number, unit: str) -> str:
    """A number with its interval, in words."""
    half = half_width(number)
    if half is None or not math.isfinite(number.value):
        return f"{plus_minus(number)} {unit}"
    value, spread = rounded(number.value, half)
    return f"{value} {unit} (give or take {spread})"


def spin_words(shot: Shot) -> str:
    """Which way the ball turns, and how that is known."""
    if shot.spin_rad_s is None:
        return "not measured"
    source = {"marks": "by its marks", "lift": "by its lift"}.get(shot.spin_source, "")
    low, high = shot.spin_rad_s.low95, shot.spin_rad_s.high95
    if low is not None and low > 0:
        way = "backspin"
    elif high is not None and high < 0:
        way = "topspin"
    else:
        way = "may be none"
    return f"{way}, {source}" if source else way


def spin_rev_s(shot: Shot) -> Number | None:
    """Spin in turns a second."""
    return None if shot.spin_rad_s is None else shot.spin_rad_s.times(PER_TURN)


def typical_budget(shots: Sequence[Shot]) -> tuple[BudgetLine, ...]:
    """One budget for several shots, largest share of the speed first.

    Shares are root mean squares over the shots, so that their squares still add up to the mean
    square of the uncertainty; a source that a shot does not have counts as nothing in it.
    """
    lines: dict[tuple[str, str], list[BudgetLine]] = {}
    for shot in shots:
        for line in shot.budget:
            lines.setdefault((line.source, line.kind), []).append(line)
    means = [
        BudgetLine(
            source,
            _root_mean_square([line.speed_share_m_s for line in group], len(shots)),
            _root_mean_square([line.angle_share_rad for line in group], len(shots)),
            kind,
            group[0].remedy,
        )
        for (source, kind), group in lines.items()
    ]
    return tuple(sorted(means, key=lambda line: (-line.speed_share_m_s, -line.angle_share_rad, line.source)))


def wheel_words(shots: Sequence[Shot]) -> str:
    """Where the wheel's speed goes, in one sentence; empty without a wheel budget."""
    budgets = [shot.wheel_budget for shot in shots if shot.wheel_budget is not None]
    wheel = sum(budget.wheel_speed_m_s.value for budget in budgets)
    if not budgets or not wheel > 0:
        return ""
    parts = (
        sum(budget.exit_m_s.value for budget in budgets),
        sum(budget.spin_loss_m_s.value for budget in budgets),
        sum(budget.slip_m_s.value for budget in budgets),
    )
    leaving, spin, slip = (f"{100 * part / wheel:.0f} %" for part in parts)
    return f"Of the wheel's speed, about {leaving} became exit speed, {spin} spin and {slip} slip."


def trust(clip: Measured) -> str:
    """How far to trust a clip's numbers, and the best single thing to do next time."""
    if not clip.shots:
        advice = next((w.advice for w in clip.warnings if w.code == "no_shot_found"), "")
        return " ".join(
            part for part in ("There is nothing to trust yet: no shot was found.", advice) if part
        )
    failing = [check for check in checks(clip) if not check.holds]
    sentences = [_how_good(clip.shots)]
    if failing:
        doubts = _listed([check.doubt for check in failing])
        sentences.insert(0, f"Be careful with these numbers: {doubts}.")
        sentences[1] = sentences[1].replace("The exit speed is", "Leaving that aside, the exit speed is", 1)
    budget = typical_budget(clip.shots)
    if budget and budget[0].speed_share_m_s > 0:
        sentences.append(_main_doubt(budget))
    gravest = min((w for w in clip.warnings if w.code in GRAVEST_FIRST), key=_rank, default=None)
    if failing and gravest is not None:
        sentences.append(f"The first thing to put right: {_lower(gravest.advice)}")
    elif failing and any("poor_fit" in shot.flags for shot in clip.shots):
        sentences.append(f"The first thing to do: {_lower(FLAGS['poor_fit'].advice)}")
    elif budget and budget[0].remedy:
        sentences.append(f"The best single thing to do next time: {_lower(budget[0].remedy)}")
    return " ".join(_stopped(sentence) for sentence in sentences)


def _rank(warning: Doubt) -> int:
    return GRAVEST_FIRST.index(warning.code)


def _how_good(shots: Sequence[Shot]) -> str:
    known = [
        (speed, angle, value)
        for shot in shots
        if (speed := half_width(shot.exit_speed_m_s))
        and (angle := half_width(shot.exit_angle_rad))
        and (value := shot.exit_speed_m_s.value)
        and math.isfinite(value)
    ]
    if not known:
        return "The exit speed is not known to within any bounds."
    speed, angle, value = max(known, key=lambda each: each[0] / abs(each[2]))
    share = speed / abs(value)
    grade = "good" if share <= LITTLE_SHARE else "fair" if share <= MUCH_SHARE else "rough"
    others = "" if len(shots) == 1 else " That is the least certain shot; the others are no worse."
    return (
        f"The exit speed is {grade}: {COVERAGE} the true one lies within {_two(speed)} m/s "
        f"({_two(100 * share)} %) of the one given, and the angle within {_two(angle * PER_DEGREE)} degrees."
        f"{others}"
    )


def _main_doubt(budget: Sequence[BudgetLine]) -> str:
    first = budget[0]
    variance = sum(line.speed_share_m_s**2 for line in budget)
    share = first.speed_share_m_s**2 / variance
    amount = "Most" if share > MOST_OF_IT else "The largest part"
    if first.kind == "common":
        note = "it is the same in every shot filmed this way, so more shots do not make it smaller"
    else:
        note = "it differs from shot to shot, so the mean of more shots makes it smaller"
    return f"{amount} of the doubt about the speed comes from this: {first.source}; {note}."


def _two(value: float) -> str:
    return rounded(value, value)[1]


def _short(number: Number) -> str:
    return plus_minus(number).partition(" (")[0].partition(" ±")[0]


def _root_mean_square(values: Sequence[float], count: int) -> float:
    return math.sqrt(sum(value * value for value in values) / count)


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def _lower(sentence: str) -> str:
    """A sentence continued after a colon; names and abbreviations keep their capitals."""
    return sentence if sentence[1:2].isupper() else sentence[:1].lower() + sentence[1:]


def _stopped(sentence: str) -> str:
    return sentence if sentence.endswith((".", "!", "?")) else sentence + "."
