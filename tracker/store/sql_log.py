"""The launch log in a database: each method is one transaction."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

from tracker.errors import LogError
from tracker.store import columns, exchange, reading, writing
from tracker.store.book import Book
from tracker.store.log import Log
from tracker.store.server import open_server
from tracker.store.sqlite_file import open_file
from tracker.store.values import (
    Added,
    ClipRow,
    Exclusion,
    Imported,
    Kept,
    Note,
    Opened,
    SessionRow,
    ShotColumns,
    TimelineRow,
)
from tracker.values import Measured, Setup, Shot


def open_log(where: str | Path, *, create: bool, wait_s: float) -> Log:
    """See ``Log.open``."""
    if isinstance(where, str) and re.match(r"[A-Za-z][A-Za-z0-9+.]+://", where):
        return SqlLog(open_server(where, create=create, wait_s=wait_s))
    return SqlLog(open_file(Path(where).expanduser().absolute(), create=create, wait_s=wait_s))


class SqlLog(Log):
    """A log over one open database."""

    def __init__(self, book: Book) -> None:
        self._book = book

    def close(self) -> None:
        """See ``Log``."""
        self._book.close()

    @property
    def opened(self) -> Opened:
        """See ``Log``."""
        return self._book.opened

    def add(
        self,
        session: str,
        measured: Measured,
        setup: Setup,
        *,
        how: str = "",
        measured_at: datetime | None = None,
    ) -> Added:
        """See ``Log``."""
        with self._book.writing() as connection:
            return writing.add(connection, session, measured, setup, how, measured_at)

    def exclude(self, session: str, shot_id: int, reason: str, *, when: datetime | None = None) -> None:
        """See ``Log``."""
        with self._book.writing() as connection:
            found = reading.found_shot(connection, reading.session_key(connection, session), shot_id)
            if found.superseded_at is not None:
                raise LogError(
                    "shot_superseded",
                    f"Shot {shot_id} no longer counts: {found.name} was measured again.",
                    "List the session's shots to see the number its launch has now.",
                )
            if found.exclusion is not None:
                raise LogError(
                    "shot_excluded",
                    f"Shot {shot_id} has been left out since {found.excluded_at[:10]} ({found.reason}).",
                    "Take that back first to give another reason.",
                )
            writing.exclude(connection, shot_id, reason, when)

    def include(self, session: str, shot_id: int, *, when: datetime | None = None) -> None:
        """See ``Log``."""
        with self._book.writing() as connection:
            found = reading.found_shot(connection, reading.session_key(connection, session), shot_id)
            if found.exclusion is None:
                raise LogError(
                    "shot_not_excluded",
                    f"Shot {shot_id} is not left out.",
                    "List the session's shots to see which ones are.",
                )
            writing.include(connection, found.exclusion, when)

    def note(self, when: datetime, kind: str, text: str) -> Note:
        """See ``Log``."""
        with self._book.writing() as connection:
            return writing.note(connection, when, kind, text)

    def sessions(self) -> list[SessionRow]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.sessions(connection)

    def clips(self, session: str) -> list[ClipRow]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return list(reading.clips(connection, reading.session_key(connection, session)).values())

    def setups(self, session: str) -> list[Setup]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.setups(connection, reading.session_key(connection, session))

    def shots(self, session: str) -> ShotColumns:
        """See ``Log``."""
        with self._book.reading() as connection:
            return columns.shots(connection, session)

    def shot(self, session: str, shot_id: int) -> Shot:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.shot(connection, reading.session_key(connection, session), shot_id)

    def history(self, session: str, sha256: str) -> list[Kept]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.history(connection, reading.session_key(connection, session), sha256)

    def exclusions(self, session: str) -> list[Exclusion]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.exclusions(connection, reading.session_key(connection, session))

    def notes(self) -> list[Note]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.notes(connection)

    def timeline(self) -> list[TimelineRow]:
        """See ``Log``."""
        with self._book.reading() as connection:
            return reading.timeline(connection)

    def export_json(self) -> str:
        """See ``Log``."""
        with self._book.reading() as connection:
            return exchange.export_json(connection)

    def import_json(self, text: str) -> Imported:
        """See ``Log``."""
        with self._book.writing() as connection:
            return exchange.import_json(connection, text)

    def export_csv(self, session: str) -> str:
        """See ``Log``."""
        return exchange.to_csv(self.shots(session))
