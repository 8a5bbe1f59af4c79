"""A launch log in one file: SQLite, its write-ahead journal on the disk before a save is reported."""

from __future__ import annotations

import os
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine.interfaces import DBAPICursor
from sqlalchemy.pool import NullPool

from tracker.errors import LogError
from tracker.store.book import Book, transaction
from tracker.store.faults import fault, plainly
from tracker.store.upgrade import HEAD, VERSION_TABLE, check_version, upgrade, version_of
from tracker.store.values import Opened

MAGIC = b"SQLite format 3\x00"  # sqlite.org/fileformat.html, 1.3


def open_file(path: Path, *, create: bool, wait_s: float) -> Book:
    """Open the log in this file, begin it or bring it up to date.

    Raises
    ------
    LogError
        If the file is not a log this program can use; it is then left as it was.
    """
    there = _look(path, create=create)
    where = str(path)
    read_only = there and not _writable(path)
    with plainly(where):
        found = _version_in_file(path, wait_s) if there else None
    check_version(found, where)
    if read_only and found != HEAD:
        raise fault(_read_only_error(), where)
    engine = _engine(path, read_only=read_only, wait_s=wait_s)
    connection: Connection | None = None
    try:
        with plainly(where):
            connection = engine.connect()
            if read_only:
                opened = Opened(where, created=False, upgraded_from=None, safety_copy=None, read_only=True)
            else:
                _make_durable(connection, wait_s)
                opened = _bring_up(connection, path, where)
    except BaseException:
        if connection is not None:
            connection.close()
        engine.dispose()
        raise
    return Book(engine, connection, opened)


def _look(path: Path, *, create: bool) -> bool:
    """Whether there is something in the file already."""
    if path.is_dir():
        raise LogError(
            "log_is_folder", f"{path} is a folder, not a launch log.", "Name a file in it, or another file."
        )
    if not path.parent.is_dir():
        raise LogError(
            "log_folder_missing",
            f"There is no folder {path.parent} to keep the launch log in.",
            "Make the folder first, or name another place for the log.",
        )
    if not path.exists():
        if create:
            return False
        raise LogError(
            "log_missing",
            f"There is no launch log {path}.",
            "Measure a clip with --log to begin one, or name the file where it is.",
        )
    try:
        with path.open("rb") as file:
            head = file.read(len(MAGIC))
    except OSError as problem:
        raise LogError(
            "log_cannot_open",
            f"The launch log {path} cannot be opened.",
            "Check that you may read and write the file and its folder.",
        ) from problem
    if head and head != MAGIC:
        raise LogError(
            "log_not_a_log", f"{path} is not a launch log.", "Name another file; this one was left as it is."
        )
    return bool(head)


def _writable(path: Path) -> bool:
    """Whether both the file and its folder (for the journal) can be written."""
    try:
        with path.open("r+b"):
            pass
    except OSError:
        return False
    return os.access(path.parent, os.W_OK)


def _read_only_error() -> sqlite3.Error:
    problem = sqlite3.OperationalError("attempt to write a readonly database")
    problem.sqlite_errorcode = sqlite3.SQLITE_READONLY
    return problem


def _uri(path: Path, mode: str) -> str:
    """An SQLite address; drive letters and network shares need the slashes of sqlite.org/uri.html."""
    text = path.absolute().as_posix()
    return f"file://{quote(text if text.startswith('/') else '/' + text)}?mode={mode}"


def _reading_mode(path: Path) -> str:
    """How to read without leaving anything behind: as a fixed file, unless a journal holds more."""
    journals = (path.with_name(path.name + tail) for tail in ("-wal", "-journal"))
    return "ro" if any(j.exists() and j.stat().st_size for j in journals) else "ro&immutable=1"


def _version_in_file(path: Path, wait_s: float) -> str | None:
    """The version a file says it has, or None if it has no tables at all."""
    with closing(sqlite3.connect(_uri(path, _reading_mode(path)), uri=True, timeout=wait_s)) as file:
        names = {name for (name,) in file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if not names:
            return None
        if VERSION_TABLE not in names:
            problem = sqlite3.DatabaseError("no launch log")
            problem.sqlite_errorcode = sqlite3.SQLITE_NOTADB
            raise problem
        row = file.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()  # noqa: S608 - a constant
        return str(row[0]) if row else ""


def _engine(path: Path, *, read_only: bool, wait_s: float) -> Engine:
    mode = _reading_mode(path) if read_only else "rwc"

    def connect() -> sqlite3.Connection:
        file = sqlite3.connect(_uri(path, mode), uri=True, timeout=wait_s, isolation_level=None)
        file.execute("PRAGMA foreign_keys = ON")
        return file

    # No pool: a closed log holds no file open, which on Windows would keep it from being moved.
    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.info.get("write") else "BEGIN")

    return engine


def _make_durable(connection: Connection, wait_s: float) -> None:
    """Write-ahead journal, and every save on the disk before it is reported.

    Where the disk cannot have such a journal (a network share) the older one with the strictest
    setting does the same, only slower. Source: sqlite.org/pragma.html#pragma_synchronous.
    """
    file = connection.connection.cursor()
    try:
        mode = file.execute("PRAGMA journal_mode").fetchone()[0]
        if mode != "wal":
            mode = _switch_journal(file, wait_s)
        file.execute(f"PRAGMA synchronous = {'FULL' if mode == 'wal' else 'EXTRA'}")
        # macOS answers an ordinary flush before the data is on the disk; ignored elsewhere.
        file.execute("PRAGMA fullfsync = ON")
        file.execute("PRAGMA checkpoint_fullfsync = ON")
    finally:
        file.close()


def _switch_journal(file: DBAPICursor, wait_s: float) -> str:
    """Switch to the write-ahead journal; this lock, unlike others, SQLite does not wait for."""
    deadline = time.monotonic() + wait_s
    while True:
        try:
            return str(file.execute("PRAGMA journal_mode = WAL").fetchone()[0])
        except sqlite3.OperationalError as problem:
            busy = problem.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _bring_up(connection: Connection, path: Path, where: str) -> Opened:
    """Begin or upgrade under the writers' lock; whoever comes second finds it done."""
    connection.info["write"] = False
    with transaction(connection, write=False):
        found = version_of(connection)
    check_version(found, where)
    if found == HEAD:
        return Opened(where, created=False, upgraded_from=None, safety_copy=None, read_only=False)
    # A table that others refer to is rebuilt; checked as a whole before the transaction ends.
    connection.connection.cursor().execute("PRAGMA foreign_keys = OFF").close()
    copy = None
    with transaction(connection, write=True):
        found = version_of(connection)
        check_version(found, where)
        if found is not None and found != HEAD:
            copy = _safety_copy(path, found)
        if found != HEAD:
            upgrade(connection)
            if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
                problem = sqlite3.DatabaseError("records point to nothing")
                problem.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
                raise problem
    connection.connection.cursor().execute("PRAGMA foreign_keys = ON").close()
    older = int(found) if found is not None and found != HEAD else None
    return Opened(where, created=found is None, upgraded_from=older, safety_copy=copy, read_only=False)


def _safety_copy(path: Path, version: str) -> Path:
    """A copy of the log beside it, on the disk before the log is changed."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    copy = path.with_name(f"{path.stem}.version-{version}.{stamp}{path.suffix}")
    part = copy.with_name(copy.name + ".part")
    try:
        with (
            closing(sqlite3.connect(_uri(path, "ro"), uri=True)) as source,
            closing(sqlite3.connect(_uri(part, "rwc"), uri=True)) as target,
        ):
            source.backup(target)
        with part.open("r+b") as written:
            os.fsync(written.fileno())
        part.replace(copy)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return copy
