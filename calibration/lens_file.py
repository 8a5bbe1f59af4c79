"""A lens <-> a small text file (TOML) that a person can read and a phone's owner can keep."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path

import numpy as np

from calibration.errors import CalibrationError
from calibration.lens import PARAMETERS, Lens

_FORMAT = 1
_KEYS = {"lens_file", "mode", "width_px", "height_px", *PARAMETERS, "rms_px", "views", "covariance"}
_REMAKE = "Make the lens file again from pictures of a board."


def write_lens(path: str | Path, lens: Lens, *, replace: bool = False) -> None:
    """Write a lens; an existing file is kept unless ``replace``.

    Raises
    ------
    CalibrationError
        "lens_exists", or "lens_not_written" where the place cannot be written to.
    """
    path = Path(path)
    try:
        with path.open("w" if replace else "x", encoding="utf-8", newline="\n") as file:
            file.write(_text(lens))
    except FileExistsError as error:
        raise CalibrationError(
            "lens_exists",
            f"There is already a file {path.name}.",
            "Choose another name, or ask to replace it.",
        ) from error
    except OSError as error:
        raise CalibrationError(
            "lens_not_written",
            f"The lens file {path.name} could not be written: {error.strerror}.",
            "Choose a folder that exists and that you may write to.",
        ) from error


def _text(lens: Lens) -> str:
    # TOML's basic strings are JSON's, but for DEL, which TOML wants escaped.
    mode = json.dumps(lens.mode, ensure_ascii=False).replace("\x7f", "\\u007f")
    lines = [
        "# How one lens bends the picture. Good only for clips filmed in the same mode:",
        "# same phone, same lens, same size, same frame rate, same zoom, same stabiliser.",
        "# Pixels are those of the stored picture; the centre of the top-left pixel is (0, 0).",
        f"lens_file = {_FORMAT}",
        f"mode = {mode}",
        f"width_px = {lens.width_px}",
        f"height_px = {lens.height_px}",
        *(f"{name} = {float(value)!r}" for name, value in zip(PARAMETERS, lens.parameters, strict=True)),
        f"rms_px = {float(lens.rms_px)!r}",
        f"views = {lens.views}",
        f"# rows and columns: {', '.join(PARAMETERS)}",
        "covariance = [",
        *("    [" + ", ".join(repr(float(v)) for v in row) + "]," for row in lens.covariance),
        "]",
    ]
    return "\n".join(lines) + "\n"


def read_lens(path: str | Path) -> Lens:
    """Read a lens file.

    Raises
    ------
    CalibrationError
        "lens_not_found", "lens_unreadable" or "lens_incomplete".
    """
    path = Path(path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise CalibrationError(
            "lens_not_found",
            f"There is no lens file {path.name}.",
            "Check the name; a lens file named in a setup is looked for beside the setup.",
        ) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise CalibrationError(
            "lens_unreadable", f"{path.name} cannot be read as a lens file.", _REMAKE
        ) from error
    return _lens(path.name, table)


def _lens(name: str, table: dict[str, object]) -> Lens:
    if table.get("lens_file") != _FORMAT:
        raise CalibrationError("lens_unreadable", f"{name} is not a lens file of this program.", _REMAKE)
    for word, keys in (("lacks", _KEYS - table.keys()), ("has an unknown entry", table.keys() - _KEYS)):
        if keys:
            raise CalibrationError("lens_incomplete", f"The lens file {name} {word} {min(keys)}.", _REMAKE)
    numbers = {key: _number(name, key, table[key]) for key in (*PARAMETERS, "rms_px")}
    whole = {key: _whole(name, key, table[key]) for key in ("width_px", "height_px", "views")}
    if not isinstance(table["mode"], str):
        raise CalibrationError("lens_incomplete", f"In the lens file {name} the mode is not a text.", _REMAKE)
    return Lens(
        width_px=whole["width_px"],
        height_px=whole["height_px"],
        fx=numbers["fx"],
        fy=numbers["fy"],
        cx=numbers["cx"],
        cy=numbers["cy"],
        distortion=np.array([numbers[key] for key in PARAMETERS[4:]]),
        covariance=_covariance(name, table["covariance"]),
        mode=table["mode"],
        rms_px=numbers["rms_px"],
        views=whole["views"],
    )


def _number(name: str, key: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise CalibrationError("lens_incomplete", f"In the lens file {name}, {key} is not a number.", _REMAKE)
    return float(value)


def _whole(name: str, key: str, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise CalibrationError(
            "lens_incomplete", f"In the lens file {name}, {key} is not a whole number.", _REMAKE
        )
    return value


def _covariance(name: str, value: object) -> np.typing.NDArray[np.float64]:
    try:
        matrix = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        matrix = np.empty(0)
    good = matrix.shape == (9, 9) and bool(np.all(np.isfinite(matrix)))
    if good:
        spread = np.sqrt(np.outer(np.abs(np.diag(matrix)), np.abs(np.diag(matrix))))
        good = bool(np.all(np.abs(matrix - matrix.T) <= 1e-6 * spread + 1e-300)) and bool(
            np.all(np.diag(matrix) >= 0)
        )
    if not good:
        raise CalibrationError(
            "lens_incomplete",
            f"In the lens file {name} the covariance is not a symmetric 9 by 9 table.",
            _REMAKE,
        )
    return matrix
