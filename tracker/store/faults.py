"""What can go wrong with a database, in plain sentences."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from tracker.errors import LogError

PRIMARY = 0xFF  # the low byte of an SQLite result code is the primary one: sqlite.org/rescode.html

_LOCKED = (
    "log_locked",
    "Another program is writing to the launch log {where}.",
    "Wait until it has finished, or close it, and try again; nothing was changed.",
)
_READ_ONLY = (
    "log_read_only",
    "The launch log {where} can be read but not written.",
    "Copy it to a folder you may write to, or ask for the right to write there; nothing was changed.",
)
_FULL = (
    "log_disk_full",
    "There is no room left on the disk for the launch log {where}.",
    "Free some space and measure again; what was saved before is safe.",
)
_DAMAGED = (
    "log_damaged",
    "The launch log {where} is damaged.",
    "Go back to a safety copy or an export of it, and keep the damaged file.",
)
_NOT_A_LOG = (
    "log_not_a_log",
    "{where} is not a launch log.",
    "Name another file; this one was left as it is.",
)
_CANNOT_OPEN = (
    "log_cannot_open",
    "The launch log {where} cannot be opened.",
    "Check that you may read and write the file and its folder.",
)
_CANNOT_WRITE = (
    "log_write_failed",
    "The launch log {where} could not be written.",
    "Check the disk and the space on it, then measure again; what was saved before is safe.",
)
_CANNOT_READ = (
    "log_read_failed",
    "The disk does not give back all of the launch log {where}.",
    "Check the disk or the network it is on; copy the log elsewhere as soon as it can be read.",
)
_UNREACHABLE = (
    "log_unreachable",
    "The database server at {where} does not answer or lets nobody in.",
    "Check address, name, password and network; nothing was changed.",
)
_FAILED = (
    "log_failed",
    "The launch log {where} refused what was asked ({why}).",
    "Try again; if it happens again, export the log and begin a new one.",
)

# The extended code is looked up first, then its primary one.
BY_SQLITE_CODE = {
    sqlite3.SQLITE_IOERR_READ: _CANNOT_READ,
    sqlite3.SQLITE_IOERR_SHORT_READ: _CANNOT_READ,
    sqlite3.SQLITE_BUSY: _LOCKED,
    sqlite3.SQLITE_LOCKED: _LOCKED,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_IOERR: _CANNOT_WRITE,
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_NOTADB: _NOT_A_LOG,
    sqlite3.SQLITE_CANTOPEN: _CANNOT_OPEN,
    sqlite3.SQLITE_PERM: _CANNOT_OPEN,
    sqlite3.SQLITE_AUTH: _CANNOT_OPEN,
}

# PostgreSQL documentation, appendix A, error codes.
BY_SQLSTATE = {
    "55P03": _LOCKED,  # lock_not_available
    "57014": _LOCKED,  # query_canceled, by a time limit
    "40P01": _LOCKED,  # deadlock_detected
    "40001": _LOCKED,  # serialization_failure
    "25006": _READ_ONLY,  # read_only_sql_transaction
    "42501": _READ_ONLY,  # insufficient_privilege
    "53100": _FULL,  # disk_full
    "XX001": _DAMAGED,  # data_corrupted
    "XX002": _DAMAGED,  # index_corrupted
}


def fault(problem: Exception, where: str) -> LogError:
    """The plain error that stands for what a database library raised."""
    cause = problem.orig if isinstance(problem, DBAPIError) and problem.orig is not None else problem
    if isinstance(cause, sqlite3.Error):
        code: int = getattr(cause, "sqlite_errorcode", 0)
        said = BY_SQLITE_CODE.get(code, BY_SQLITE_CODE.get(code & PRIMARY, _FAILED))
    elif hasattr(cause, "sqlstate"):
        said = _server_fault(cause)
    else:
        said = _FAILED
    code_word, message, advice = said
    first_line = (str(cause).strip().splitlines() or [type(cause).__name__])[0]
    return LogError(code_word, message.format(where=where, why=first_line), advice)


def _server_fault(cause: BaseException) -> tuple[str, str, str]:
    state = cause.sqlstate  # type: ignore[attr-defined] # only the server's driver has it
    if state is None or (state[:2] in {"08", "28", "3D", "57"} and state not in BY_SQLSTATE):
        return _UNREACHABLE
    return BY_SQLSTATE.get(state, _FAILED)


@contextmanager
def plainly(where: str) -> Iterator[None]:
    """Turn whatever the database raises inside into a ``LogError``."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as problem:
        raise fault(problem, where) from problem
