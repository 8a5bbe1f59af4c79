"""Shots -> their paths as one table for a spreadsheet."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

from tracker.values import Shot

COLUMNS = (
    "frame",
    "t_s",
    "x_px",
    "y_px",
    "x_m",
    "z_m",
    "fit_x_m",
    "fit_z_m",
    "fit_x_px",
    "fit_y_px",
    "u_m",
    "radius_px",
    "used",
)


def path_csv(shots: Sequence[Shot]) -> str:
    """One line for each sighting, at full precision; an empty field is "not known".

    Lines end in a bare line feed, for writing as text on any system.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("shot", *COLUMNS))
    for shot in shots:
        columns = [getattr(shot.path, name) for name in COLUMNS]
        for row in zip(*columns, strict=True):
            writer.writerow((shot.shot, *map(_cell, row)))
    return text.getvalue()


def _cell(value: object) -> str:
    """A whole number or truth value as 0, 1, 2 ...; a float as the shortest text that gives it back."""
    plain = value.item() if hasattr(value, "item") else value
    if isinstance(plain, float):
        return repr(plain) if math.isfinite(plain) else ""
    return str(int(plain)) if isinstance(plain, (int, bool)) else str(plain)
