"""What is read from the log: lists, whole measurements, the timeline."""

from __future__ import annotations

import difflib
from dataclasses import fields
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, func, select

from tracker.errors import LogError
from tracker.store import tables as t
from tracker.store.coding import from_plain, unpack
from tracker.store.values import (
    NOTE_KINDS,
    ClipRow,
    Exclusion,
    Kept,
    Note,
    SessionRow,
    TimelineRow,
)
from tracker.values import Measured, Setup, Shot

_AS_THEY_ARE = [f.name for f in fields(ClipRow)][3:-1]


def moment(text: str) -> datetime:
    """The time a stamp stands for."""
    return datetime.fromisoformat(text)


def session_key(connection: Connection, name: str) -> int:
    """The key of the session of this name.

    Raises
    ------
    LogError
        If there is none; the nearest name is offered.
    """
    found = connection.execute(select(t.sessions.c.id).where(t.sessions.c.name == name.strip())).scalar()
    if found is not None:
        return int(found)
    names = list(connection.execute(select(t.sessions.c.name).order_by(t.sessions.c.id)).scalars())
    by_fold = {known.casefold(): known for known in names}
    near = difflib.get_close_matches(name.strip().casefold(), by_fold, n=1, cutoff=0.5)
    if near:
        advice = f"Did you mean {by_fold[near[0]]!r}?"
    elif names:
        advice = f"The latest session is {names[-1]!r}; list them all to see the others."
    else:
        advice = "The log is still empty: measure a clip into it first."
    raise LogError("session_unknown", f"There is no session named {name!r} in the launch log.", advice)


def sessions(connection: Connection) -> list[SessionRow]:
    """All sessions; counted from the extracts of clips, not from the shots."""
    s, c, m, e = t.sessions.c, t.clips.c, t.measurements.c, t.exclusions.c
    counted = (
        select(
            s.id,
            s.name,
            s.created,
            func.count(m.id).label("clips"),
            func.coalesce(func.sum(m.shots), 0).label("shots"),
            func.max(m.measured_at).label("last"),
        )
        .outerjoin_from(t.sessions, t.clips, c.session_id == s.id)
        .outerjoin(t.measurements, (m.clip_id == c.id) & m.superseded_at.is_(None))
        .group_by(s.id, s.name, s.created)
        .order_by(s.id)
    )
    left_out = (
        select(c.session_id, func.count().label("excluded"))
        .join_from(t.exclusions, t.shots, t.shots.c.id == e.shot_id)
        .join(t.measurements, (m.id == t.shots.c.measurement_id) & m.superseded_at.is_(None))
        .join(t.clips, c.id == m.clip_id)
        .where(e.taken_back_at.is_(None))
        .group_by(c.session_id)
    )
    excluded = {row.session_id: row.excluded for row in connection.execute(left_out)}
    return [
        SessionRow(
            row.name,
            moment(row.created),
            row.clips,
            int(row.shots),
            excluded.get(row.id, 0),
            row.last and moment(row.last),
        )
        for row in connection.execute(counted)
    ]


def clips(connection: Connection, session_id: int) -> dict[int, ClipRow]:
    """Measurement that counts -> clip, in the order the clips were first logged."""
    c, m = t.clips.c, t.measurements.c
    replaced = connection.execute(
        select(m.clip_id, func.count().label("earlier"))
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .where(c.session_id == session_id, m.superseded_at.is_not(None))
        .group_by(m.clip_id)
    )
    earlier = {row.clip_id: row.earlier for row in replaced}
    found = connection.execute(
        select(m.id, m.clip_id, m.name, c.sha256, m.measured_at, *(m[name] for name in _AS_THEY_ARE))
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .where(c.session_id == session_id, m.superseded_at.is_(None))
        .order_by(c.id)
    ).all()
    rows: dict[int, ClipRow] = {}
    for key, clip_id, name, sha256, at, *rest, warnings, shots in found:
        ends: tuple[Any, ...] = (*rest, tuple(warnings.split()), shots, earlier.get(clip_id, 0))
        rows[key] = ClipRow(name, sha256, moment(at), *ends)
    return rows


def setups(connection: Connection, session_id: int) -> list[Setup]:
    """The set-up of each measurement that counts; equal ones are read once."""
    c, m, d = t.clips.c, t.measurements.c, t.measurement_details.c
    found = connection.execute(
        select(d.setup)
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .join(t.measurement_details, d.measurement_id == m.id)
        .where(c.session_id == session_id, m.superseded_at.is_(None))
        .order_by(c.id)
    ).scalars()
    known: dict[bytes, Setup] = {}
    out = []
    for packed in found:
        if packed not in known:
            known[packed] = from_plain(Setup, unpack(packed))
        out.append(known[packed])
    return out


def shot(connection: Connection, session_id: int, shot_id: int) -> Shot:
    """One shot, whole."""
    found_shot(connection, session_id, shot_id)
    d = t.shot_details.c
    return from_plain(
        Shot, unpack(connection.execute(select(d.shot).where(d.shot_id == shot_id)).scalar_one())
    )


def found_shot(connection: Connection, session_id: int, shot_id: int) -> Any:
    """The shot's number and clip, when its measurement was superseded, and its standing exclusion.

    Raises
    ------
    LogError
        If the session has no such shot.
    """
    c, m, s, e = t.clips.c, t.measurements.c, t.shots.c, t.exclusions.c
    found = connection.execute(
        select(s.shot, m.name, m.superseded_at, e.id.label("exclusion"), e.reason, e.excluded_at)
        .join_from(t.shots, t.measurements, m.id == s.measurement_id)
        .join(t.clips, c.id == m.clip_id)
        .outerjoin(t.exclusions, (e.shot_id == s.id) & e.taken_back_at.is_(None))
        .where(s.id == shot_id, c.session_id == session_id)
    ).one_or_none()
    if found is None:
        raise LogError(
            "shot_unknown",
            f"The session has no shot with the number {shot_id} in the log.",
            "List the session's shots to see their numbers in the log.",
        )
    return found


def history(connection: Connection, session_id: int, sha256: str) -> list[Kept]:
    """Every measurement of a clip, the one that counts first, then the newest."""
    c, m, d = t.clips.c, t.measurements.c, t.measurement_details.c
    found = connection.execute(
        select(m.id, m.how, m.measured_at, m.superseded_at, m.program_version, d.measured, d.setup)
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .join(t.measurement_details, d.measurement_id == m.id)
        .where(c.session_id == session_id, c.sha256 == sha256)
        .order_by(m.id.desc())
    ).all()
    if not found:
        raise LogError(
            "clip_unknown",
            "The session holds no clip with this content.",
            "List the session's clips, or log the clip first.",
        )
    return [
        Kept(
            from_plain(Measured, whole_measured(connection, row.id, row.measured)),
            from_plain(Setup, unpack(row.setup)),
            row.how,
            moment(row.measured_at),
            row.superseded_at and moment(row.superseded_at),
            row.program_version,
        )
        for row in found
    ]


def whole_measured(connection: Connection, measurement_id: int, packed: bytes) -> dict[str, Any]:
    """One measurement in plain JSON, its shots in their places."""
    s, d = t.shots.c, t.shot_details.c
    found = connection.execute(
        select(d.shot)
        .join_from(t.shots, t.shot_details, d.shot_id == s.id)
        .where(s.measurement_id == measurement_id)
        .order_by(s.id)
    )
    whole: dict[str, Any] = unpack(packed)
    return whole | {"shots": [unpack(row.shot) for row in found]}


def exclusions(connection: Connection, session_id: int) -> list[Exclusion]:
    """Every exclusion of shots that count now, or counted before their clip was measured again."""
    found = connection.execute(_exclusions().where(t.clips.c.session_id == session_id))
    return [
        Exclusion(
            row.session,
            row.clip,
            row.shot,
            row.shot_id,
            row.reason,
            moment(row.excluded_at),
            row.taken_back_at and moment(row.taken_back_at),
            row.carried,
        )
        for row in found
    ]


def _exclusions() -> Select[Any]:
    c, m, s, e = t.clips.c, t.measurements.c, t.shots.c, t.exclusions.c
    return (
        select(
            t.sessions.c.name.label("session"),
            m.name.label("clip"),
            s.shot,
            e.shot_id,
            e.reason,
            e.excluded_at,
            e.taken_back_at,
            e.carried,
        )
        .join_from(t.exclusions, t.shots, s.id == e.shot_id)
        .join(t.measurements, m.id == s.measurement_id)
        .join(t.clips, c.id == m.clip_id)
        .join(t.sessions, t.sessions.c.id == c.session_id)
        .order_by(e.excluded_at, e.id)
    )


def notes(connection: Connection) -> list[Note]:
    """All notes by the date they are about."""
    n = t.notes.c
    found = connection.execute(select(n.noted_for, n.kind, n.text).order_by(n.noted_for, n.id))
    return [Note(moment(row.noted_for), row.kind, row.text) for row in found]


def timeline(connection: Connection) -> list[TimelineRow]:
    """Measurements, exclusions and notes by date."""
    c, m = t.clips.c, t.measurements.c
    rows = [
        TimelineRow(note.when, note.kind, "", note.text or NOTE_KINDS.get(note.kind, note.kind))
        for note in notes(connection)
    ]
    first: set[int] = set()
    measured = connection.execute(
        select(t.sessions.c.name.label("session"), m.clip_id, m.name, m.shots, m.measured_at)
        .join_from(t.measurements, t.clips, c.id == m.clip_id)
        .join(t.sessions, t.sessions.c.id == c.session_id)
        .order_by(m.id)
    )
    for row in measured:
        kind = "measured_again" if row.clip_id in first else "measured"
        first.add(row.clip_id)
        text = f"{row.name}: {row.shots} {'shot' if row.shots == 1 else 'shots'}"
        rows.append(TimelineRow(moment(row.measured_at), kind, row.session, text))
    for row in connection.execute(_exclusions()):
        which = f"{row.clip}, shot {row.shot}"
        if not row.carried:  # else it is the same decision once more
            text = f"{which}: {row.reason}"
            rows.append(TimelineRow(moment(row.excluded_at), "excluded", row.session, text))
        if row.taken_back_at:
            rows.append(TimelineRow(moment(row.taken_back_at), "taken_back", row.session, which))
    return sorted(rows, key=lambda row: row.when)
