"""Where the launch log is: what the user says, else the environment, else a file beside the work."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

ENVIRONMENT = "LOBSCOPE_LOG"
DEFAULT_NAME = "launch-log.sqlite"


def place(
    stated: str | Path | None = None,
    *,
    beside: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> str | Path:
    """The file or the address of the launch log.

    Parameters
    ----------
    stated : str, Path or None
        What ``--log`` was given; wins over everything else.
    beside : Path or None
        The folder of the work; the current one if not given.
    environment : mapping or None
        ``os.environ`` if not given; an empty ``LOBSCOPE_LOG`` counts as none.
    """
    if stated is not None and str(stated).strip():
        return stated
    said = (os.environ if environment is None else environment).get(ENVIRONMENT, "").strip()
    return said or (beside or Path()) / DEFAULT_NAME
