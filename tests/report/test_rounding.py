import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.report.rounding import at_place, half_width, place_of, plus_minus, rounded
from tracker.values import Number


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (
            10.05762,
            0.027,
            ("10.058", "0.027"),
        ),  # JCGM 100:2008, 7.2.6: 10,057 62 ohm, 27 milliohm -> 10,058 ohm
        (0.0, 28.05, ("0", "28")),  # JCGM 100:2008, 7.2.6: 28,05 kHz -> 28 kHz
        (0.827, 0.119, ("0.83", "0.12")),  # Review of Particle Physics, introduction, 5.3; from memory
        (50.000838, 0.000032, ("50.000838", "0.000032")),  # JCGM 100:2008, H.1.7: 50,000 838 mm, 32 nm
        (100.14475, 0.3329, ("100.14", "0.33")),  # JCGM 100:2008, 4.4.3: 100,14 and 0,33 degrees Celsius
    ],
)
def test_published_examples(value, uncertainty, expected):
    assert rounded(value, uncertainty) == expected


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (7.2134, 0.0996, ("7.21", "0.10")),  # rounding adds a digit in front, not behind
        (7.2134, 9.96, ("7", "10")),
        (57321.0, 1234.0, ("57300", "1200")),
        (-0.0004, 0.02, ("0.000", "0.020")),  # never minus zero
        (2.5, 10.0, ("2", "10")),  # a tie goes to the even digit
        (3.5, 10.0, ("4", "10")),
        (1e300, 1e-300, (format(Decimal("1e300"), "f") + "." + "0" * 301, "0." + "0" * 299 + "10")),
    ],
)
def test_corners(value, uncertainty, expected):
    assert rounded(value, uncertainty) == expected


@settings(max_examples=300, derandomize=True)
@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_two_digits_and_half_a_place(value, uncertainty):
    text, spread = rounded(value, uncertainty)
    place = Decimal(1).scaleb(place_of(uncertainty))
    digits = spread.replace(".", "").lstrip("0")
    assert len(digits.rstrip("0")) <= 2
    assert abs(Decimal(spread) - Decimal(repr(uncertainty))) <= place / 2
    assert abs(Decimal(text) - Decimal(repr(value))) <= place / 2
    assert text.partition(".")[2].__len__() == spread.partition(".")[2].__len__()
    assert not text.startswith("-") or float(text) < 0


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, math.nan, math.inf])
def test_no_place_without_an_uncertainty(uncertainty):
    with pytest.raises(ValueError, match="positive and finite"):
        place_of(uncertainty)


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (Number.of(7.21, 0.0045, 0.0302), "7.210 ± 0.060"),  # 1.96 * hypot = 0.0598
        (Number(3.1, 1.0, 1.0, 1.2, 7.9), "3.1 (1.2 to 7.9)"),
        (Number(3.1, 1.0, 1.0, 1.2, None), "3.1 (at least 1.2)"),
        (Number(3.1, 1.0, 1.0, None, 7.9), "3.1 (at most 7.9)"),
        (Number(3.1, 1.0, 1.0, None, None), "3.1 (no bounds)"),
        (Number(3.1, 1.0, 1.0, 1.2, math.inf), "3.1 (at least 1.2)"),
        (Number(0.5, 0.0, 0.0, 0.5, 0.5), "0.5"),
        (Number(math.nan, 1.0, 1.0, 0.0, 1.0), "not known"),
        (None, "not known"),
    ],
)
def test_intervals_for_people(number, text):
    assert plus_minus(number) == text


def test_half_width():
    assert half_width(Number.of(7.0, 0.3, 0.4)) == pytest.approx(0.5 * 1.959964, rel=1e-6)
    assert half_width(Number(7.0, 1.0, 1.0, 6.0, None)) is None
    assert half_width(Number(7.0, 0.0, 0.0, 7.0, 7.0)) is None


def test_not_a_number_is_said():
    assert at_place(math.nan, -2) == "not known"
