"""The demo: three shots of *Lantern Run*, an invented game, as a clip with its setup file.

In *Lantern Run* robots lob soft orange floats (140 mm, 88 g) into a lantern basket. The launcher is a
single driven wheel with a curved backing and an adjustable deflector. Drawing the clip takes half a
minute, so it comes drawn; ``fixtures/make.py lantern-run`` draws it anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from tracker.errors import OutputError

_NAMES = ("lantern-run.mp4", "lantern-run.setup.toml", "lantern-run.truth.json")


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """Where the demo lies: clip, setup file, and what the clip really shows."""

    clip: Path
    setup: Path
    truth: Path


def make_demo(folder: Path) -> DemoFiles:
    """Put the demo's files into a folder, which is made if need be.

    Raises
    ------
    OutputError
        If they cannot be written, or one of them is there and was changed since.
    """
    data = resources.files("tracker.demo") / "data"
    wanted = {folder / name: (data / name).read_bytes() for name in _NAMES}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        there = {path.name: path.read_bytes() for path in wanted if path.exists()}
        for path, content in wanted.items():
            if there.get(path.name, content) != content:
                raise _changed(path)
        for path, content in wanted.items():
            path.write_bytes(content)
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            "output_not_writable",
            f"The demo cannot be written to {folder}.",
            "Choose a folder that exists and that you may write to.",
        ) from error
    clip, setup, truth = wanted
    return DemoFiles(clip, setup, truth)


def _changed(path: Path) -> OutputError:
    return OutputError(
        "output_exists",
        f"{path.name} is there already and differs from the demo's; it was left as it is.",
        "Give another folder, or move the old file away first.",
    )
