"""The launch log: what can be asked of it. How a database does it stands in the files beside this one.

No database library is loaded before a log is opened, so that commands without a log start fast.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

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


class Log(ABC):
    """An open launch log; use it in a ``with`` block. Everything it says is saved is on the disk.

    Every method raises ``LogError`` with a stable code where the log cannot do what is asked, and
    has then changed nothing.
    """

    @staticmethod
    def open(where: str | Path, *, create: bool = True, wait_s: float = 5.0) -> Log:
        """The log in this file, or at this address of a PostgreSQL server.

        Parameters
        ----------
        where : str or Path
            A file, or ``postgresql://user@server/name``.
        create : bool
            Whether to begin a new log where there is none.
        wait_s : float
            How long to wait for another program that is writing.

        An older log is upgraded, after a safety copy; ``opened`` says so.
        """
        from tracker.store.sql_log import open_log  # noqa: PLC0415 - loads SQLAlchemy, half a second

        return open_log(where, create=create, wait_s=wait_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @abstractmethod
    def close(self) -> None:
        """Let go of the file or the server; closing twice does no harm."""

    @property
    @abstractmethod
    def opened(self) -> Opened:
        """What opening the log did to it."""

    # -- writing --------------------------------------------------------------------------------

    @abstractmethod
    def add(
        self,
        session: str,
        measured: Measured,
        setup: Setup,
        *,
        how: str = "",
        measured_at: datetime | None = None,
    ) -> Added:
        """Log one measured clip, whole or not at all.

        The same clip (by content) in the same session counts once. Measured again with the same
        set-up, the same ``how`` and the same program it is left alone; else the new measurement
        counts and the earlier one is kept. Exclusions follow their launch by the frames it was seen in.

        Parameters
        ----------
        how : str
            Whatever else the measurement was told that the set-up does not hold.
        measured_at : datetime or None
            Now, if not given; without a zone it is this computer's time.
        """

    @abstractmethod
    def exclude(self, session: str, shot_id: int, reason: str, *, when: datetime | None = None) -> None:
        """Take a shot out of the count; it stays in the log with the reason."""

    @abstractmethod
    def include(self, session: str, shot_id: int, *, when: datetime | None = None) -> None:
        """Take an exclusion back; that it was made stays in the log."""

    @abstractmethod
    def note(self, when: datetime, kind: str, text: str) -> Note:
        """Write down something done to the launcher; ``kind`` is one of ``NOTE_KINDS``."""

    # -- reading --------------------------------------------------------------------------------

    @abstractmethod
    def sessions(self) -> list[SessionRow]:
        """All sessions, in the order they were begun."""

    @abstractmethod
    def clips(self, session: str) -> list[ClipRow]:
        """The clips of a session, in the order they were first logged."""

    @abstractmethod
    def setups(self, session: str) -> list[Setup]:
        """The set-up each clip was measured with, in the order of ``clips``."""

    @abstractmethod
    def shots(self, session: str) -> ShotColumns:
        """The shots of a session as columns, excluded ones marked."""

    @abstractmethod
    def shot(self, session: str, shot_id: int) -> Shot:
        """One shot, whole, to draw it again; shots that no longer count can be read too."""

    @abstractmethod
    def history(self, session: str, sha256: str) -> list[Kept]:
        """Every measurement of a clip, newest first; the first one is the one that counts."""

    @abstractmethod
    def exclusions(self, session: str) -> list[Exclusion]:
        """Every exclusion in a session, oldest first, taken back or not."""

    @abstractmethod
    def notes(self) -> list[Note]:
        """All notes by the date they are about."""

    @abstractmethod
    def timeline(self) -> list[TimelineRow]:
        """Measurements, exclusions and notes by date."""

    # -- exchange -------------------------------------------------------------------------------

    @abstractmethod
    def export_json(self) -> str:
        """Everything in the log as one JSON document."""

    @abstractmethod
    def import_json(self, text: str) -> Imported:
        """Add what such a document holds and this log does not, whole or not at all."""

    @abstractmethod
    def export_csv(self, session: str) -> str:
        """The shots of a session as a table (RFC 4180), SI units, the unit last in each heading."""
