"""A pipeline that answers at once, so that the tests of the command line see only the command line."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from tracker.errors import ClipError, ClipNotFound
from tracker.values import Measured, Shot

SETUP = """
[ball]
diameter = "140 mm"
mass = "88 g"
"""


class FakePipeline:
    """Measures by file name: "good*" has a shot, "empty*" none, "bad*" is refused, "broken*" has a bug."""

    def __init__(self, answer: Measured) -> None:
        self.answer = answer
        self.calls: list[dict[str, Any]] = []

    def measure(self, path: Path, setup: object, **wishes: Any) -> Measured:
        self.calls.append({"path": path, "setup": setup, **wishes})
        if not path.exists():
            raise ClipNotFound("clip_not_found", f"There is no clip {path.name}.", "Check the name.")
        if path.name.startswith("bad"):
            raise ClipError("not_a_clip", f"{path.name} is not a film.", "Copy it from the phone again.")
        if path.name.startswith("broken"):
            raise ZeroDivisionError("float division by zero")
        shots = () if path.name.startswith("empty") else self.answer.shots
        return replace(self.answer, clip=path.name, sha256=path.read_text(encoding="utf-8"), shots=shots)


@pytest.fixture(name="pipeline")
def fake_pipeline(
    monkeypatch: pytest.MonkeyPatch, made_clip: Callable[..., Measured], made_shot: Callable[..., Shot]
) -> FakePipeline:
    fake = FakePipeline(made_clip(made_shot()))
    module = ModuleType("tracker.pipeline")
    module.measure = fake.measure  # type: ignore[attr-defined]  # the module is made here
    monkeypatch.setitem(sys.modules, "tracker.pipeline", module)
    # Nothing is decoded here, so no process need get ready for it.
    monkeypatch.setattr("tracker.film.guard.Child", lambda preload: nullcontext())
    return fake


@pytest.fixture(name="bench")
def bench_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with clips of each kind and a setup file."""
    monkeypatch.chdir(tmp_path)
    for name in ("good.mp4", "empty.mp4", "bad.mp4", "broken.mp4"):
        (tmp_path / name).write_text(f"checksum of {name}", encoding="utf-8")
    (tmp_path / "setup.toml").write_text(SETUP, encoding="utf-8")
    return tmp_path
