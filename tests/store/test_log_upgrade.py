"""An older log is upgraded after a safety copy, a newer one refused, and neither loses anything."""

# ruff: noqa: S608 - the names of tables put into statements are constants of this file

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import made_shots as made
import numpy as np
import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from tracker.errors import LogError
from tracker.store import Log
from tracker.store.tables import metadata
from tracker.store.upgrade import HEAD, KNOWN, VERSION_TABLE, upgrade

CLIPS = [made.measured(seed, shots=3) for seed in (1, 2)]
LEFT_OUT = "2026-02-03T04:05:06.000007+00:00"
TABLES = ("sessions", "clips", "measurements", "measurement_details", "shots", "shot_details")
WORKER = Path(__file__).with_name("log_worker.py")


def make_old(engine, new):
    """A version-1 log with the rows of a new one, its second shot left out."""
    with engine.begin() as connection:
        upgrade(connection, "1")
        found = sa.inspect(connection)
        for table in TABLES:
            names = [column["name"] for column in found.get_columns(table)]
            old = sa.table(table, *map(sa.column, names))
            with closing(sqlite3.connect(new)) as rows:
                rows.row_factory = sqlite3.Row
                copied = [dict(row) for row in rows.execute(f"SELECT * FROM {table} ORDER BY 1")]
            for row in copied:
                if "mirrored" in row:
                    row["mirrored"] = bool(row["mirrored"])
                if "floats" in row:
                    row["floats"] = row["floats"][: 8 * 36]  # it held no more up to version 2
            connection.execute(sa.insert(old), copied)
        left_out = sa.text("UPDATE shots SET left_out_at = :at WHERE id = 2")
        connection.execute(left_out, {"at": LEFT_OUT})
    engine.dispose()


@pytest.fixture
def new(tmp_path):
    path = tmp_path / "new" / "log.sqlite"
    path.parent.mkdir()
    with Log.open(path) as log:
        for clip in CLIPS:
            log.add("first", clip, made.setup(300.0))
        log.add("first", CLIPS[1], made.setup(320.0))
    return path


@pytest.fixture
def old(file, new):
    make_old(sa.create_engine(f"sqlite:///{file}"), new)
    return file


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def version(path):
    with closing(sqlite3.connect(path)) as log:
        return log.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()[0]


def rows(path, table):
    with closing(sqlite3.connect(path)) as log:
        return log.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()


def check_all_is_there(log):
    for clip in CLIPS:
        assert all(made.same(kept.measured, clip) for kept in log.history("first", clip.sha256))
    assert [len(log.history("first", clip.sha256)) for clip in CLIPS] == [1, 2]
    columns = log.shots("first")
    speeds = [shot.exit_speed_m_s.value for clip in CLIPS for shot in clip.shots]
    assert columns.exit_speed_m_s.value.tolist() == speeds
    assert np.isnan(columns.speed_per_m).all()  # an older program did not say
    assert columns.excluded.tolist() == [False, True, False, False, False, False]
    (exclusion,) = log.exclusions("first")
    assert exclusion.reason == "left out before reasons were kept"
    assert exclusion.excluded_at == datetime(2026, 2, 3, 4, 5, 6, 7, tzinfo=UTC)
    log.note(datetime(2026, 3, 1, tzinfo=UTC), "wheel_changed", "the softer one")
    log.include("first", exclusion.shot_id)
    assert log.add("first", CLIPS[0], made.setup(300.0)).kind == "already_there"


def test_a_version_1_file_with_data_is_upgraded(old):
    with Log.open(old) as log:
        assert (log.opened.upgraded_from, log.opened.created) == (1, False)
        check_all_is_there(log)
    assert version(old) == HEAD
    with closing(sqlite3.connect(old)) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
    with Log.open(old) as log:
        assert (log.opened.upgraded_from, log.opened.safety_copy) == (None, None)


def test_the_safety_copy_is_the_old_log(old):
    before = {table: rows(old, table) for table in TABLES}
    with Log.open(old) as log:
        copy = log.opened.safety_copy
    assert copy.parent == old.parent
    assert copy.name.startswith("log.version-1.")
    assert {table: rows(copy, table) for table in TABLES} == before
    assert version(copy) == "1"
    assert sorted(p.suffix for p in old.parent.iterdir() if p.is_file()) == [".sqlite", ".sqlite"]
    with Log.open(copy) as again:  # it can be used in the log's place
        check_all_is_there(again)


def test_a_version_1_log_on_a_server_is_upgraded(database, new):
    make_old(sa.create_engine(database.replace("postgresql", "postgresql+psycopg")), new)
    engine = sa.create_engine(database.replace("postgresql", "postgresql+psycopg"))
    with engine.begin() as raw:  # rows were entered with their keys, so the counters must follow
        for table in ("sessions", "clips", "measurements", "shots"):
            raw.execute(sa.text(f"SELECT setval('{table}_id_seq', (SELECT max(id) FROM {table}))"))
    with Log.open(database) as log:
        assert log.opened.upgraded_from == 1
        copy = log.opened.safety_copy
        check_all_is_there(log)
    with engine.connect() as raw:
        left_out = raw.execute(sa.text(f"SELECT id, left_out_at FROM {copy}.shots WHERE left_out_at <> ''"))
        assert left_out.all() == [(2, LEFT_OUT)]
        assert raw.execute(sa.text(f"SELECT version_num FROM {copy}.{VERSION_TABLE}")).scalar() == "1"
        assert raw.execute(sa.text(f"SELECT count(*) FROM {copy}.shot_details")).scalar() == 9
    engine.dispose()


def test_two_programs_that_open_an_old_log_at_once_upgrade_it_once(old):
    begun = [
        subprocess.Popen(
            [sys.executable, WORKER, old, name, "20", "3"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        for name in ("one", "two", "three")
    ]
    said = [process.communicate(timeout=120) for process in begun]
    assert [(out.count(b"added"), err) for out, err in said] == [(3, b"")] * 3
    assert len(list(old.parent.glob("log.version-1.*.sqlite"))) == 1
    with Log.open(old) as log:
        assert {row.name: row.shots for row in log.sessions()} == {"first": 6, "one": 6, "two": 6, "three": 6}


def test_a_failed_upgrade_leaves_the_old_log(old):
    with closing(sqlite3.connect(old)) as raw, raw:
        raw.execute("UPDATE shot_details SET shot_id = 77 WHERE shot_id = 3")  # a detail of no shot
    before = {table: rows(old, table) for table in TABLES}
    with pytest.raises(LogError, match="is damaged") as caught:
        Log.open(old)
    assert caught.value.code == "log_damaged"
    assert version(old) == "1"
    assert {table: rows(old, table) for table in TABLES} == before


def test_an_old_log_that_may_only_be_read_is_left(old, only_to_read, unprivileged):
    path = only_to_read(old)
    before = digest(path)
    with unprivileged(), pytest.raises(LogError, match="can be read but not written") as caught:
        Log.open(path)
    assert caught.value.code == "log_read_only"
    assert digest(path) == before
    assert list(path.parent.iterdir()) == [path]


def test_the_upgraded_tables_are_the_ones_the_program_uses(where):
    Log.open(where).close()
    url = (
        f"sqlite:///{where}" if isinstance(where, Path) else where.replace("postgresql", "postgresql+psycopg")
    )
    engine = sa.create_engine(url)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, metadata) == []  # Alembic's own comparison
        assert context.get_current_revision() == HEAD
    engine.dispose()


def test_the_newest_version_is_the_last_migration():
    config = Config()
    config.set_main_option("script_location", "tracker.store:migrations")
    script = ScriptDirectory.from_config(config)
    assert script.get_heads() == [HEAD]
    assert tuple(reversed([step.revision for step in script.walk_revisions()])) == KNOWN


# -- newer --------------------------------------------------------------------------------------


def make_newer(path):
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute(f"UPDATE {VERSION_TABLE} SET version_num = '4'")
        raw.execute("ALTER TABLE shots ADD COLUMN bounce REAL")


def test_a_newer_log_is_refused_and_left_untouched(new):
    make_newer(new)
    before, names = digest(new), sorted(new.parent.iterdir())
    for _ in range(2):
        with pytest.raises(LogError, match=r"written by a newer lobscope \(version 4") as caught:
            Log.open(new)
    assert (caught.value.code, caught.value.advice) == (
        "log_newer",
        "Update lobscope on this computer; the log was left as it is.",
    )
    assert (digest(new), sorted(new.parent.iterdir())) == (before, names)


def test_a_newer_log_whose_journal_was_left_behind_is_refused_too(new, tmp_path):
    """As after a kill of the newer program: what makes it newer stands in the journal alone."""
    beside = tmp_path / "killed.sqlite"
    with closing(sqlite3.connect(new)) as raw:
        raw.execute("PRAGMA wal_autocheckpoint = 0")
        with raw:
            raw.execute(f"UPDATE {VERSION_TABLE} SET version_num = '4'")
        shutil.copy(new, beside)
        shutil.copy(f"{new}-wal", f"{beside}-wal")
    assert Path(f"{beside}-wal").stat().st_size > 0
    before = digest(beside), digest(Path(f"{beside}-wal"))
    with pytest.raises(LogError, match="written by a newer lobscope"):
        Log.open(beside)
    assert (digest(beside), digest(Path(f"{beside}-wal"))) == before
    assert version(beside) == "4"


def test_a_newer_log_on_a_server_is_refused(database):
    Log.open(database).close()
    engine = sa.create_engine(database.replace("postgresql", "postgresql+psycopg"))
    with engine.begin() as raw:
        raw.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '4'"))
    engine.dispose()
    with pytest.raises(LogError, match="written by a newer lobscope"):
        Log.open(database)


def test_a_log_that_says_no_version_is_refused(new):
    with closing(sqlite3.connect(new)) as raw, raw:
        raw.execute(f"DELETE FROM {VERSION_TABLE}")
    before = digest(new)
    with pytest.raises(LogError, match="does not say which version it has"):
        Log.open(new)
    assert digest(new) == before
