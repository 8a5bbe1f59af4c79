"""Lengths, speeds and pairs of numbers as they are typed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tracker.cli.failures import WrongUsage

if TYPE_CHECKING:
    from tracker.setup_file.units import Kind


def amount(text: str, kind: Kind, option: str, *, signed: bool = False) -> float:
    """An amount in SI, positive unless ``signed``.

    Raises
    ------
    WrongUsage
        If the text is none.
    """
    from tracker.errors import SetupError
    from tracker.setup_file import units

    try:
        value = units.quantity(text, kind, option).value
    except SetupError as error:
        raise WrongUsage(error.code, error.message, error.advice) from error
    if value <= 0 and not signed:
        raise WrongUsage("not_positive", f"{option} is zero or less.", "Give an amount above zero.")
    return value


def pair(text: str, option: str, example: str) -> tuple[int, int]:
    """Two whole numbers such as "9x6".

    Raises
    ------
    WrongUsage
        If the text is no such pair.
    """
    found = re.fullmatch(r"\s*(\d{1,5})\s*[x×*]\s*(\d{1,5})\s*", text, re.IGNORECASE)
    if found is None:
        raise WrongUsage("not_a_pair", f"{option} is not two whole numbers.", f"Write it like {example}.")
    return int(found[1]), int(found[2])
