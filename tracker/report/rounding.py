"""Value and uncertainty -> digits for people; machines get them unrounded.

Rule: two significant digits of the uncertainty, and the value to the same place (JCGM 100:2008,
7.2.6). Ties go to the even digit (ISO 80000-1:2009, B.3, rule A).
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal, localcontext

from tracker.values import Number

DIGITS = 2
NOT_KNOWN = "not known"
_LIKE_SHARE = 0.1  # bounds whose distances differ by less are written as one
_PRECISION = 700  # holds the largest float to the place of the smallest


def place_of(uncertainty: float) -> int:
    """Power of ten of the last of the two digits an uncertainty is rounded to.

    Raises
    ------
    ValueError
        If the uncertainty is not a positive, finite number.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        raise ValueError("an uncertainty to round by has to be positive and finite")
    exact = Decimal(repr(uncertainty))
    place = exact.adjusted() - DIGITS + 1
    # 0.0996 rounds to 0.10, not to 0.100: rounding may add a digit in front.
    return place if _quantized(exact, place).adjusted() - place < DIGITS else place + 1


def at_place(value: float, place: int) -> str:
    """Write a number down to one power of ten; never as minus zero."""
    if not math.isfinite(value):
        return NOT_KNOWN
    text = format(_quantized(Decimal(repr(float(value))), place), "f")
    return text.removeprefix("-") if not text.strip("-0.") else text


def rounded(value: float, uncertainty: float) -> tuple[str, str]:
    """Value and uncertainty as texts, to the same place."""
    place = place_of(uncertainty)
    return at_place(value, place), at_place(uncertainty, place)


def plus_minus(number: Number | None) -> str:
    """A number with its 95 % coverage interval.

    "7.213 ± 0.083" where the interval lies evenly about the value, else "3.1 (1.2 to 7.9)", or
    "3.1 (at least 1.2)" where it has no end.
    """
    if number is None or not math.isfinite(number.value):
        return NOT_KNOWN
    value = number.value
    down = _distance(value, number.low95)
    up = _distance(value, number.high95)
    if down is not None and up is not None and abs(up - down) <= _LIKE_SHARE * max(up, down):
        if max(up, down) == 0.0:
            return f"{value:.6g}"
        return " ± ".join(rounded(value, max(up, down)))
    spans = [span for span in (down, up) if span]
    if not spans:
        return f"{value:.3g} (no bounds)"
    place = place_of(min(spans))
    low = None if down is None else at_place(value - down, place)
    high = None if up is None else at_place(value + up, place)
    if low is None:
        bounds = f"at most {high}"
    elif high is None:
        bounds = f"at least {low}"
    else:
        bounds = f"{low} to {high}"
    return f"{at_place(value, place)} ({bounds})"


def half_width(number: Number) -> float | None:
    """Half of the 95 % coverage interval; None where it has no end."""
    if number.low95 is None or number.high95 is None:
        return None
    half = 0.5 * (number.high95 - number.low95)
    return half if math.isfinite(half) and half > 0 else None


def _distance(value: float, bound: float | None) -> float | None:
    """How far a bound is away; None where there is none."""
    if bound is None or not math.isfinite(bound):
        return None
    return abs(bound - value)


def _quantized(value: Decimal, place: int) -> Decimal:
    with localcontext() as context:
        context.prec = _PRECISION
        return value.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)
