"""Work on the page that gives way to whoever waits for a picture."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Self

import pytest

from tracker.page.events import Events
from tracker.page.jobs import Job, Jobs


@dataclass
class Watched:
    """Stands in for a guarded process and remembers what was asked of it."""

    asked: list[str] = field(default_factory=list)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.asked.append("closed")

    def rest(self) -> None:
        self.asked.append("rest")

    def go_on(self) -> None:
        self.asked.append("go on")

    def close(self) -> None:
        self.asked.append("closed")


@pytest.fixture(name="working")
def working_jobs(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Jobs, dict[str, Watched]]]:
    """Two pieces of work that go on until the test ends."""
    children: dict[str, Watched] = {}
    until = threading.Event()
    monkeypatch.setattr("tracker.page.jobs.Child", lambda _preload: Watched())
    jobs = Jobs(Events(), ())

    def work(job: Job) -> None:
        children[job.name] = job.child
        begun.release()
        until.wait(10)

    begun = threading.Semaphore(0)
    for name in ("search", "measure"):
        jobs.start(name, work)
    for _ in range(2):
        assert begun.acquire(timeout=10)
    yield jobs, children
    until.set()


def test_only_what_is_named_rests_and_it_goes_on_whatever_happens(
    working: tuple[Jobs, dict[str, Watched]],
) -> None:
    jobs, children = working

    def trouble() -> None:
        with jobs.resting("search", "board"):
            assert children["search"].asked == ["rest"]
            raise RuntimeError("trouble")

    with pytest.raises(RuntimeError, match="trouble"):
        trouble()
    assert children["search"].asked == ["rest", "go on"]
    assert children["measure"].asked == []


def test_of_several_that_wait_only_the_first_makes_it_rest(working: tuple[Jobs, dict[str, Watched]]) -> None:
    jobs, children = working
    with jobs.resting("search"):
        with jobs.resting("search"):
            assert children["search"].asked == ["rest"]
        assert children["search"].asked == ["rest"]
    with jobs.resting("search"):
        assert children["search"].asked == ["rest", "go on", "rest"]
