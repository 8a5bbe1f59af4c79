"""The exception tree, from its root.

PlainError                  one plain sentence, one piece of advice, one stable code
└── CalibrationError        (also ValueError) what was stated about the camera cannot be
    (``tracker.errors`` hangs the rest of the tree on PlainError)
"""

from __future__ import annotations


class PlainError(Exception):
    """Something a user can put right.

    Parameters
    ----------
    code : str
        Stable identifier for machines, lower case with underscores.
    message : str
        One plain sentence: what is wrong.
    advice : str
        One plain sentence: what to do about it.
    """

    def __init__(self, code: str, message: str, advice: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.advice = advice

    def __reduce__(self) -> tuple[type[PlainError], tuple[str, str, str]]:
        return type(self), (self.code, self.message, self.advice)


class CalibrationError(PlainError, ValueError):
    """What was stated about camera, reference or lens contradicts itself or the picture."""
