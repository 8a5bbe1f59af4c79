"""A clip that is no film, since what was seen in it is handed on as it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from own_flight import Reader

from tracker.pipeline import measure
from tracker.values import Measured, Setup
from tracker.viewing import Seen

Measure = Callable[..., Measured]


@pytest.fixture(name="measured", scope="session")
def measured_fixture(tmp_path_factory: pytest.TempPathFactory) -> Measure:
    """From what was seen in a film to what is said of it."""
    clip: Path = tmp_path_factory.mktemp("clip") / "made.mp4"
    clip.write_bytes(b"no film")

    def measured(seen: Seen, setup: Setup, **more: object) -> Measured:
        return measure(clip, setup, child=Reader(seen), **more)

    return measured
