"""Bringing a log to the newest version, and refusing one that is newer than this program."""

from __future__ import annotations

from sqlalchemy import Connection, inspect, text

from tracker.errors import LogError

HEAD = "3"
VERSION_TABLE = "lobscope_version"
KNOWN = ("1", "2", HEAD)


def version_of(connection: Connection) -> str | None:
    """The version the log says it has; None if there is no log yet."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    found = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}"))  # noqa: S608 - a constant
    return str(found.scalar_one_or_none() or "")


def check_version(found: str | None, where: str) -> None:
    """Refuse what this program does not know.

    Raises
    ------
    LogError
        If the log is newer, or names no version.
    """
    if found is None or found in KNOWN:
        return
    if found.isdecimal() and int(found) > int(HEAD):
        raise LogError(
            "log_newer",
            f"The launch log {where} was written by a newer lobscope (version {found} of the log; "
            f"this one knows up to {HEAD}).",
            "Update lobscope on this computer; the log was left as it is.",
        )
    raise LogError(
        "log_damaged",
        f"The launch log {where} does not say which version it has.",
        "Go back to a safety copy or an export of it, and keep the damaged file.",
    )


def upgrade(connection: Connection, to: str = HEAD) -> None:
    """Run what is missing up to a version, within the transaction that the caller holds."""
    from alembic import command  # noqa: PLC0415 - only a log that is new or old needs it
    from alembic.config import Config  # noqa: PLC0415 - the same

    config = Config()
    config.set_main_option("script_location", "tracker.store:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, to)
