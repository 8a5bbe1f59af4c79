"""Arrays to work in that are kept from one batch of windows to the next.

A fresh array of some hundred kilobytes comes from the system page by page, which takes several times as
long as to add up two such arrays.
"""

from __future__ import annotations

import math
import threading
from typing import Any

import numpy as np
import numpy.typing as npt

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]


class Scratch(threading.local):
    """Named arrays of a thread; whatever is in one is lost when its name is asked for again."""

    def __init__(self) -> None:
        self._kept: dict[str, npt.NDArray[Any]] = {}

    def floats(self, name: str, *shape: int) -> Singles:
        """An array of this shape with anything in it."""
        return self._view(name, np.float32, shape)

    def doubles(self, name: str, *shape: int) -> Doubles:
        """The same of 64-bit numbers."""
        return self._view(name, np.float64, shape)

    def bytes(self, name: str, *shape: int) -> Bytes:
        """The same of 8-bit samples."""
        return self._view(name, np.uint8, shape)

    def _view(self, name: str, kind: type[np.generic], shape: tuple[int, ...]) -> npt.NDArray[Any]:
        size = math.prod(shape)
        kept = self._kept.get(name)
        if kept is None or kept.size < size:
            kept = self._kept[name] = np.empty(size, dtype=kind)
        return kept[:size].reshape(shape)
