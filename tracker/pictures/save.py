"""A figure -> a PNG file, whole or not at all."""

from __future__ import annotations

import io
import os
import pathlib

from matplotlib.figure import Figure


def png(figure: Figure) -> bytes:
    """The figure as the bytes of a PNG file."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", metadata={"Software": "lobscope"})
    return buffer.getvalue()


def save(figure: Figure, file: pathlib.Path) -> None:
    """Write the figure as a PNG file.

    Raises
    ------
    OSError
        If it cannot be written; what was there before is then unharmed.
    """
    part = file.with_name(f".{file.name}.part")
    try:
        part.write_bytes(png(figure))
        os.replace(part, file)  # noqa: PTH105 - the same call on every system
    finally:
        part.unlink(missing_ok=True)
