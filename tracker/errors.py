"""The exception tree below ``PlainError``: the library raises, the command translates.

PlainError (calibration.errors)
├── CalibrationError (ValueError)
├── ClipError (ValueError)          the film cannot be read
│   └── ClipNotFound (FileNotFoundError)
├── SetupError (ValueError)         the setup file cannot be used
│   └── SetupNotFound (FileNotFoundError)
├── OutputError (OSError)           results cannot be written
├── LogError (ValueError)           the launch log cannot be used
└── SessionError (ValueError)       the shots cannot be evaluated as asked
"""

from __future__ import annotations

from calibration.errors import CalibrationError, PlainError

__all__ = [
    "CalibrationError",
    "ClipError",
    "ClipNotFound",
    "LogError",
    "OutputError",
    "PlainError",
    "SessionError",
    "SetupError",
    "SetupNotFound",
]


class ClipError(PlainError, ValueError):
    """A clip cannot be read or is not a clip."""


class ClipNotFound(ClipError, FileNotFoundError):  # noqa: N818 - named as the built-in it is
    """There is no such clip."""


class SetupError(PlainError, ValueError):
    """A setup file says something that cannot be used."""


class SetupNotFound(SetupError, FileNotFoundError):  # noqa: N818 - named as the built-in it is
    """There is no such setup file."""


class OutputError(PlainError, OSError):
    """Results cannot be written where they were asked for."""


class LogError(PlainError, ValueError):
    """The launch log cannot be used as asked."""


class SessionError(PlainError, ValueError):
    """The shots cannot be evaluated as asked."""
