"""The log as one document: out of one log, into another, the same document again."""

from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime

import made_shots as made
import pytest

from tracker.errors import LogError
from tracker.store import Imported, Log

DAY = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


def fill(log):
    """Two sessions with all there is: replaced clips, exclusions of both kinds, notes, odd names."""
    for seed in (1, 2, 3):
        log.add(
            "first", made.measured(seed, clip="\u00e9t\u00e9 \udcff\x00.mp4"), made.setup(), measured_at=DAY
        )
    log.add("'; DROP TABLE shots; --", made.measured(1, shots=0), made.setup())
    keys = log.shots("first").id
    log.exclude("first", int(keys[4]), "ball hit a hand")
    log.exclude("first", int(keys[1]), "wind")
    log.include("first", int(keys[1]))
    log.add("first", made.measured(2), made.setup(999.0), how="--from 2")
    log.note(DAY, "battery", "charged")
    log.note(DAY, "battery", "charged")
    log.note(datetime(2026, 2, 1, tzinfo=UTC), "other", "moved indoors")


@pytest.fixture
def document(log):
    fill(log)
    return log.export_json()


def test_export_import_export_is_the_identity(document, log, elsewhere):
    with Log.open(elsewhere) as other:
        assert other.import_json(document) == Imported(clips=4, already_there=0, notes=3)
        assert other.export_json() == document
        for session in log.sessions():
            assert log.clips(session.name) == other.clips(session.name)
            mine, theirs = log.shots(session.name), other.shots(session.name)
            for field in dataclasses.fields(mine):
                if field.name != "id":  # the numbers in a log are its own
                    assert made.same(getattr(mine, field.name), getattr(theirs, field.name))
        assert log.sessions() == other.sessions()
        assert log.notes() == other.notes()
        assert log.timeline() == other.timeline()


def test_importing_twice_adds_nothing(document, elsewhere):
    with Log.open(elsewhere) as other:
        other.import_json(document)
        before = other.export_json()
        assert other.import_json(document) == Imported(clips=0, already_there=4, notes=0)
        assert other.export_json() == before


def test_an_import_leaves_what_is_there_alone(document, elsewhere):
    with Log.open(elsewhere) as other:
        other.add("first", made.measured(1), made.setup(1.0))
        other.exclude("first", int(other.shots("first").id[0]), "mine")
        assert other.import_json(document) == Imported(clips=3, already_there=1, notes=3)
        assert other.shots("first").reason[0] == "mine"
        assert other.shots("first").wheel_speed_rad_s[0] == 1.0


def test_an_empty_log_exports_and_imports(where, elsewhere):
    with Log.open(where) as log, Log.open(elsewhere) as other:
        assert other.import_json(log.export_json()) == Imported(0, 0, 0)
        assert json.loads(other.export_json()) == {"lobscope_log": 1, "sessions": [], "notes": []}


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: "not json",
        lambda d: "[1, 2]",
        lambda d: "{}",
        lambda d: json.dumps(d)[:-200],
        lambda d: json.dumps(d | {"notes": None}),
        lambda d: json.dumps(d | {"notes": [{"when": "yesterday", "kind": "other", "text": "x"}]}),
        lambda d: json.dumps(d | {"notes": [{"when": "2026-01-01", "kind": "oiled", "text": "x"}]}),
        lambda d: json.dumps(_without(d, "measured")),
        lambda d: json.dumps(_without(d, "superseded_at")),
        lambda d: json.dumps(_without_shots(d)),
    ],
    ids=[
        "text",
        "list",
        "other",
        "cut",
        "no notes",
        "no date",
        "no kind",
        "no clip",
        "no date 2",
        "shot gone",
    ],
)
def test_a_spoilt_document_changes_nothing(document, elsewhere, spoil):
    with Log.open(elsewhere) as other:
        other.note(DAY, "other", "before")
        before = other.export_json()
        with pytest.raises(LogError, match="The export cannot be read") as caught:
            other.import_json(spoil(json.loads(document)))
        assert caught.value.code == "import_unreadable"
        assert other.export_json() == before


def _without(document, key):
    del document["sessions"][0]["clips"][-1]["measurements"][-1][key]
    return document


def _without_shots(document):
    for kept in document["sessions"][0]["clips"][1]["measurements"]:
        kept["measured"]["shots"].clear()  # while exclusions still name them
    return document


def test_a_document_of_a_newer_program_is_refused(log):
    with pytest.raises(LogError, match="written by a newer lobscope") as caught:
        log.import_json('{"lobscope_log": 2, "sessions": []}')
    assert caught.value.code == "log_newer"
