"""One section of a setup file, asked key by key; each answer is checked and in SI."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.values import Floats, frozen
from tracker.errors import SetupError
from tracker.setup_file.units import Kind, Quantity, quantity, shown

KEYS: dict[str, tuple[str, ...]] = {
    "ball": ("diameter", "mass", "colour", "solid", "diameter_uncertainty", "mass_uncertainty"),
    "reference": (
        "points_px",
        "picture",
        "frame",
        "length",
        "points_m",
        "offset",
        "length_uncertainty",
        "offset_uncertainty",
        "click_uncertainty_px",
        "board",
        "sheets",
        "marker",
        "ruler",
    ),
    "camera": ("distance", "distance_uncertainty", "capture_fps", "readout", "lens", "plumb_px"),
    "launcher": (
        "exit_px",
        "wheels",
        "wheel_diameter",
        "wheel_speed",
        "second_wheel_speed",
        "gap_entry",
        "gap_exit",
        "deflector_angle",
    ),
    "design": ("exit_speed", "exit_angle", "spin", "speed_tolerance", "angle_tolerance", "spin_tolerance"),
    "target": ("distance", "height", "opening"),
    "room": ("temperature", "pressure", "humidity", "latitude"),
}


def check_names(table: Mapping[str, object], source: str) -> None:
    """Refuse sections and keys that do not exist, naming the nearest that does.

    Raises
    ------
    SetupError
        With code ``setup_unknown_section``, ``setup_unknown_key`` or ``setup_wrong_type``.
    """
    for section, content in table.items():
        if section not in KEYS:
            _unknown_section(section, content, source)
        if not isinstance(content, dict):
            raise SetupError(
                "setup_wrong_type",
                f"{source}: {section} is not a section.",
                f"Write [{section}] on a line of its own and its keys below it.",
            )
        for key in content:
            if key not in KEYS[section]:
                _unknown_key(section, key, source)


def _unknown_section(section: str, content: object, source: str) -> None:
    homes = [home for home, keys in KEYS.items() if section in keys]
    if homes and not isinstance(content, dict):
        raise SetupError(
            "setup_unknown_key",
            f'{source}: "{shown(section)}" stands outside any section.',
            f"Move it below the line {' or '.join(f'[{home}]' for home in homes)}.",
        )
    near = difflib.get_close_matches(section.lower(), KEYS, n=1, cutoff=0.5)
    meant = f"Did you mean [{near[0]}]? " if near else ""
    raise SetupError(
        "setup_unknown_section",
        f"{source}: there is no section [{shown(section)}].",
        meant + "The sections are " + ", ".join(f"[{name}]" for name in KEYS) + ".",
    )


def _unknown_key(section: str, key: str, source: str) -> None:
    homes = [home for home, keys in KEYS.items() if key in keys]
    near = difflib.get_close_matches(key.lower(), KEYS[section], n=1, cutoff=0.5)
    if homes:
        advice = f'"{key}" belongs under {" or ".join(f"[{home}]" for home in homes)}.'
    elif near:
        advice = f'Did you mean "{near[0]}"?'
    else:
        advice = f"The keys of [{section}] are {', '.join(KEYS[section])}."
    raise SetupError("setup_unknown_key", f'{source}: [{section}] has no key "{shown(key)}".', advice)


@dataclass(frozen=True, slots=True)
class Section:
    """A section's content; a section that is absent is empty."""

    name: str
    content: Mapping[str, object]
    source: str

    def where(self, key: str) -> str:
        """Say what to call a key in a sentence."""
        return f"{self.source}: [{self.name}] {key}"

    def error(self, code: str, key: str, problem: str, advice: str) -> SetupError:
        """Make an error about one key."""
        return SetupError(code, f"{self.where(key)} {problem}", advice)

    def written(self, key: str, kind: Kind, sign: str = "positive") -> Quantity | None:
        """Read a quantity with a unit; ``sign`` is positive, not_negative or any."""
        if key not in self.content:
            return None
        return signed(quantity(self.content[key], kind, self.where(key)), kind, self.where(key), sign)

    def quantity(self, key: str, kind: Kind, sign: str = "positive") -> float | None:
        """Read the SI value of a quantity with a unit."""
        got = self.written(key, kind, sign)
        return None if got is None else got.value

    def between(self, key: str, kind: Kind, low: float, high: float, span: str) -> float | None:
        """Read a quantity within closed bounds in SI; ``span`` says them in words."""
        value = self.quantity(key, kind, "any")
        if value is not None and not low <= value <= high:
            raise self.error(
                "setup_out_of_range",
                key,
                f'is "{shown(self.content[key])}", which cannot be.',
                f"Give {kind.one} {span}.",
            )
        return value

    def number(self, key: str, unit: str, example: str) -> float | None:
        """Read a bare number."""
        if key not in self.content:
            return None
        value = self.content[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.error(
                "setup_wrong_type",
                key,
                "is not a bare number.",
                f"Write {unit} without quotes and without a unit, such as {key} = {example}.",
            )
        return finite(value, self.where(key))

    def whole(self, key: str, low: int, high: int, default: int) -> int:
        """Read a whole number within closed bounds."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.error(
                "setup_not_whole",
                key,
                f"is {shown(value)}, which is not a whole number from {low} to {high}.",
                f"Write it without quotes, such as {key} = {default}.",
            )
        return value

    def truth(self, key: str, default: bool) -> bool:
        """Read true or false."""
        value = self.content.get(key, default)
        if not isinstance(value, bool):
            raise self.error(
                "setup_wrong_type",
                key,
                f"is {shown(value)}, not true or false.",
                f"Write {key} = true or {key} = false.",
            )
        return value

    def word(self, key: str) -> str | None:
        """Read a text that is not empty."""
        value = self.content.get(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip():
            raise self.error(
                "setup_wrong_type", key, "is not a text in quotes.", f'Write it as {key} = "...".'
            )
        return value

    def points(self, key: str, example: str, *, single: bool = False) -> Floats | None:
        """Read pairs of numbers, shape (n, 2); with ``single`` one pair is written, and n is 1."""
        rows = self.content.get(key)
        if rows is None:
            return None
        rows = [rows] if single else rows
        advice = f"Write {'a pair' if single else 'pairs'} of numbers, such as {key} = {example}."
        if not isinstance(rows, list) or not all(isinstance(row, list) and len(row) == 2 for row in rows):
            problem = "is not a point." if single else "is not a list of points."
            raise self.error("setup_wrong_type", key, problem, advice)
        for value in (value for row in rows for value in row):
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                problem = f"holds {shown(value)}, which is not a bare number."
                raise self.error("setup_wrong_type", key, problem, advice)
        return frozen([[finite(value, self.where(key)) for value in row] for row in rows] or np.empty((0, 2)))


def signed(got: Quantity, kind: Kind, where: str, sign: str) -> Quantity:
    """Refuse a quantity with the wrong sign."""
    if (sign == "positive" and got.value <= 0) or (sign == "not_negative" and got.value < 0):
        what = "zero or less" if sign == "positive" else "less than zero"
        raise SetupError(
            "setup_not_positive",
            f"{where} is {what}.",
            f'Give {kind.one} above zero, such as "{kind.example}".',
        )
    return got


def finite(value: float, where: str) -> float:
    """Refuse infinity, not-a-number, and whole numbers that no float can hold."""
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise SetupError(
            "setup_not_finite",
            f"{where} is {shown(value)}, which is not a number to measure with.",
            "Write an ordinary number.",
        )
    return number
