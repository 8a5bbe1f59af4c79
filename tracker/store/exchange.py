"""The log as one open document and back, and a session as a table."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from tracker.errors import LogError
from tracker.store import tables as t
from tracker.store.coding import unpack
from tracker.store.reading import whole_measured
from tracker.store.values import NOTE_KINDS, Imported, ShotColumns
from tracker.store.writing import Record, clean, clip_for, insert_measurement, session_for, shot_ids, stamp

FORMAT = 1
Plain = dict[str, Any]


def export_json(connection: Connection) -> str:
    """Everything in the log; keys of the database, which mean nothing elsewhere, are left out."""
    n = t.notes.c
    notes = connection.execute(select(n.noted_for, n.kind, n.text).order_by(n.id))
    document = {
        "lobscope_log": FORMAT,
        "sessions": [
            {"name": row.name, "created": row.created, "clips": _export_clips(connection, row.id)}
            for row in connection.execute(select(t.sessions).order_by(t.sessions.c.id)).all()
        ],
        "notes": [{"when": row.noted_for, "kind": row.kind, "text": row.text} for row in notes],
    }
    return json.dumps(document, allow_nan=False, ensure_ascii=True, indent=1) + "\n"


def _export_clips(connection: Connection, session_id: int) -> list[Plain]:
    c, m, d = t.clips.c, t.measurements.c, t.measurement_details.c
    found = connection.execute(
        select(t.measurements, c.sha256, d.measured, d.setup)
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .join(t.measurement_details, d.measurement_id == m.id)
        .where(c.session_id == session_id)
        .order_by(c.id, m.id)
    ).all()
    out: dict[str, list[Plain]] = {}
    for row in found:
        out.setdefault(row.sha256, []).append(
            {
                "measured_at": row.measured_at,
                "superseded_at": row.superseded_at,
                "program_version": row.program_version,
                "how": row.how,
                "setup": unpack(row.setup),
                "measured": whole_measured(connection, row.id, row.measured),
                "exclusions": _export_exclusions(connection, row.id),
            }
        )
    return [{"sha256": sha256, "measurements": kept} for sha256, kept in out.items()]


def _export_exclusions(connection: Connection, measurement_id: int) -> list[Plain]:
    s, e = t.shots.c, t.exclusions.c
    found = connection.execute(
        select(s.shot, e.reason, e.excluded_at, e.taken_back_at, e.carried)
        .join_from(t.exclusions, t.shots, s.id == e.shot_id)
        .where(s.measurement_id == measurement_id)
        .order_by(e.id)
    )
    return [dict(row._mapping) for row in found]  # noqa: SLF001 - SQLAlchemy's public name for it


def import_json(connection: Connection, text: str) -> Imported:
    """Add what the document holds and the log does not.

    A clip that its session already holds is left alone with all that is known of it here.

    Raises
    ------
    LogError
        If the text is not such a document, or one of a newer program.
    """
    document = _document(text)
    new = there = 0
    try:
        for session in document["sessions"]:
            session_id = session_for(connection, session["name"], _when(session["created"]))
            for clip in session["clips"]:
                if _holds(connection, session_id, clip["sha256"]):
                    there += 1
                else:
                    _import_clip(connection, session_id, clip)
                    new += 1
        notes = _import_notes(connection, document["notes"])
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as problem:
        if isinstance(problem, LogError) and problem.code != "log_damaged":
            raise
        raise _unreadable(f"it breaks off or does not fit at {problem}") from problem
    return Imported(new, there, notes)


def _document(text: str) -> Plain:
    try:
        document = json.loads(text)
        version = document["lobscope_log"]
    except (ValueError, KeyError, TypeError, RecursionError) as problem:
        raise _unreadable("it is not an export of a launch log") from problem
    if not isinstance(version, int) or version > FORMAT:
        raise LogError(
            "log_newer",
            "The export was written by a newer lobscope.",
            "Update lobscope on this computer; the log was left as it is.",
        )
    return dict(document)


def _unreadable(why: str) -> LogError:
    return LogError(
        "import_unreadable",
        f"The export cannot be read: {why}.",
        "Export the other log again; this log was left as it is.",
    )


def _when(text: str) -> str:
    return stamp(datetime.fromisoformat(text))


def _holds(connection: Connection, session_id: int, sha256: str) -> bool:
    c = t.clips.c
    found = select(c.id).where(c.session_id == session_id, c.sha256 == clean(sha256))
    return connection.execute(found).scalar() is not None


def _import_clip(connection: Connection, session_id: int, clip: Plain) -> None:
    clip_id = clip_for(connection, session_id, clip["sha256"])
    if [kept["superseded_at"] for kept in clip["measurements"]].count(None) != 1:
        raise ValueError("a clip without exactly one measurement that counts")
    for kept in clip["measurements"]:
        record = Record.read(
            kept["measured"],
            kept["setup"],
            clean(kept["how"]),
            _when(kept["measured_at"]),
            kept["superseded_at"] and _when(kept["superseded_at"]),
            clean(kept["program_version"]),
        )
        ids = shot_ids(connection, insert_measurement(connection, clip_id, record))
        for entry in kept["exclusions"]:
            row = {
                "shot_id": ids[entry["shot"]],
                "reason": clean(entry["reason"]),
                "excluded_at": _when(entry["excluded_at"]),
                "taken_back_at": entry["taken_back_at"] and _when(entry["taken_back_at"]),
                "carried": bool(entry["carried"]),
            }
            connection.execute(insert(t.exclusions), row)


def _import_notes(connection: Connection, notes: list[Plain]) -> int:
    """Enter the notes the log lacks; one written twice there is there twice here."""
    n = t.notes.c
    there = Counter(tuple(row) for row in connection.execute(select(n.noted_for, n.kind, n.text)))
    new = []
    for note in notes:
        if note["kind"] not in NOTE_KINDS:
            raise ValueError(f"a note of kind {note['kind']!r}")
        said = (_when(note["when"]), note["kind"], clean(note["text"]))
        if there[said]:
            there[said] -= 1
        else:
            new.append(dict(zip(("noted_for", "kind", "text"), said, strict=True)))
    if new:
        connection.execute(insert(t.notes), new)
    return len(new)


# -- table --------------------------------------------------------------------------------------


def to_csv(columns: ShotColumns) -> str:
    """The shots as RFC 4180 asks: a heading, commas, CRLF; an empty field is "none" or "not stated"."""
    numbers = [
        (f"{part}{name}", getattr(getattr(columns, name), part.rstrip("_") or "value"))
        for name in t.NUMBERS
        for part in t.PARTS
    ]
    floats = [*numbers, *((name, getattr(columns, name)) for name in t.SETTINGS)]
    floats.append(("chi2_per_dof", columns.chi2_per_dof))
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    before = ["id", "clip", "sha256", "shot", "measured_at"]
    after = ["sightings", "spin_source", "flags", "calibration", "excluded", "reason"]
    table.writerow([*before, *(name for name, _ in floats), *after])
    listed = [[_field(value) for value in column.tolist()] for _, column in floats]
    for i, values in enumerate(zip(*listed, strict=True)):
        clip = columns.clips[columns.clip[i]]
        table.writerow(
            [
                *(columns.id[i], clip.name, clip.sha256, columns.shot[i], clip.measured_at.isoformat()),
                *values,
                *(columns.sightings[i], columns.spin_source[i], " ".join(columns.flags[i])),
                *(columns.calibration[i], "yes" if columns.excluded[i] else "no", columns.reason[i]),
            ]
        )
    return out.getvalue()


def _field(value: float) -> str:
    return "" if value != value else repr(value)  # noqa: PLR0124 - NaN is the one that differs from itself
