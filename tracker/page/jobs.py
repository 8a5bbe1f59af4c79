"""Work that takes longer than a request: it reports, can be given up, and ends in news."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from calibration.errors import PlainError
from tracker.film.guard import Child
from tracker.page.events import Events

Work = Callable[["Job"], Any]


@dataclass(slots=True)
class Job:
    """One piece of work; ``child`` is the guarded process in which its film is decoded."""

    name: str
    number: int
    events: Events
    child: Child
    given_up: threading.Event = field(default_factory=threading.Event)

    def progress(self, done: int, total: int) -> None:
        """Tell the pages how far it is."""
        self.events.send("progress", {"job": self.name, "number": self.number, "done": done, "total": total})

    def give_up(self) -> None:
        """End it; the process that decodes is ended at once."""
        self.given_up.set()
        self.child.close()


class Jobs:
    """At most one piece of work of each name; a new one takes the old one's place."""

    def __init__(self, events: Events, preload: tuple[str, ...]) -> None:
        self._events = events
        self._preload = preload
        self._lock = threading.Lock()
        self._at_rest = threading.Lock()
        self._running: dict[str, Job] = {}
        self._count = 0

    def start(self, name: str, work: Work) -> int:
        """Begin; what it gives becomes the event "done", why it failed the event "failed"."""
        self.give_up(name)
        with self._lock:
            self._count += 1
            job = Job(name, self._count, self._events, Child(self._preload))
            self._running[name] = job
        threading.Thread(target=self._run, args=(job, work), daemon=True).start()
        return job.number

    def give_up(self, name: str) -> bool:
        """Give up the work of this name; False if there is none."""
        with self._lock:
            job = self._running.pop(name, None)
        if job is None:
            return False
        job.give_up()
        return True

    @contextmanager
    def resting(self, *names: str) -> Iterator[None]:
        """Let work of these names rest while something is done that somebody waits for.

        Of several that wait at once only the first makes it rest, so that it gets its turn between them.
        """
        if not self._at_rest.acquire(blocking=False):
            yield
            return
        with self._lock:
            children = [job.child for name, job in self._running.items() if name in names]
        try:
            for child in children:
                child.rest()
            yield
        finally:
            for child in children:
                child.go_on()
            self._at_rest.release()

    def close(self) -> None:
        """Give everything up."""
        for name in list(self._running):
            self.give_up(name)

    def _run(self, job: Job, work: Work) -> None:
        who = {"job": job.name, "number": job.number}
        try:
            with job.child:
                result = work(job)
            news, said = "done", {**who, "result": result}
        except Exception as error:  # noqa: BLE001 - whatever it is, the page must hear of it
            news, said = "failed", {**who, **in_words(error)}
        with self._lock:
            if self._running.get(job.name) is job:
                del self._running[job.name]
        if job.given_up.is_set():
            news, said = "given_up", who
        self._events.send(news, said)


def in_words(error: Exception) -> dict[str, str]:
    """A failure as the page shows it."""
    if isinstance(error, PlainError):
        return {"code": error.code, "message": error.message, "advice": error.advice}
    return {
        "code": "internal_error",
        "message": f"Something went wrong inside lobscope ({type(error).__name__}).",
        "advice": "Your marks are still here. Save them, and please report this.",
    }
