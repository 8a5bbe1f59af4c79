"""clip file -> Clip: frames with their file times, upright picture size."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tracker.film.decode import Frame, Reel, frames
    from tracker.film.digest import fingerprint
    from tracker.film.facts import read_facts
    from tracker.film.guard import Child, in_child

__all__ = ["Child", "Frame", "Reel", "fingerprint", "frames", "in_child", "read_facts"]

_HOMES = {
    "Child": "guard",
    "Frame": "decode",
    "Reel": "decode",
    "fingerprint": "digest",
    "frames": "decode",
    "in_child": "guard",
    "read_facts": "facts",
}


def __getattr__(name: str) -> Any:
    # The parent of a guarded child needs no decoder, and loading one costs a tenth of a second.
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module  # noqa: PLC0415  # only needed when a name is asked for

    return getattr(import_module(f"{__name__}.{home}"), name)
