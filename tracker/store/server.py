"""A launch log that several share: PostgreSQL."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from importlib.util import find_spec

from sqlalchemy import URL, Connection, create_engine, event, inspect, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool

from tracker.errors import LogError
from tracker.store.book import Book, transaction
from tracker.store.faults import plainly
from tracker.store.tables import metadata
from tracker.store.upgrade import HEAD, VERSION_TABLE, check_version, upgrade, version_of
from tracker.store.values import Opened


def open_server(address: str, *, create: bool, wait_s: float) -> Book:
    """Open the log at this address, begin it or bring it up to date.

    Raises
    ------
    LogError
        If the address, the server or the log there cannot be used.
    """
    url = _url(address)
    where = url.render_as_string(hide_password=True).replace("+psycopg", "", 1)
    engine = create_engine(
        url, poolclass=NullPool, connect_args={"connect_timeout": max(2, math.ceil(wait_s))}
    )
    wait_ms = max(1, round(wait_s * 1000))

    @event.listens_for(engine, "connect")
    def connected(raw: DBAPIConnection, _: object) -> None:
        # Not among the options of the address, which may hold some of its own (a schema, say).
        raw.cursor().execute(f"SET lock_timeout = {wait_ms}")
        raw.commit()

    connection: Connection | None = None
    try:
        with plainly(where):
            connection = engine.connect()
            opened = _bring_up(connection, where, create=create)
    except BaseException:
        if connection is not None:
            connection.close()
        engine.dispose()
        raise
    return Book(engine, connection, opened)


def _url(address: str) -> URL:
    plain = re.sub(r"^postgres(ql)?(\+psycopg)?://", "postgresql+psycopg://", address)
    try:
        url = make_url(plain)
        known = url.drivername == "postgresql+psycopg" and bool(url.database)
    except (ArgumentError, ValueError):
        known = False
    if not known:
        raise LogError(
            "log_address",
            "The address of the launch log is neither a file nor a database on a PostgreSQL server.",
            "Name a file, or an address like postgresql://user@server/database.",
        )
    if find_spec("psycopg") is None:
        raise LogError(
            "log_driver_missing",
            "The part of lobscope that talks to a PostgreSQL server is not installed.",
            "Install it with: pip install 'lobscope[league]'",
        )
    return url


def _bring_up(connection: Connection, where: str, *, create: bool) -> Opened:
    with transaction(connection, write=False):
        found = version_of(connection)
    check_version(found, where)
    if found is None and not create:
        raise LogError(
            "log_missing",
            f"There is no launch log at {where}.",
            "Measure a clip with --log to begin one, or give another address.",
        )
    if found == HEAD:
        return Opened(where, created=False, upgraded_from=None, safety_copy=None, read_only=False)
    copy = None
    with transaction(connection, write=True):
        found = version_of(connection)
        check_version(found, where)
        if found is None:
            _refuse_foreign_tables(connection, where)
        elif found != HEAD:
            copy = _safety_copy(connection, found)
        if found != HEAD:
            upgrade(connection)
    older = int(found) if found is not None and found != HEAD else None
    return Opened(where, created=found is None, upgraded_from=older, safety_copy=copy, read_only=False)


def _refuse_foreign_tables(connection: Connection, where: str) -> None:
    taken = sorted(set(inspect(connection).get_table_names()) & set(metadata.tables))
    if taken:
        raise LogError(
            "log_not_a_log",
            f"The database {where} belongs to something else: it has a table {taken[0]!r} of its own.",
            "Make an empty database for the launch log; this one was left as it is.",
        )


def _safety_copy(connection: Connection, version: str) -> str:
    """A copy of every table in a schema of its own, in the same transaction as the upgrade."""
    stamp = datetime.now(UTC).strftime("%Y%m%dt%H%M%S%f")
    schema = f"lobscope_version_{version}_{stamp}"
    connection.execute(text(f"CREATE SCHEMA {schema}"))
    for table in inspect(connection).get_table_names():
        if table in metadata.tables or table == VERSION_TABLE:
            connection.execute(text(f"CREATE TABLE {schema}.{table} AS TABLE {table}"))
    return schema
