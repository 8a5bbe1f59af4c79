"""Values <-> the launch log (a database file)."""

from tracker.store.identity import reference_fingerprint
from tracker.store.log import Log
from tracker.store.place import DEFAULT_NAME, ENVIRONMENT, place
from tracker.store.values import (
    NOTE_KINDS,
    Added,
    ClipRow,
    Exclusion,
    Imported,
    Kept,
    Note,
    NumberColumns,
    Opened,
    SessionRow,
    ShotColumns,
    TimelineRow,
)

__all__ = [
    "DEFAULT_NAME",
    "ENVIRONMENT",
    "NOTE_KINDS",
    "Added",
    "ClipRow",
    "Exclusion",
    "Imported",
    "Kept",
    "Log",
    "Note",
    "NumberColumns",
    "Opened",
    "SessionRow",
    "ShotColumns",
    "TimelineRow",
    "place",
    "reference_fingerprint",
]
