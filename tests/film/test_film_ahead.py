"""An iterator in a thread of its own gives what its source gives, and lets go of it."""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from tracker.film.ahead import Ahead

PATIENCE_S = 10.0


def counted(asked: list[int], end: int = 1000) -> Iterator[int]:
    for k in range(end):
        asked.append(k)
        yield k


def test_everything_comes_in_order() -> None:
    assert list(Ahead(counted([], 100), 4)) == list(range(100))


def test_the_end_stays_the_end() -> None:
    ahead = Ahead(iter([1]), 4)
    assert list(ahead) == [1]
    assert list(ahead) == []


def test_no_more_than_so_many_wait() -> None:
    asked: list[int] = []
    ahead = Ahead(counted(asked), 4)
    assert next(ahead) == 0
    deadline = time.monotonic() + PATIENCE_S
    while len(asked) < 6 and time.monotonic() < deadline:
        time.sleep(0.001)
    time.sleep(0.05)
    # One was given, four wait, and one is in the thread's hand.
    assert len(asked) == 6
    ahead.close()


def test_what_goes_wrong_comes_after_what_went_well() -> None:
    def source() -> Iterator[int]:
        yield 1
        raise ValueError("torn film")

    ahead = Ahead(source(), 4)
    assert next(ahead) == 1
    with pytest.raises(ValueError, match="torn film"):
        next(ahead)
    with pytest.raises(ValueError, match="torn film"):
        next(ahead)


def test_closing_frees_the_source() -> None:
    source = counted([])
    ahead = Ahead(source, 2)
    next(ahead)
    ahead.close()
    assert next(source) > 0
    source.close()  # type: ignore[attr-defined]  # it is a generator
