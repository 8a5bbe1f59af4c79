import math
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from tracker.errors import SetupError
from tracker.setup_file import units
from tracker.setup_file.reference import length_uncertainty_m
from tracker.setup_file.units import Quantity, quantity

# Factors of a reference library (scipy.constants, after NIST SP 811 and CODATA), not of the code.
OUTSIDE = [
    ("mm", units.LENGTH, constants.milli),
    ("cm", units.LENGTH, constants.centi),
    ("m", units.LENGTH, 1.0),
    ("in", units.LENGTH, constants.inch),
    ("ft", units.LENGTH, constants.foot),
    ("m/s", units.SPEED, 1.0),
    ("km/h", units.SPEED, constants.kmh),
    ("ft/s", units.SPEED, constants.foot),
    ("mph", units.SPEED, constants.mph),
    ("g", units.MASS, constants.gram),
    ("kg", units.MASS, 1.0),
    ("oz", units.MASS, constants.oz),
    ("lb", units.MASS, constants.lb),
    ("deg", units.ANGLE, constants.degree),
    ("rad", units.ANGLE, 1.0),
    ("rpm", units.ROTATION, 2 * constants.pi / constants.minute),
    ("rev/s", units.ROTATION, 2 * constants.pi),
    ("rad/s", units.ROTATION, 1.0),
    ("s", units.TIME, 1.0),
    ("ms", units.TIME, constants.milli),
    ("us", units.TIME, constants.micro),
    ("hPa", units.PRESSURE, constants.hecto),
    ("kPa", units.PRESSURE, constants.kilo),
    ("Pa", units.PRESSURE, 1.0),
    ("mbar", units.PRESSURE, constants.bar / 1000),
    ("%", units.SHARE, constants.centi),
]


def test_every_unit_is_checked_against_the_outside():
    listed = {(kind.noun, unit) for kind in units.KINDS for unit in kind.units}
    checked = {(kind.noun, unit) for unit, kind, _ in OUTSIDE}
    assert listed - checked == {("temperature", "degC"), ("temperature", "degF"), ("temperature", "K")}


@pytest.mark.parametrize(("unit", "kind", "factor"), OUTSIDE)
@settings(max_examples=30, derandomize=True)
@given(value=st.floats(1e-6, 1e6))
def test_units_go_round(unit, kind, factor, value):
    # Float arithmetic of two factors may differ in the last places, hence 1e-14.
    assert quantity(f"{value!r} {unit}", kind, "x").value == pytest.approx(value * factor, rel=1e-14)


@pytest.mark.parametrize(("scale", "name"), [("Celsius", "degC"), ("Fahrenheit", "degF"), ("Kelvin", "K")])
@pytest.mark.parametrize("value", [-40.0, 22.0, 98.6])
def test_temperatures(scale, name, value):
    expected = constants.convert_temperature(value, scale, "Kelvin")
    assert quantity(f"{value} {name}", units.TEMPERATURE, "x").value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("140mm", units.LENGTH, 0.140),
        ("  14.0   CM ", units.LENGTH, 0.140),
        (".14 m", units.LENGTH, 0.140),
        ("1.4e-1 m", units.LENGTH, 0.140),
        ('24"', units.LENGTH, 0.6096),  # 24 times 25.4 mm
        ("\N{MINUS SIGN}0.5 m", units.LENGTH, -0.5),
        ("180°", units.ANGLE, math.pi),
        ("22 °C", units.TEMPERATURE, 295.15),
        ("250 µs", units.TIME, 250e-6),
        ("3600 km / h", units.SPEED, 1000.0),
    ],
)
def test_ways_of_writing(text, kind, expected):
    assert quantity(text, kind, "x").value == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "kind", "code", "advice"),
    [
        (140, units.LENGTH, "setup_unit_missing", r"mm, cm, m, in, ft"),
        (1.5, units.SPEED, "setup_unit_missing", r"m/s, km/h, ft/s, mph"),
        (10**400, units.LENGTH, "setup_unit_missing", r"mm, cm"),
        ("140", units.MASS, "setup_unit_missing", r"g, kg, oz, lb"),
        ("24 inchs", units.LENGTH, "setup_unit_unknown", r'mean "in".*mm, cm, m, in, ft'),
        ("12 parsec", units.LENGTH, "setup_unit_unknown", r"mm, cm, m, in, ft"),
        ("140 g", units.LENGTH, "setup_unit_wrong", r"Give a length"),
        ("7 m/s", units.ROTATION, "setup_unit_wrong", r"rpm, rev/s, rad/s"),
        ("wide", units.LENGTH, "setup_not_a_number", r"Write the length"),
        ("nan m", units.LENGTH, "setup_not_a_number", r"Write the length"),
        ("inf m", units.LENGTH, "setup_not_a_number", r"Write the length"),
        ("1,5 m", units.LENGTH, "setup_not_a_number", r"point, not a comma"),
        ("24 1/2 in", units.LENGTH, "setup_not_a_number", r"Write the length"),
        ("1_000 mm", units.LENGTH, "setup_unit_unknown", r"mm, cm"),
        ("", units.LENGTH, "setup_not_a_number", r"Write the length"),
        ("1e400 m", units.LENGTH, "setup_not_finite", r"Write the length"),
        (True, units.LENGTH, "setup_wrong_type", r"Write the length"),
        (["1 m"], units.LENGTH, "setup_wrong_type", r"Write the length"),
    ],
)
def test_refusals_name_the_units(text, kind, code, advice):
    with pytest.raises(SetupError, match=r"^file: \[a\] b is ") as caught:
        quantity(text, kind, "file: [a] b")
    assert caught.value.code == code
    assert re.search(advice, caught.value.advice)


@pytest.mark.parametrize(
    ("text", "half"),
    [("1.500 m", 0.0005), ("1 m", 0.5), ("150 cm", 0.005), ("24.0 in", 0.00127), ("1.5e3 mm", 0.05)],
)
def test_half_of_the_last_digit(text, half):
    assert quantity(text, units.LENGTH, "x").half_digit == pytest.approx(half, rel=1e-12)


def test_length_uncertainty_by_hand():
    # JCGM 100:2008, 4.3.7 (rectangle: half width over root 3) and Directive 2014/32/EU, annex X,
    # table 1, class III: 0.6 mm + 0.4 mm for each metre begun; 0.5 mm for the ends.
    third = math.sqrt(1 / 3)
    cases = {
        "1.000 m": math.sqrt((0.5 * third) ** 2 + (1.0 * third) ** 2 + 0.5**2),
        "1 m": math.sqrt((1.0 * third) ** 2 + (1.0 * third) ** 2 + 0.5**2),
        "1.500 m": math.sqrt((0.5 * third) ** 2 + (1.4 * third) ** 2 + 0.5**2),
    }
    for text, expected_mm in cases.items():
        got = length_uncertainty_m(quantity(text, units.LENGTH, "x"))
        assert got == pytest.approx(expected_mm / 1000, rel=1e-9)


@settings(max_examples=100, derandomize=True)
@given(st.floats(0.001, 50.0), st.floats(0.0, 1.0))
def test_length_uncertainty_stays_honest(length_m, half_digit):
    u_m = length_uncertainty_m(Quantity(length_m, half_digit))
    assert u_m >= 0.0005
    assert u_m <= 0.001 or length_m > 1.0
