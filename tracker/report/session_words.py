"""What a session tells of itself -> sentences, the gravest first, and the numbers behind them."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.evaluation import ControlChart, Estimate, FirstShot, Recovery, Repeatability, Summary, Trend
from tracker.report.quantities import Quantity
from tracker.report.rounding import at_place, place_of, plus_minus, rounded
from tracker.report.standing import REASONS, ShotLabel, StandOut
from tracker.report.words import give_or_take
from tracker.values import Number

SELDOM = 0.05  # probability below which chance is not believed
MUCH_OF_SCATTER = 0.25  # share of the scatter from which a known cause of it is told
SAFETY = (
    "Before anybody looks at the launcher: power off, the wheel at a stop, and an adult who knows the "
    "machine present."
)
# Common practice, no source: what makes a launcher drift.
DRIFT_ADVICE = (
    "A worn or dirty wheel, collars that work loose and a battery that runs down show like this. Look at "
    "them in this order, and write down what you find with a note."
)


def session_words(
    name: str,
    quantity: Quantity,
    summary: Summary,
    labels: Sequence[ShotLabel],
    standing: Sequence[StandOut],
    *,
    left_out: int = 0,
    calibrations: int = 1,
    exit_scatter: float = 0.0,
) -> list[str]:
    """Paragraphs about one quantity over one session.

    Parameters
    ----------
    labels : sequence of ShotLabel
        Of the shots the summary is of, in order.
    left_out : int
        Shots of the session that were excluded.
    calibrations : int
        How many different set-ups they were filmed and measured in.
    exit_scatter : float
        Scatter of the exit speed, m/s, that comes only from where each shot was first seen.
    """
    said = [_headline(name, quantity, summary, left_out)]
    if summary.repeatability is None:
        said.append(
            "One shot says nothing about how alike the shots are. Film more shots at the same setting, "
            "five at least."
        )
        return said
    drifts = summary.trend is not None and summary.trend.p < SELDOM
    jumps = summary.chart is not None and bool(summary.chart.signals)
    said.append(_steadiness(drifts=drifts, jumps=jumps, apart=bool(standing), shots=summary.mean.shots))
    said += [_standing(each, quantity) for each in standing]
    if summary.trend is not None:
        said.append(_trend(summary.trend, quantity))
    if summary.first_shot is not None:
        said.append(_first_shot(summary.first_shot, quantity))
    if summary.recovery is not None:
        said += _recovery(summary.recovery, quantity)
    if summary.chart is not None and jumps:
        said.append(_signals(summary.chart, labels))
    runs = summary.chart is not None and any(signal.rule == "run" for signal in summary.chart.signals)
    if drifts or runs:
        said.append(f"{DRIFT_ADVICE} {SAFETY}")
    sd = summary.repeatability.sd.value
    if quantity.field == "exit_speed_m_s" and exit_scatter > MUCH_OF_SCATTER * sd > 0:
        said.append(
            "The shots were first seen at different places on their way, which alone makes their "
            "speeds differ by "
            f"about {_two(exit_scatter)} m/s. Say in the setup where the exit is (exit_px) and measure "
            "the clips "
            "again: then all are told at the same place."
        )
    if calibrations > 1:
        said.append(
            f"The session was filmed in {calibrations} different ways. Part of the scatter may come "
            "from that: "
            "leave the phone where it is during a session."
        )
    return said


def session_numbers(quantity: Quantity, summary: Summary) -> list[tuple[str, str]]:
    """Names and values, for a table."""
    unit = quantity.unit
    rows = [
        ("shots", str(summary.mean.shots)),
        (f"mean, {unit}", plus_minus(own(summary.mean.value))),
        (f"  of which common, {unit}", _half(summary.mean.value.u_common)),
    ]
    if summary.repeatability is not None:
        r = summary.repeatability
        rows += [
            (f"repeatability (standard deviation), {unit}", _estimate(r.sd)),
            (f"  of which measuring, {unit}", _two(r.measuring_sd)),
            (f"  left for the launcher, {unit}", _estimate(r.launcher_sd)),
        ]
        if quantity.field == "exit_speed_m_s":
            rows.append(("coefficient of variation, %", _estimate(r.cv, 100.0)))
    if summary.tolerance is not None:
        t = summary.tolerance
        low, high = (at_place(bound, place_of((t.high - t.low) / 2 or 1.0)) for bound in (t.low, t.high))
        rows.append((f"{100 * t.coverage:.0f} % of all shots lie within, {unit}", f"{low} to {high}"))
    if summary.first_shot is not None:
        rows.append((f"first shot less the others, {unit}", _estimate(summary.first_shot.effect)))
    if summary.trend is not None:
        rows.append((f"trend, {unit} a shot", f"{_estimate(summary.trend.slope)}, p = {summary.trend.p:.2g}"))
    if summary.chart is not None:
        c = summary.chart
        place = place_of((c.high - c.low) / 2 or 1.0)
        limits = " to ".join(at_place(bound, place) for bound in (c.low, c.high))
        rows.append((f"control limits, {unit}", limits + (" (trial)" if c.trial else "")))
    return rows


NUMBERS_NOTE = (
    "± and 'to' hold the true value 19 times out of 20 (Student's t and chi-square, exact for few shots; the "
    "line about all shots holds for 19 sessions out of 20). Common: the same in every shot, so more "
    "shots do not help."
)


def _headline(name: str, quantity: Quantity, summary: Summary, left_out: int) -> str:
    shots = _shots(summary.mean.shots)
    omitted = f", {left_out} left out" if left_out else ""
    mean = give_or_take(own(summary.mean.value), quantity.unit)
    repeatability = summary.repeatability
    if repeatability is None:
        return f"{quantity.noun.capitalize()} of {name}: {shots}{omitted}, {mean}."
    return (
        f"{quantity.noun.capitalize()} of {name}: {shots}{omitted}, {mean} on average. "
        f"{_scatter(repeatability, quantity)}"
    )


def _scatter(r: Repeatability, quantity: Quantity) -> str:
    share = f", {_two(100 * r.cv.value)} % of the mean" if quantity.field == "exit_speed_m_s" else ""
    if r.sd.value == 0:
        return "All shots are equal to the last digit, which no launcher does: look where they come from."
    sd = (
        f"From shot to shot it differs by about {_two(r.sd.value)} {quantity.unit}{share} (one standard "
        f"deviation; with {_shots(r.shots)} the true one is anywhere from {_range(r.sd)})."
    )
    if r.launcher_sd.value == 0:
        return f"{sd} Measuring alone explains as much: the launcher may be steadier than can be seen."
    if r.measuring_sd > r.launcher_sd.value:
        return f"{sd} More than half of that is measuring, not the launcher."
    return sd


def _steadiness(*, drifts: bool, jumps: bool, apart: bool, shots: int) -> str:
    if drifts or jumps or apart:
        seen = [
            "it drifts" if drifts else "",
            "not all shots belong together" if jumps or apart else "",
        ]
        return f"The launcher did not do one steady thing: {' and '.join(s for s in seen if s)}."
    few = " With so few shots only a coarse change would show." if shots < 8 else ""
    return f"Nothing speaks against one steady launcher: no drift, no jump, no shot that stands out.{few}"


def _standing(each: StandOut, quantity: Quantity) -> str:
    word = quantity.more if each.away > 0 else quantity.less
    size = f"{_two(abs(each.away))} {quantity.unit}"
    head = f"Shot {each.label} stands out: {size} {word} than the middle of the others."
    if not each.reasons:
        return (
            f"{head} Nothing speaks against its measurement, so it was really different: the ball, how "
            "it was "
            "loaded, or the launcher."
        )
    why = " and ".join(REASONS[reason] for reason in each.reasons)
    return (
        f"{head} It may be the measuring: {why}. Look at its pictures; if it is not a fair shot, leave "
        "it out "
        "with a reason."
    )


def _trend(t: Trend, quantity: Quantity) -> str:
    if t.p >= SELDOM:
        return f"Over the session no trend is seen (chance alone does as much in {_odds(t.p)})."
    way = "rose" if t.slope.value > 0 else "fell"
    return (
        f"Over the session the {quantity.noun} {way} by about {_two(abs(t.slope.value))} "
        f"{quantity.unit} from each shot "
        f"to the next; chance alone does that in {_odds(t.p)}."
    )


def _first_shot(f: FirstShot, quantity: Quantity) -> str:
    if f.p >= SELDOM:
        return "The first shot is like the others, as far as can be told."
    word = quantity.more if f.effect.value > 0 else quantity.less
    return (
        f"The first shot was {_two(abs(f.effect.value))} {quantity.unit} {word} than those that followed; "
        f"chance alone does that in {_odds(f.p)}. One session cannot tell whether first shots always do."
    )


def _recovery(r: Recovery, quantity: Quantity) -> list[str]:
    if r.wait_s is None or r.drop is None:
        return []
    high = r.wait_s.high95
    longest = "" if high is None else f", at most {_two(high)} s"
    missing = f"Straight after a shot about {_two(r.drop)} {quantity.unit} is missing."
    return [f"{missing} Wait {_two(r.wait_s.value)} s{longest}, and the launcher has recovered."]


def _signals(c: ControlChart, labels: Sequence[ShotLabel]) -> str:
    parts = []
    for rule, words in (
        ("beyond_limit", "outside the limits"),
        ("moving_range", "a jump from the shot before"),
        ("run", "eight in a row on one side"),
    ):
        where = [f"no. {labels[s.shot].number}" for s in c.signals if s.rule == rule]
        if where:
            parts.append(f"{words} at {', '.join(where)}")
    chance = (
        f"a steady launcher shows such a sign in {100 * c.false_alarm:.0f} of 100 sessions of this length"
    )
    trial = "; with fewer than 20 shots the limits are only a first trial" if c.trial else ""
    return f"The control chart shows {'; '.join(parts)} ({chance}{trial})."


def _odds(p: float) -> str:
    """A probability as a person counts it."""
    if p < 0.001:
        return "less than 1 of 1000 sessions"
    if p < 0.01:
        return f"{1000 * p:.0f} of 1000 sessions"
    return f"{100 * p:.0f} of 100 sessions"


def own(mean: Number) -> Number:
    """The mean of a session; a single shot, which bounds no mean, with its own interval."""
    if mean.low95 is not None or mean.high95 is not None:
        return mean
    return Number.of(mean.value, mean.u_random, mean.u_common)


def _shots(n: int) -> str:
    return "1 shot" if n == 1 else f"{n} shots"


def _two(value: float) -> str:
    return rounded(value, abs(value))[1] if value else "0"


def _half(u: float) -> str:
    return f"± {_two(1.96 * u)}" if u else "0"


def _range(e: Estimate) -> str:
    """The interval alone."""
    if e.low95 is None or e.high95 is None:
        return "no bounds"
    if e.high95 == e.low95:
        return f"{e.low95:.4g} to {e.high95:.4g}"
    place = place_of(abs(e.high95 - e.low95) / 2)
    return f"{at_place(e.low95, place)} to {at_place(e.high95, place)}"


def _estimate(e: Estimate, factor: float = 1.0) -> str:
    """An estimate and its interval, to the place that half of its width gives."""
    number = Number(e.value, 0.0, 0.0, e.low95, e.high95).times(factor)
    text = plus_minus(number)
    if "±" in text or number.low95 is None or number.high95 is None or number.low95 == number.high95:
        return text
    place = place_of((number.high95 - number.low95) / 2)
    low, value, high = (at_place(each, place) for each in (number.low95, number.value, number.high95))
    return f"{value} ({low} to {high})"
