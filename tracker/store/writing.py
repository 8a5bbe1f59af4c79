"""What is written to the log. Each function works inside the one transaction its caller holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import Connection, insert, select, update

from tracker import __version__
from tracker.errors import LogError
from tracker.store import tables as t
from tracker.store.coding import from_plain, pack, to_plain, unpack
from tracker.store.identity import calibration_fingerprint, setup_fingerprint
from tracker.store.values import NOTE_KINDS, Added, Note
from tracker.values import Measured, Number, Setup, Shot

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Record:
    """One measurement as it will be kept: plain JSON as it came, and the values it stands for."""

    plain_measured: Mapping[str, Any]
    plain_setup: Mapping[str, Any]
    measured: Measured
    setup: Setup
    how: str
    measured_at: str
    superseded_at: str | None
    program_version: str

    @classmethod
    def read(
        cls,
        plain_measured: Mapping[str, Any],
        plain_setup: Mapping[str, Any],
        how: str,
        measured_at: str,
        superseded_at: str | None,
        program_version: str,
    ) -> Record:
        """The record; it can be read back, because here it has been."""
        return cls(
            plain_measured,
            plain_setup,
            from_plain(Measured, plain_measured),
            from_plain(Setup, plain_setup),
            how,
            measured_at,
            superseded_at,
            program_version,
        )


def stamp(when: datetime | None = None) -> str:
    """ISO 8601 in UTC, always of the same length; a time without a zone is this computer's."""
    moment = datetime.now(UTC) if when is None else when.astimezone(UTC)
    return moment.isoformat(timespec="microseconds")


def clean(words: str) -> str:
    """Text as every database can hold it: no NUL, no halves of characters from odd file names."""
    return words.replace("\x00", "\ufffd").encode("utf-8", "replace").decode("utf-8")


def add(
    connection: Connection, session: str, measured: Measured, setup: Setup, how: str, when: datetime | None
) -> Added:
    """Log one measured clip; see ``Log.add``."""
    record = Record.read(to_plain(measured), to_plain(setup), clean(how), stamp(when), None, __version__)
    session_id = session_for(connection, session, record.measured_at)
    clip_id = clip_for(connection, session_id, measured.sha256)
    m = t.measurements
    kept = connection.execute(
        select(m.c.id, m.c.setup_hash, m.c.program_version, m.c.shots)
        .where(m.c.clip_id == clip_id)
        .order_by(m.c.superseded_at.is_(None).desc())
    ).all()
    if not kept:
        insert_measurement(connection, clip_id, record)
        return Added("added", len(measured.shots), 0)
    current = kept[0]
    same = (setup_fingerprint(record.setup, record.how), record.program_version)
    if (current.setup_hash, current.program_version) == same:
        return Added("already_there", current.shots, len(kept) - 1)
    connection.execute(update(m).where(m.c.id == current.id).values(superseded_at=record.measured_at))
    new_id = insert_measurement(connection, clip_id, record)
    carried, lost = _carry_exclusions(connection, current.id, new_id, record)
    return Added("replaced", len(measured.shots), len(kept), carried, lost)


def session_for(connection: Connection, name: str, created: str) -> int:
    """The session of this name, begun if there is none.

    Raises
    ------
    LogError
        If the name cannot be one.
    """
    name = name.strip()
    if not name or len(name) > 200 or not name.isprintable():
        raise LogError(
            "session_name",
            "A session needs a name of one line, at most 200 characters long.",
            "Name it after what you tried, such as 'new backing, 3000 rpm'.",
        )
    found = connection.execute(select(t.sessions.c.id).where(t.sessions.c.name == name)).scalar()
    return found or _insert(connection, t.sessions, {"name": name, "created": created})


def clip_for(connection: Connection, session_id: int, sha256: str) -> int:
    """The clip of this content in the session, entered if there is none."""
    c = t.clips.c
    found = connection.execute(
        select(c.id).where(c.session_id == session_id, c.sha256 == clean(sha256))
    ).scalar()
    return found or _insert(connection, t.clips, {"session_id": session_id, "sha256": clean(sha256)})


def insert_measurement(connection: Connection, clip_id: int, record: Record) -> int:
    """Enter one measurement with its shots; its key."""
    measurement_id = _insert(connection, t.measurements, {"clip_id": clip_id} | _extract(record))
    whole = {key: value for key, value in record.plain_measured.items() if key != "shots"}
    connection.execute(
        insert(t.measurement_details),
        {"measurement_id": measurement_id, "measured": pack(whole), "setup": pack(record.plain_setup)},
    )
    rows = [
        {"measurement_id": measurement_id} | _extract_shot(shot, record.setup)
        for shot in record.measured.shots
    ]
    if rows:
        connection.execute(insert(t.shots), rows)
    ids = shot_ids(connection, measurement_id)
    plain_shots: Sequence[Mapping[str, Any]] = record.plain_measured.get("shots", [])
    details = [{"shot_id": ids[plain["shot"]], "shot": pack(plain)} for plain in plain_shots]
    if details:
        connection.execute(insert(t.shot_details), details)
    return measurement_id


def shot_ids(connection: Connection, measurement_id: int) -> dict[int, int]:
    """Shot number -> key, for the shots of one measurement."""
    s = t.shots.c
    found = connection.execute(select(s.shot, s.id).where(s.measurement_id == measurement_id))
    return {row.shot: row.id for row in found}


def exclude(connection: Connection, shot_id: int, reason: str, when: datetime | None) -> None:
    """Take a shot out of the count; the caller has checked that it is in it."""
    reason = clean(reason.strip())
    if not reason:
        raise LogError(
            "reason_missing",
            "A shot is only left out for a reason.",
            "Say in a few words what happened, such as 'ball hit a hand'.",
        )
    connection.execute(
        insert(t.exclusions),
        {"shot_id": shot_id, "reason": reason, "excluded_at": stamp(when), "carried": False},
    )


def include(connection: Connection, exclusion_id: int, when: datetime | None) -> None:
    """Take an exclusion back."""
    e = t.exclusions
    connection.execute(update(e).where(e.c.id == exclusion_id).values(taken_back_at=stamp(when)))


def note(connection: Connection, when: datetime, kind: str, words: str) -> Note:
    """Write down something done to the launcher.

    Raises
    ------
    LogError
        If there is no such kind of note, or one of kind "other" says nothing.
    """
    key = kind.strip().lower().replace(" ", "_")
    if key not in NOTE_KINDS:
        raise LogError(
            "note_kind",
            f"There is no kind of note called {kind!r}.",
            f"The kinds are: {', '.join(NOTE_KINDS)}.",
        )
    words = clean(words.strip())
    if key == "other" and not words:
        raise LogError("note_empty", "The note says nothing.", "Say in a few words what was done.")
    row = {"noted_for": stamp(when), "kind": key, "text": words}
    connection.execute(insert(t.notes), row)
    return Note(datetime.fromisoformat(row["noted_for"]), key, words)


# -- extracts -----------------------------------------------------------------------------------


def _extract(record: Record) -> Row:
    measured, scale, picture = record.measured, record.measured.scale, record.measured.picture
    return {
        "measured_at": record.measured_at,
        "superseded_at": record.superseded_at,
        "program_version": record.program_version,
        "name": clean(measured.clip),
        "setup_hash": setup_fingerprint(record.setup, record.how),
        "setup_text": clean(record.setup.text),
        "how": record.how,
        "calibration": calibration_fingerprint(record.setup, picture),
        "frames": measured.frames,
        "width_px": picture.width_px,
        "height_px": picture.height_px,
        "quarter_turns": picture.quarter_turns,
        "mirrored": picture.mirrored,
        "capture_fps": measured.clock.capture_fps,
        "stretch": measured.clock.stretch,
        "clock_source": clean(measured.clock.source),
        "m_per_px": scale and scale.m_per_px.value,
        "u_random_m_per_px": scale and scale.m_per_px.u_random,
        "u_common_m_per_px": scale and scale.m_per_px.u_common,
        "scale_source": scale and clean(scale.source),
        "warnings": clean(" ".join(doubt.code for doubt in measured.warnings)),
        "shots": len(measured.shots),
    }


def _extract_shot(shot: Shot, setup: Setup) -> Row:
    floats: dict[str, float | None] = {}
    for name in t.NUMBERS:
        number: Number | None = getattr(shot, name)
        values = (None,) * 3 if number is None else (number.value, number.u_random, number.u_common)
        floats |= {f"{part}{name}": value for part, value in zip(t.PARTS, values, strict=True)}
    floats |= {name: getattr(setup.launcher, name) for name in t.SETTINGS}
    floats["chi2_per_dof"] = shot.chi2_per_dof
    floats |= {name: getattr(shot.onward, name, None) for name in t.ONWARD}
    row: Row = {
        "shot": shot.shot,
        "direction": clean(shot.direction),
        "spin_source": clean(shot.spin_source),
        "sightings": shot.sightings,
        "flags": clean(" ".join(shot.flags)),
        "floats": np.array([floats[name] for name in t.FLOATS], dtype="<f8").tobytes(),
    }
    return row | floats


def _insert(connection: Connection, table: Any, row: Row) -> int:
    return int(connection.execute(insert(table).returning(table.c.id), row).scalar_one())


# -- exclusions follow their launch -------------------------------------------------------------


def _carry_exclusions(connection: Connection, old_id: int, new_id: int, record: Record) -> tuple[int, int]:
    """Exclude again, with the same reason and date, the launches that were excluded before.

    A launch is known by the frames it was seen in: its number and its times may have changed with
    the set-up, the frames of the film have not.
    """
    s, e, d = t.shots.c, t.exclusions.c, t.shot_details.c
    standing = connection.execute(
        select(d.shot, e.reason, e.excluded_at)
        .join_from(t.exclusions, t.shots, e.shot_id == s.id)
        .join(t.shot_details, d.shot_id == s.id)
        .where(s.measurement_id == old_id, e.taken_back_at.is_(None))
        .order_by(e.id)
    ).all()
    if not standing:
        return 0, 0
    ids, taken = shot_ids(connection, new_id), set()
    for row in standing:
        number = _same_launch(_unpack_shot(row.shot), record.measured.shots)
        if number is not None and number not in taken:
            taken.add(number)
            again = {"shot_id": ids[number], "reason": row.reason, "excluded_at": row.excluded_at}
            connection.execute(insert(t.exclusions), again | {"carried": True})
    return len(taken), len(standing) - len(taken)


def _same_launch(old: Shot, shots: Sequence[Shot]) -> int | None:
    """The number of the shot that was seen in most of the same frames."""
    shared = [(len(np.intersect1d(old.path.frame, shot.path.frame)), -shot.shot) for shot in shots]
    frames, number = max(shared, default=(0, 0))
    return -number if frames else None


def _unpack_shot(packed: bytes) -> Shot:
    return from_plain(Shot, unpack(packed))
