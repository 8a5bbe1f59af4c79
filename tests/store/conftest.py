"""Logs to test on: a file always, and a real PostgreSQL server where its programs are installed."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
import uuid
from contextlib import contextmanager
from pathlib import Path

import pytest

from tracker.store import Log


def server_programs() -> Path | None:
    """The folder of the newest PostgreSQL server on this computer."""
    found = shutil.which("initdb")
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if found:
        debian.append(Path(found).resolve())
    return debian[-1].parent if debian else None


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@pytest.fixture(scope="session")
def server():
    """A server of our own on a loopback port, in a folder that is thrown away; its address."""
    programs = server_programs()
    if programs is None or os.name == "nt":
        pytest.skip("PostgreSQL's server programs (initdb, pg_ctl) are not installed")
    pytest.importorskip("psycopg", reason="psycopg, the extra 'league', is not installed")
    with tempfile.TemporaryDirectory(prefix="league", ignore_cleanup_errors=True) as folder:
        who = {}
        if os.geteuid() == 0:  # the server refuses to run as root
            who = {"user": "nobody"}
            shutil.chown(folder, "nobody")
        data, port = Path(folder) / "data", free_port()

        def run(*words: object) -> None:
            quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
            subprocess.run([str(word) for word in words], cwd=folder, check=True, **quiet, **who)

        run(programs / "initdb", "-D", data, "-U", "league", "-A", "trust", "--no-sync")
        # Only programs are killed here, never this server, so it need not wait for the disk.
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c fsync=off -k {folder}"
        run(programs / "pg_ctl", "-D", data, "-w", "-o", options, "start")
        try:
            yield f"postgresql://league@127.0.0.1:{port}"
        finally:
            run(programs / "pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")


def made_on(server: str, what: str) -> str:
    """A new DATABASE or SCHEMA; its name."""
    psycopg = pytest.importorskip("psycopg")
    name = f"log_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE {what} {name}")
    return name


@pytest.fixture
def database(server):
    """The address of an empty database."""
    return f"{server}/{made_on(server, 'DATABASE')}"


def no_log_yet(request, file):
    """The file, or a schema of its own in one database, which is quicker to make and throw away."""
    if request.param == "file":
        return file
    server = request.getfixturevalue("server")
    return f"{server}/postgres?options=-csearch_path%3D{made_on(server, 'SCHEMA')}"


@pytest.fixture(params=["file", "server"])
def where(request, tmp_path):
    """An address where there is no log yet."""
    return no_log_yet(request, tmp_path / "log.sqlite")


@pytest.fixture(params=["file", "server"])
def elsewhere(request, tmp_path):
    """Another one."""
    return no_log_yet(request, tmp_path / "other.sqlite")


@pytest.fixture
def log(where):
    with Log.open(where) as log:
        yield log


@pytest.fixture
def file(tmp_path):
    return tmp_path / "log.sqlite"


@pytest.fixture
def unprivileged():
    """For a while without the right of root to write everything."""

    @contextmanager
    def nobody():
        if os.name == "nt" or os.geteuid() != 0:
            yield
            return
        os.seteuid(65534)
        try:
            yield
        finally:
            os.seteuid(0)

    return nobody


@pytest.fixture
def only_to_read():
    """A function that copies a log into a folder of its own, of which neither may be written."""
    with tempfile.TemporaryDirectory() as folder:

        def copied(log):
            path = Path(shutil.copy(log, Path(folder) / "log.sqlite"))
            path.chmod(0o444)
            Path(folder).chmod(0o555)
            return path

        yield copied
        Path(folder).chmod(0o755)
        for path in Path(folder).iterdir():
            path.chmod(0o644)
