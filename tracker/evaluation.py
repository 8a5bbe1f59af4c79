"""What is found out about sessions: frozen values, in whatever one unit the shots are in."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.values import Floats
from tracker.values import Number


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its 95 % interval; None is unbounded."""

    value: float
    low95: float | None
    high95: float | None


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of a session; its bounds are open after a single shot."""

    value: Number
    shots: int
    dof: float


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Shot-to-shot standard deviation.

    Parameters
    ----------
    sd : Estimate
        Of what was measured.
    measuring_sd : float
        Root mean square of the shots' own random uncertainties, held to be known.
    launcher_sd : Estimate
        What is left for the launcher, the ball and the loading.
    cv : Estimate
        Coefficient of variation, a share; its upper bound is open where the mean may be zero.
    """

    sd: Estimate
    measuring_sd: float
    launcher_sd: Estimate
    cv: Estimate
    shots: int


@dataclass(frozen=True, slots=True)
class Signal:
    """A shot (from 0) at which the chart says that something changed.

    ``rule`` is "beyond_limit", "moving_range" or "run".
    """

    shot: int
    rule: str


@dataclass(frozen=True, slots=True)
class ControlChart:
    """Limits and signals of a session.

    Parameters
    ----------
    centre, low, high : float
        Mean and three-sigma limits, sigma from the mean moving range.
    moving_range : (n - 1,) array
    range_centre, range_high : float
        Mean moving range and its upper limit.
    signals : tuple of Signal
    trial : bool
        Whether the limits come from fewer than 20 shots.
    false_alarm : float
        Share of steady sessions of this length that show a signal nevertheless.
    """

    centre: float
    low: float
    high: float
    moving_range: Floats
    range_centre: float
    range_high: float
    signals: tuple[Signal, ...]
    trial: bool
    false_alarm: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Whether a quantity rises or falls with another.

    Parameters
    ----------
    slope : Estimate
        Median slope, in units of the quantity per unit of what it was set against (a shot or a second).
    s : int
        Kendall's S: pairs that rise less pairs that fall.
    p : float
        Two-sided probability of such an S without any trend.
    method : str
        "exact", or "normal" where ties on both sides or the number of shots leave only the approximation.
    """

    slope: Estimate
    s: int
    p: float
    method: str


@dataclass(frozen=True, slots=True)
class Outliers:
    """Shots (from 0) that stand apart, most extreme first, and how far each shot is from the median.

    Parameters
    ----------
    shots : tuple of int
    median, mad : float
        Median and median absolute deviation.
    robust_score : (n,) array
        Distance from the median in robust standard deviations; 0 where they are 0.
    sought : int
        The largest number of outliers that could have been found.
    """

    shots: tuple[int, ...]
    median: float
    mad: float
    robust_score: Floats
    sought: int


@dataclass(frozen=True, slots=True)
class FirstShot:
    """First shot less the mean of those that follow it, over one or more runs."""

    effect: Estimate
    p: float
    dof: int
    runs: int


@dataclass(frozen=True, slots=True)
class Recovery:
    """How a quantity depends on the time since the previous shot.

    Parameters
    ----------
    trend : Trend
        Against the waiting time; slope per second.
    wait_s : Estimate or None
        Waiting time after which what is still missing is no more than one shot-to-shot standard
        deviation; None where the shots do not show that waiting helps.
    drop : float or None
        What is missing straight after a shot, in units of the quantity.
    """

    trend: Trend
    wait_s: Estimate | None
    drop: float | None
    shots: int


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """With ``confidence`` at least ``coverage`` of all shots measure between ``low`` and ``high``.

    ``u_common`` shifts both bounds together and is not in them.
    """

    low: float
    high: float
    k: float
    coverage: float
    confidence: float
    u_common: float


@dataclass(frozen=True, slots=True)
class SpreadRatio:
    """Standard deviation after over that before.

    Parameters
    ----------
    ratio : Estimate
        With its F interval, exact for normal scatter and sensitive to anything else.
    p_f : float
        Two-sided probability of such a ratio between equal spreads, F test.
    p_brown_forsythe : float or None
        The same by a test that does not need normal scatter; it is cautious with few shots. None
        where a session has fewer than three shots, or nothing scatters.
    """

    ratio: Estimate
    p_f: float
    p_brown_forsythe: float | None


@dataclass(frozen=True, slots=True)
class Summary:
    """One quantity over one session; None is what too few shots cannot say."""

    mean: Mean
    repeatability: Repeatability | None
    chart: ControlChart | None
    trend: Trend | None
    outliers: Outliers | None
    first_shot: FirstShot | None
    recovery: Recovery | None
    tolerance: ToleranceInterval | None


@dataclass(frozen=True, slots=True)
class Difference:
    """After less before, with the bounds that decide.

    ``number`` holds the 95 % interval, ``low90, high90`` the 90 % one; all are open where a session has
    only one shot. ``common_left`` is the part of a shared calibration's error that does not cancel, because
    it grows with the quantity (|u_common after - u_common before|); it is told and not added.
    """

    number: Number
    low90: float | None
    high90: float | None
    dof: float
    shared_calibration: bool
    common_left: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a change did.

    Parameters
    ----------
    before, after : Number
        Means.
    difference : Difference
    expected, within : float or None
        The change that was designed, and its tolerance.
    verdict : str
        With an expected change "as_designed", "changed_not_as_designed", "no_change_seen" or
        "too_few_shots". Without one "changed", "no_change_seen" or "too_few_shots".
    could_hide : float or None
        Size of the largest change that the 95 % interval leaves possible, where that interval contains 0.
    shots_needed : int or None
        With "too_few_shots": shots in each session that give the verdict, with a chance of 80 %, to a
        change that is as expected.
    advice : str or None
        With "too_few_shots": "more_shots"; "share_calibration" where the common part alone forbids a verdict;
        "on_the_edge" where the shots should have been enough, so that the change lies near an edge of its
        tolerance. Else None.
    spread : SpreadRatio or None
        None where a session has only one shot.
    """

    before: Number
    after: Number
    difference: Difference
    expected: float | None
    within: float | None
    verdict: str
    could_hide: float | None
    shots_needed: int | None
    advice: str | None
    spread: SpreadRatio | None


@dataclass(frozen=True, slots=True)
class Recheck:
    """The few shots beside the record.

    Parameters
    ----------
    difference : Number
        Mean of the few shots less that of the record, with its 95 % interval.
    within : float
        The largest shift that would not matter.
    p_mean, p_spread : float
        Probability of such a shift, and of so large a scatter, from the launcher of the record; the
        second is 1 with a single shot.
    spread_ratio : float or None
        Standard deviation of the few over that of the record.
    verdict : str
        "moved", "scattered", "itself", or "too_few_shots" where nothing is wrong but a shift beyond
        ``within`` could hide.
    could_hide : float
        Size of the largest shift that the interval leaves possible.
    """

    difference: Number
    within: float
    p_mean: float
    p_spread: float
    spread_ratio: float | None
    verdict: str
    could_hide: float
