"""The launch log, a question a team asks -> the rooms' answers, evaluated."""

from tracker.logbook.changes import Compared, checked, comparable, compared
from tracker.logbook.sessions import (
    AGAINST_CALIBRATION,
    Consistency,
    Session,
    consistency,
    doubtful_clips,
    exit_scatter,
    label,
    read_session,
    sample_of,
    scatter,
)
from tracker.logbook.settings import AsDesigned, as_designed, learned, modelled_change, settings

__all__ = [
    "AGAINST_CALIBRATION",
    "AsDesigned",
    "Compared",
    "Consistency",
    "Session",
    "as_designed",
    "checked",
    "comparable",
    "compared",
    "consistency",
    "doubtful_clips",
    "exit_scatter",
    "label",
    "learned",
    "modelled_change",
    "read_session",
    "sample_of",
    "scatter",
    "settings",
]
