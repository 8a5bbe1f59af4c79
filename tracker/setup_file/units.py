"""Units of people -> SI.

A table serves better than a library here: seven kinds, no arithmetic between units, nothing to
install. Factors: NIST SP 811 (2008), appendix B; foot, inch, pound and mile are exact by the
international yard and pound agreement of 1959.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from tracker.errors import SetupError

FOOT_M = 0.3048
POUND_KG = 0.45359237
MILE_M = 1609.344
TURN_RAD = 2.0 * math.pi
DEGREE_RAD = math.pi / 180.0
FAHRENHEIT_K = 5.0 / 9.0


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of quantity: what it is called, its units in SI, an example; SI = (v + zero) * factor."""

    noun: str
    plural: str
    units: Mapping[str, float]
    example: str
    aliases: Mapping[str, str] = field(default_factory=dict)
    zero: Mapping[str, float] = field(default_factory=dict)

    @property
    def one(self) -> str:
        """The noun with its article."""
        return f"an {self.noun}" if self.noun[0] in "aeiou" else f"a {self.noun}"

    @property
    def names(self) -> str:
        """The units that can be written, for a sentence."""
        return ", ".join(self.units)


LENGTH = Kind(
    "length",
    "lengths",
    {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": FOOT_M / 12.0, "ft": FOOT_M},
    "140 mm",
    {
        "inch": "in",
        "inches": "in",
        '"': "in",
        "foot": "ft",
        "feet": "ft",
        "metre": "m",
        "metres": "m",
        "meter": "m",
        "meters": "m",
    },
)
SPEED = Kind(
    "speed",
    "speeds",
    {"m/s": 1.0, "km/h": 1.0 / 3.6, "ft/s": FOOT_M, "mph": MILE_M / 3600.0},
    "7.2 m/s",
    {"kph": "km/h"},
)
MASS = Kind("mass", "masses", {"g": 1e-3, "kg": 1.0, "oz": POUND_KG / 16.0, "lb": POUND_KG}, "88 g")
ANGLE = Kind(
    "angle",
    "angles",
    {"deg": DEGREE_RAD, "rad": 1.0},
    "52 deg",
    {"°": "deg", "degree": "deg", "degrees": "deg"},
)
ROTATION = Kind(
    "rotation",
    "rotations",
    {"rpm": TURN_RAD / 60.0, "rev/s": TURN_RAD, "rad/s": 1.0},
    "3200 rpm",
    {"rev/min": "rpm", "1/min": "rpm"},
)
TIME = Kind("time", "times", {"s": 1.0, "ms": 1e-3, "us": 1e-6}, "4 ms", {"µs": "us", "μs": "us"})
TEMPERATURE = Kind(
    "temperature",
    "temperatures",
    {"degC": 1.0, "degF": FAHRENHEIT_K, "K": 1.0},
    "22 degC",
    {"°c": "degC", "°f": "degF"},
    {"degC": 273.15, "degF": 459.67},
)
PRESSURE = Kind("pressure", "pressures", {"hPa": 100.0, "kPa": 1e3, "Pa": 1.0, "mbar": 100.0}, "1005 hPa")
SHARE = Kind("share", "shares", {"%": 1e-2}, "45 %", {"percent": "%"})

KINDS = (LENGTH, SPEED, MASS, ANGLE, ROTATION, TIME, TEMPERATURE, PRESSURE, SHARE)

_WRITTEN = re.compile(
    r"(?P<number>[+-]?(?:[0-9]+(?:\.(?P<places>[0-9]*))?|\.(?P<only>[0-9]+))(?:[eE](?P<power>[+-]?[0-9]{1,9}))?)"
    r"\s*(?P<unit>.*)",
    re.DOTALL,
)
_SHOWN_LENGTH = 40


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity as read: SI value, and half of the last digit that was written, also in SI."""

    value: float
    half_digit: float


def shown(value: object) -> str:
    """Put what the user wrote on one short line, for a sentence."""
    try:
        text = str(value)
    except ValueError:  # a whole number of thousands of digits
        text = "a huge number"
    text = "".join(c if c.isprintable() else " " for c in text[: _SHOWN_LENGTH + 1])
    return text if len(text) <= _SHOWN_LENGTH else text[: _SHOWN_LENGTH - 3] + "..."


def quantity(text: object, kind: Kind, where: str) -> Quantity:
    """Read "140 mm" and the like.

    Parameters
    ----------
    text : object
        What was written; anything but a string with number and unit is refused.
    kind : Kind
        What it has to be.
    where : str
        What to call the place in a sentence, such as ``setup.toml: [ball] diameter``.

    Raises
    ------
    SetupError
        With code ``setup_unit_missing``, ``setup_unit_unknown``, ``setup_unit_wrong`` or
        ``setup_not_a_number``.
    """
    advice = (
        f'Write the {kind.noun} as a number and a unit in quotes, such as "{kind.example}" ({kind.names}).'
    )
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        raise SetupError(
            "setup_unit_missing", f"{where} is the bare number {shown(text)}, with no unit to it.", advice
        )
    if not isinstance(text, str):
        raise SetupError("setup_wrong_type", f"{where} is not {kind.one} in quotes.", advice)
    cleaned = text.strip().replace("\N{MINUS SIGN}", "-")
    match = _WRITTEN.fullmatch(cleaned)
    if match is None or match["unit"][:1] in tuple("0123456789.,/'"):
        hint = "Write decimals with a point, not a comma. " if "," in cleaned else ""
        raise SetupError(
            "setup_not_a_number",
            f'{where} is "{shown(text)}", which is not a number and a unit.',
            hint + advice,
        )
    if not match["unit"]:
        raise SetupError("setup_unit_missing", f'{where} is "{shown(text)}", with no unit to it.', advice)
    unit = _unit(match["unit"], kind, where, text)
    factor, zero = kind.units[unit], kind.zero.get(unit, 0.0)
    places = len(match["places"] or match["only"] or "")
    value = (float(match["number"]) + zero) * factor
    if not math.isfinite(value):
        raise SetupError(
            "setup_not_finite", f'{where} is "{shown(text)}", which is too large to use.', advice
        )
    half_digit = 0.5 * 10.0 ** max(-300, min(300, int(match["power"] or 0) - places)) * factor
    return Quantity(value, half_digit)


def _unit(written: str, kind: Kind, where: str, text: str) -> str:
    """Find the table's name of a unit; upper and lower case make no difference within a kind."""
    key = "".join(written.split()).lower()
    known = {name.lower(): name for name in kind.units} | dict(kind.aliases)
    if key in known:
        return known[key]
    for other in KINDS:
        if key in {name.lower() for name in (*other.units, *other.aliases)}:
            raise SetupError(
                "setup_unit_wrong",
                f'{where} is "{shown(text)}", which is {other.one}, but {kind.one} belongs there.',
                f'Give {kind.one} such as "{kind.example}" ({kind.names}).',
            )
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    meant = f'Did you mean "{known[near[0]]}"? ' if near else ""
    raise SetupError(
        "setup_unit_unknown",
        f'{where} is "{shown(text)}", and "{shown(written)}" is not a unit this program knows.',
        f"{meant}The units for {kind.plural} are {kind.names}.",
    )
