"""Verdicts on a change, on a launcher before a match, on a design -> sentences, and the one document."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence

from tracker.evaluation import Comparison, Estimate, Recheck
from tracker.report.document import number_document, real
from tracker.report.quantities import QUANTITIES, Quantity
from tracker.report.rounding import plus_minus, rounded
from tracker.report.session_words import SAFETY, own
from tracker.report.words import give_or_take
from tracker.values import DesignCheck, Number, WheelBudget

SPREAD_EVEN = 1.0
LEAST_CARRIED_M = 0.01  # what shots are carried by less is not worth a sentence
LITTLE = 0.1  # share of the uncertainty of a difference below which nothing is said


def comparison_json(
    quantity: Quantity, result: Comparison, shots: tuple[int, int], sds: tuple[float | None, float | None]
) -> str:
    """The one document about a change; only what JSON can hold, ASCII only.

    Parameters
    ----------
    shots, sds : pairs
        Numbers of shots and standard deviations before and after; None after a single shot.
    """
    sides = [
        {"n": n, "mean": real(mean.value), "sd": real(sd)}
        for n, mean, sd in zip(shots, (result.before, result.after), sds, strict=True)
    ]
    return json.dumps(
        {
            "quantity": quantity.key,
            "before": sides[0],
            "after": sides[1],
            "difference": number_document(result.difference.number),
            "spread_ratio": number_document(_ratio(result, shots)),
            "shared_calibration": bool(result.difference.shared_calibration),
            "expected": real(result.expected),
            "within": real(result.within),
            "verdict": result.verdict,
            "shots_needed": result.shots_needed,
        },
        allow_nan=False,
        ensure_ascii=True,
        indent=1,
    )


def _ratio(result: Comparison, shots: tuple[int, int]) -> Number | None:
    """Ratio of the spreads; to first order its relative variance is 1/(2 dof) for each spread.

    Source: JCGM 100:2008, E.4.3.
    """
    if result.spread is None:
        return None
    ratio = result.spread.ratio
    share = math.sqrt(sum(1 / (2 * (n - 1)) for n in shots))
    return Number(ratio.value, ratio.value * share, 0.0, ratio.low95, ratio.high95)


# -- a change -----------------------------------------------------------------------------------


def comparison_words(
    before: str,
    after: str,
    quantity: Quantity,
    result: Comparison,
    *,
    modelled: Number | None = None,
    from_model: bool = False,
    carried_m: float = 0.0,
) -> list[str]:
    """Paragraphs about what a change did: verdict, difference, spread, calibration.

    Parameters
    ----------
    modelled : Number or None
        The change that the launcher model expects from the two settings.
    from_model : bool
        Whether that was taken for the expected change.
    carried_m : float
        How far the shots of the second session were carried along their path to be told where those of the
        first are.
    """
    said = [_verdict(quantity, result), _difference(before, after, quantity, result)]
    if result.spread is not None:
        said.append(_spread(result.spread.ratio))
    said.append(_calibration(result, quantity))
    if abs(carried_m) >= LEAST_CARRIED_M:
        said.append(
            f"The balls of {after} were first seen free {_two(100 * abs(carried_m))} cm "
            f"{'further on' if carried_m < 0 else 'sooner'} than those of {before}; their "
            f"{quantity.noun} is told where those of {before} were first seen."
        )
    if modelled is not None:
        size = f"{_signed(modelled.value, modelled.u)} {quantity.unit}"
        expects = f"From {before} to {after} the launcher model expects {size}"
        grip = " with the grip of the first session" if quantity.field != "exit_angle_rad" else ""
        said.append(
            f"{expects}{grip}. That was taken as the expected change."
            if from_model
            else f"{expects}{grip}; --expect model judges the change against that."
        )
    return said


def _verdict(quantity: Quantity, r: Comparison) -> str:
    unit = quantity.unit
    hide = (
        ""
        if r.could_hide is None
        else f" A change of up to {_two(r.could_hide)} {unit} could still be hiding."
    )
    if r.expected is None or r.within is None:
        return {
            "changed": f"The {quantity.noun} changed.",
            "no_change_seen": f"No change of the {quantity.noun} was seen.{hide}",
            "too_few_shots": f"Too few shots to tell whether the {quantity.noun} changed.{hide}{_needed(r)}",
        }[r.verdict]
    goal = f"{_plain_signed(r.expected)} ± {r.within:.6g} {unit}"
    return {
        "as_designed": f"As designed: the {quantity.noun} changed by what was expected, {goal}.",
        "changed_not_as_designed": (
            f"Changed, but not as designed: the {quantity.noun} did change, but not by the expected "
            f"{goal}. {SAFETY}"
        ),
        "no_change_seen": f"No change seen: the expected {goal} did not happen.{hide}",
        "too_few_shots": f"Too few shots for a verdict on the expected {goal}.{hide}{_needed(r)}",
    }[r.verdict]


def _needed(r: Comparison) -> str:
    if r.advice == "share_calibration":
        return (
            " More shots alone will not do: what is not known about the scale is too large. Film both "
            "sessions "
            "without moving the phone, and measure them with the same setup file."
        )
    if r.advice == "on_the_edge":
        return (
            " The change lies near an edge of what was allowed, where no number of shots decides quickly. "
            "Film twice as many, or allow more."
        )
    if r.shots_needed is not None:
        return f" {r.shots_needed} shots in each session would do, four times out of five."
    return " Film more shots in both sessions, five at least."


def _difference(before: str, after: str, quantity: Quantity, r: Comparison) -> str:
    change = r.difference.number
    word = quantity.more if change.value > 0 else quantity.less
    unit = quantity.unit
    ends = f"{before}: {give_or_take(own(r.before), unit)}; {after}: {give_or_take(own(r.after), unit)}."
    if change.low95 is None or change.high95 is None:
        return (
            f"{ends} The difference is {_two(abs(change.value))} {unit} {word}; one shot cannot say "
            "how sure that is."
        )
    half_width = (change.high95 - change.low95) / 2
    size, half = rounded(abs(change.value), half_width) if half_width else (f"{abs(change.value):.4g}", "0")
    return f"{ends} The shots of {after} are {size} {unit} {word}, give or take {half} (19 times out of 20)."


def _spread(ratio: Estimate) -> str:
    low, high, value = ratio.low95, ratio.high95, ratio.value
    if low is None or high is None:
        return "Whether the shots became more alike cannot be told: the shots before are all equal."
    numbers = f"the scatter is {_times(value)} times what it was, {_times(low)} to {_times(high)}"
    if high < SPREAD_EVEN:
        return f"The shots became more alike: {numbers}."
    if low > SPREAD_EVEN:
        return f"The shots became less alike: {numbers}."
    return f"Whether the shots became more or less alike cannot be told: {numbers}."


def _calibration(r: Comparison, quantity: Quantity) -> str:
    if r.difference.shared_calibration:
        left = r.difference.common_left
        much = left > LITTLE * r.difference.number.u
        rest = f" (what is left of it is ± {_two(1.96 * left)} {quantity.unit}, not counted)" if much else ""
        return (
            "Both sessions share one calibration, so its errors cancel in the difference"
            f"{rest}. That holds if the phone stood still in between."
        )
    return (
        "The two sessions do not share a calibration, so the errors of both are counted in the difference "
        f"(± {_two(1.96 * r.difference.number.u_common)} {quantity.unit}). Leave the phone where it is "
        "and use the same "
        "reference points, and they cancel."
    )


# -- before a match -----------------------------------------------------------------------------


def recheck_words(baseline: str, quantity: Quantity, r: Recheck, shots: int) -> str:
    """One sentence: whether the launcher is still itself."""
    unit, n = quantity.unit, "shot" if shots == 1 else f"{shots} shots"
    change = r.difference
    size = f"{_two(abs(change.value))} {unit} {quantity.more if change.value > 0 else quantity.less}"
    if r.verdict == "moved":
        return (
            f"The launcher is not itself: the {n} are {size} than {baseline}, which chance hardly "
            "does; find out why before the match."
        )
    if r.verdict == "scattered":
        return (
            f"The launcher is not itself: the {n} scatter {_times(r.spread_ratio or 0.0)} times as much as "
            f"{baseline}, which chance "
            "hardly does; find out why before the match."
        )
    if r.verdict == "itself":
        return (
            f"The launcher is still itself: the {n} are {size} than {baseline}, and no shift of more "
            f"than {_two(r.could_hide)} "
            f"{unit} can be hiding, where {_two(r.within)} would matter."
        )
    return (
        f"Nothing looks wrong, but the {n} are too few to be sure: a shift of {_two(r.could_hide)} "
        f"{unit} from {baseline} "
        f"could be hiding, where {_two(r.within)} would matter; fire more shots or leave the phone as "
        "it stood then."
    )


# -- how many shots -----------------------------------------------------------------------------


def shots_words(
    change: float,
    sd: float,
    needed: int,
    quantity: Quantity,
    source: str,
    *,
    at_worst: tuple[float, int] | None = None,
) -> str:
    """How many shots a change takes to be seen.

    Parameters
    ----------
    source : str
        Where the scatter ``sd`` comes from.
    at_worst : pair or None
        The largest scatter that is still possible, and the shots it would take.
    """
    unit = quantity.unit
    words = (
        f"To see a change of {change:.4g} {unit} you need {needed} shots before and {needed} after, if from "
        f"shot to shot the {quantity.noun} differs by {_two(sd)} {unit} ({source}). Then such a change "
        "is seen "
        "four times out of five, and one that is not there is seen once in twenty. Film both without moving "
        "the phone."
    )
    if at_worst is not None and at_worst[1] > needed:
        words += (
            f" That scatter is not known exactly: it may be as large as {_two(at_worst[0])} {unit}, and then "
            f"{at_worst[1]} shots are needed each time."
        )
    return words


# -- a design -----------------------------------------------------------------------------------


def design_words(
    setting: str,
    means: dict[str, Number],
    checks: dict[str, DesignCheck],
    budget: WheelBudget | None,
    shots: int,
    *,
    grip: Number | None = None,
) -> list[str]:
    """Sentences about the shots that were fired at one setting; values in SI.

    Parameters
    ----------
    setting : str
        What the launcher was set to, in words; may be empty.
    grip : Number or None
        The grip that was learnt for what the setting should give.
    """
    count = "1 shot" if shots == 1 else f"{shots} shots"
    said = [f"{count} at {setting}." if setting else f"{count}."]
    if grip is not None:
        said.append(
            f"Your launcher gives {plus_minus(grip.times(100.0))} % of the exit speed that a ball "
            "without slip "
            "would have; designed values from the setting hold that."
        )
    for quantity in QUANTITIES.values():
        check, measured = checks.get(quantity.field), means.get(quantity.field)
        if check is not None and measured is not None:
            said.append(_design(quantity, check, measured))
    if budget is not None:
        said.append(_wheel(budget))
    return said


def _design(quantity: Quantity, check: DesignCheck, measured: Number) -> str:
    unit, f = quantity.unit, quantity.factor
    difference = check.difference.times(f)
    verdict = {
        "within": "as designed, within the tolerance",
        "outside": "not as designed, outside the tolerance",
        "undecided": "undecided, because what is not known is as large as the tolerance",
    }[check.verdict]
    return (
        f"The {quantity.noun} is {verdict}: designed {check.designed * f:.4g} {unit}, measured "
        f"{give_or_take(measured.times(f), unit)}; the difference is {plus_minus(difference)}."
    )


def _wheel(b: WheelBudget) -> str:
    parts = [
        f"{plus_minus(n)} m/s {what}"
        for n, what in ((b.exit_m_s, "exit speed"), (b.spin_loss_m_s, "spin"), (b.slip_m_s, "slip"))
    ]
    return f"Of the wheel's {plus_minus(b.wheel_speed_m_s)} m/s, {parts[0]}, {parts[1]} and {parts[2]}."


def doubts_words(clips: Mapping[str, Sequence[str]]) -> str:
    """One sentence and one piece of advice about clips whose calibration is in doubt; empty without."""
    if not clips:
        return ""
    named = "; ".join(f"{clip}: {', '.join(codes)}" for clip, codes in clips.items())
    return (
        f"Some shots were measured with a doubtful calibration ({named}). Measure these clips again after "
        "putting right what their warnings say; nothing was left out."
    )


def _two(value: float) -> str:
    return rounded(value, abs(value))[1] if value else "0"


def _times(ratio: float) -> str:
    """A ratio with two digits, also where the last of them is a zero."""
    return f"{ratio:#.2g}".rstrip(".")


def _signed(value: float, u: float) -> str:
    text = rounded(value, 1.96 * u)[0] if u > 0 else f"{value:.4g}"
    return text if text.startswith("-") else f"+{text}"


def _plain_signed(value: float) -> str:
    return f"{value:+.6g}"
