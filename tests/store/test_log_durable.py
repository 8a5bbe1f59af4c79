"""What was reported as saved is there: after a kill, with two writers, on a full disk."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from pathlib import Path

import made_shots as made
import numpy as np
import psutil
import pytest

from tracker.errors import LogError
from tracker.store import Log

WORKER = Path(__file__).with_name("log_worker.py")


def worker(where, session, first, count, shots=2, **how):
    words = [sys.executable, WORKER, where, session, first, count, shots]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    return subprocess.Popen([str(word) for word in words], **pipes, **how)


def said(out, kind="added"):
    return [line.split()[1] for line in out.splitlines() if line.startswith(f"{kind} ")]


def check_whole(where, session, saved, shots=2):
    """Every clip reported is there with all its shots, and nothing is there by halves."""
    by_content = {made.measured(seed, 0).sha256: seed for seed in range(400)}
    with Log.open(where, create=False) as log:
        listed = [row.sha256 for row in log.clips(session)]
        assert set(saved) <= set(listed)
        assert len(listed) == len(set(listed))
        assert len(log.shots(session)) == shots * len(listed)
        for sha256 in listed:
            (kept,) = log.history(session, sha256)
            assert made.same(kept.measured, made.measured(by_content[sha256], shots))
    if isinstance(where, Path):
        with closing(sqlite3.connect(where)) as raw:
            assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
    return listed


def test_a_save_is_on_the_disk_before_it_is_reported(file):
    """Write-ahead journal with a full flush at each save: sqlite.org/pragma.html#pragma_synchronous."""
    with Log.open(file) as log:
        raw = log._book.connection.connection.cursor()
        said = {
            name: raw.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
        raw.close()
    assert said == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}


def test_the_flush_is_seen_from_outside(file, tmp_path):
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    if subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True, check=False).returncode:
        pytest.skip("strace may not watch programs here")
    trace = tmp_path / "trace"
    watched = ["strace", "-f", "-y", "-e", "trace=fsync,fdatasync,write", "-o", trace, sys.executable, WORKER]
    subprocess.run([str(word) for word in [*watched, file, "s", 0, 3]], check=True, capture_output=True)
    calls = trace.read_text().splitlines()
    reports = [k for k, call in enumerate(calls) if "added" in call]
    assert len(reports) == 3
    for begin, end in zip([0, *reports], reports, strict=False):
        assert any("sync(" in call and "-wal" in call for call in calls[begin:end])


def test_a_kill_at_any_moment_loses_nothing_that_was_reported(where):
    rng = np.random.default_rng(20260301)
    saved, first = [], 0
    for _ in range(6):
        process = worker(where, "killed", first, 1000)
        out = process.stdout.readline()
        time.sleep(rng.uniform(0, 0.15))
        process.kill()  # SIGKILL; on Windows it ends the process just as suddenly
        rest, _ = process.communicate()
        saved += said(out + rest)
        listed = check_whole(where, "killed", saved)
        first = len(listed)
        # The kill may fall between the save and the report: one more than reported can be there.
        assert len(listed) - len(saved) <= 6
    assert len(saved) >= 6


def test_a_kill_while_the_log_is_begun_leaves_one_that_can_be_used(file):
    rng = np.random.default_rng(20260302)
    for k in range(6):
        path = file.with_name(f"{k}.sqlite")
        process = worker(path, "killed", 0, 1000)
        deadline = time.monotonic() + 60
        while not path.exists() and time.monotonic() < deadline:
            time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.3))
        process.kill()
        saved = said(process.communicate()[0])
        with Log.open(path) as log:
            log.add("killed", made.measured(399), made.setup())
            assert set(saved) < {row.sha256 for row in log.clips("killed")}


def test_two_programs_that_write_at_once_lose_nothing(where):
    """They begin the log together too; ten of the clips are the same ones."""
    both = [worker(where, "shared", first, 25) for first in (0, 15)]
    outs = [process.communicate(timeout=200) for process in both]
    assert [err for _, err in outs] == ["", ""]
    added = [said(out) for out, _ in outs]
    already = [said(out, "already_there") for out, _ in outs]
    assert [len(a) + len(b) for a, b in zip(added, already, strict=True)] == [25, 25]
    assert len(added[0]) + len(added[1]) == 40
    assert len(check_whole(where, "shared", added[0] + added[1])) == 40


# -- full disks ---------------------------------------------------------------------------------


@contextmanager
def tiny_disk(folder, size):
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("a tiny disk can only be mounted by root on Linux")
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("this computer does not allow a tiny disk to be mounted")
    try:
        yield folder
    finally:
        subprocess.run(["umount", folder], check=True)


def test_a_full_disk_loses_nothing_that_was_reported(tmp_path):
    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", "1m") as disk:
        file = disk / "log.sqlite"
        process = worker(file, "full", 0, 300)
        out, err = process.communicate(timeout=200)
        assert out.splitlines()[-1] == "failed log_disk_full"
        assert err == ""
        kept = tmp_path / "kept.sqlite"
        for name in disk.iterdir():  # read where there is room, with the journal as it was left
            shutil.copy(name, kept.with_name(name.name.replace("log", "kept")))
        saved = said(out)
        assert len(saved) >= 5
        assert check_whole(kept, "full", saved) == saved
        # Where it is it can be read too, and written once there is room.
        assert check_whole(file, "full", saved) == saved
        subprocess.run(["mount", "-o", "remount,size=4m", disk], check=True)
        out, _ = worker(file, "full", len(saved), 1).communicate(timeout=60)
        assert len(said(out)) == 1


def test_an_upgrade_on_a_full_disk_leaves_the_old_log(tmp_path):
    import sqlalchemy as sa  # noqa: PLC0415 - most tests here need no database library
    from test_log_upgrade import make_old, version  # noqa: PLC0415 - the same

    new, old = tmp_path / "new.sqlite", tmp_path / "old.sqlite"
    with Log.open(new) as log:
        for seed in range(20):
            log.add("first", made.measured(seed, 3), made.setup())
    make_old(sa.create_engine(f"sqlite:///{old}"), new)
    (tmp_path / "disk").mkdir()
    with tiny_disk(tmp_path / "disk", str(int(old.stat().st_size * 1.5) // 4096 * 4096)) as disk:
        file = Path(shutil.copy(old, disk / "log.sqlite"))
        with pytest.raises(LogError, match="no room left on the disk") as caught:
            Log.open(file)
        assert caught.value.code == "log_disk_full"
        assert version(file) == "1"
        assert [p.name for p in disk.iterdir() if "version" in p.name] == []
        with closing(sqlite3.connect(file)) as raw:
            assert raw.execute("SELECT count(*) FROM shots").fetchone() == (60,)


@pytest.mark.skipif(os.name == "nt", reason="Windows cannot limit the size of a file")
def test_a_file_that_may_not_grow_loses_nothing_that_was_reported(file):
    import resource  # noqa: PLC0415 - POSIX only

    limit = 600_000

    def small_files():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    process = worker(file, "full", 0, 300, preexec_fn=small_files)
    out, err = process.communicate(timeout=200)
    assert out.splitlines()[-1] in {"failed log_disk_full", "failed log_write_failed"}
    assert err == ""
    saved = said(out)
    assert len(saved) >= 3
    assert check_whole(file, "full", saved) == saved


def test_a_log_that_may_have_no_more_pages_is_full(file):
    """The same on every system: SQLite's own limit, sqlite.org/pragma.html#pragma_max_page_count."""
    with Log.open(file) as log:
        log.add("full", made.measured(0), made.setup())
        raw = log._book.connection.connection.cursor()
        pages = raw.execute("PRAGMA page_count").fetchone()[0]
        raw.execute(f"PRAGMA max_page_count = {pages}")
        raw.close()
        with pytest.raises(LogError, match="no room left on the disk") as caught:
            log.add("full", made.measured(1, shots=20), made.setup())
        assert caught.value.code == "log_disk_full"
        assert [row.sha256 for row in log.clips("full")] == [made.measured(0).sha256]


# -- letting go ---------------------------------------------------------------------------------


def test_a_closed_log_holds_nothing_open(file):
    with Log.open(file) as log:
        log.add("first", made.measured(0), made.setup())
        assert any(entry.path == str(file) for entry in psutil.Process().open_files())
    log.close()
    assert not [entry for entry in psutil.Process().open_files() if entry.path.startswith(str(file))]
    assert [path.name for path in file.parent.iterdir()] == ["log.sqlite"]
    file.rename(file.with_name("moved.sqlite"))


def test_a_closed_log_on_a_server_holds_no_connection(database):
    psycopg = pytest.importorskip("psycopg")
    others = (
        "SELECT count(*) FROM pg_stat_activity "
        "WHERE datname = current_database() AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
    )
    with psycopg.connect(database, autocommit=True) as raw:
        with Log.open(database) as log:
            log.sessions()
            assert raw.execute(others).fetchone() == (1,)
        deadline = time.monotonic() + 10  # the server takes a moment to notice
        while raw.execute(others).fetchone() != (0,) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert raw.execute(others).fetchone() == (0,)


def test_a_log_that_cannot_be_opened_holds_nothing_open(file):
    file.write_bytes(b"SQLite format 3\x00" + bytes(84) + b"not one after all" * 100)
    with pytest.raises(LogError, match="not a launch log"):
        Log.open(file)
    assert not [entry for entry in psutil.Process().open_files() if entry.path.startswith(str(file))]
