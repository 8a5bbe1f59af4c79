"""The shots of a session as columns: no object is made for a shot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Connection, Result, select

from calibration.values import Ints, frozen
from tracker.store import tables as t
from tracker.store.reading import clips, session_key
from tracker.store.values import NumberColumns, ShotColumns

A = TypeVar("A", bound=np.ndarray[Any, Any])

_FIELDS = ("id", "measurement_id", "shot", "sightings", "spin_source", "flags", "floats")


def shots(connection: Connection, session: str) -> ShotColumns:
    """The shots of a session as columns."""
    session_id = session_key(connection, session)
    rows = clips(connection, session_id)
    c, m, s = t.clips.c, t.measurements.c, t.shots.c
    of_session = (
        select(*(s[name] for name in _FIELDS))
        .join_from(t.clips, t.measurements, m.clip_id == c.id)
        .join(t.shots, s.measurement_id == m.id)
        .where(c.session_id == session_id, m.superseded_at.is_(None))
        .order_by(c.id, s.shot)
    )
    ids, of, number, sightings, spin_source, flags, floats = _transposed(connection.execute(of_session))
    packed = np.frombuffer(b"".join(floats), dtype="<f8").reshape(len(ids), len(t.FLOATS))
    columns = {name: frozen(column) for name, column in zip(t.FLOATS, packed.T, strict=True)}
    numbers: dict[str, Any] = {
        name: NumberColumns(*(columns[f"{part}{name}"] for part in t.PARTS)) for name in t.NUMBERS
    }
    alone: dict[str, Any] = {name: columns[name] for name in (*t.SETTINGS, *t.ONWARD)}
    place = {key: index for index, key in enumerate(rows)}
    clip = _ints([place[key] for key in of])
    why = _standing_reasons(connection, session_id)
    listed = tuple(rows.values())
    stamps = [row.measured_at.replace(tzinfo=None) for row in listed]
    return ShotColumns(
        session=session.strip(),
        id=_ints(ids),
        clips=listed,
        clip=clip,
        shot=_ints(number),
        measured_at=_fixed(np.array(stamps, dtype="datetime64[us]")[clip]),
        spin_source=_fixed(np.array(spin_source, dtype=np.str_)),
        sightings=_ints(sightings),
        chi2_per_dof=columns["chi2_per_dof"],
        flags=_split(flags),
        excluded=_fixed(np.array([key in why for key in ids], dtype=np.bool_)),
        reason=tuple(why.get(key, "") for key in ids),
        calibration=_fixed(np.array([row.calibration for row in listed], dtype=np.str_)[clip]),
        **numbers,
        **alone,
    )


def _transposed(found: Result[Any]) -> list[list[Any]]:
    """Rows to columns, some at a time: a hundred thousand rows at once keep the garbage collector busy."""
    columns: list[list[Any]] = [[] for _ in _FIELDS]
    for rows in found.partitions(2000):
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column.extend(values)
    return columns


def _standing_reasons(connection: Connection, session_id: int) -> dict[int, str]:
    """Shot -> why it is left out."""
    c, m, s, e = t.clips.c, t.measurements.c, t.shots.c, t.exclusions.c
    found = connection.execute(
        select(e.shot_id, e.reason)
        .join_from(t.exclusions, t.shots, s.id == e.shot_id)
        .join(t.measurements, m.id == s.measurement_id)
        .join(t.clips, c.id == m.clip_id)
        .where(c.session_id == session_id, e.taken_back_at.is_(None))
    )
    return {row.shot_id: row.reason for row in found}


def _split(flags: Iterable[str]) -> tuple[tuple[str, ...], ...]:
    """Lists of flags; shots with the same ones share one tuple, as most have none or one."""
    known: dict[str, tuple[str, ...]] = {}
    return tuple(
        known[said] if said in known else known.setdefault(said, tuple(said.split())) for said in flags
    )


def _ints(values: Sequence[int]) -> Ints:
    return _fixed(np.array(values, dtype=np.int64))


def _fixed(array: A) -> A:
    array.flags.writeable = False
    return array
