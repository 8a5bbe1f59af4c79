"""One open database: its connection, its transactions, and what opening did to it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from sqlalchemy import Connection, Engine, text

from tracker.store.faults import plainly
from tracker.store.values import Opened

WRITERS_LOCK = 0x6C6F_6273_636F_7065  # any number, the same for everyone who writes to a shared log


@dataclass(frozen=True, slots=True)
class Book:
    """A log's one connection."""

    engine: Engine
    connection: Connection
    opened: Opened

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the log throughout."""
        with plainly(self.opened.where), transaction(self.connection, write=False):
            yield self.connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The one transaction that may write at this moment; saved when the block ends, or not at all."""
        with plainly(self.opened.where), transaction(self.connection, write=True):
            yield self.connection

    def close(self) -> None:
        """Let go of the file or the server."""
        self.connection.close()
        self.engine.dispose()


@contextmanager
def transaction(connection: Connection, *, write: bool) -> Iterator[None]:
    """Begin and end one transaction.

    Writers take their turn from the start, not at their first change: two that both read before
    they write could otherwise each wait for the other, or decide on what is no longer so.
    """
    connection.info["write"] = write
    with connection.begin():
        if connection.dialect.name == "postgresql":
            if write:
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": WRITERS_LOCK})
            else:
                connection.execute(text("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY"))
        yield
