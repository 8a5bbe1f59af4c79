"""Where the log is, and that nothing is loaded before it is opened."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tracker.store import DEFAULT_NAME, place


@pytest.mark.parametrize(
    ("stated", "environment", "found"),
    [
        ("here.sqlite", {"LOBSCOPE_LOG": "there.sqlite"}, "here.sqlite"),
        (None, {"LOBSCOPE_LOG": "there.sqlite"}, "there.sqlite"),
        ("  ", {"LOBSCOPE_LOG": "postgresql://us@host/log"}, "postgresql://us@host/log"),
        (None, {"LOBSCOPE_LOG": " "}, Path("work") / DEFAULT_NAME),
        (None, {}, Path("work") / DEFAULT_NAME),
        (Path("here.sqlite"), {}, Path("here.sqlite")),
    ],
)
def test_what_is_stated_wins_then_the_environment_then_the_work(stated, environment, found):
    assert place(stated, beside=Path("work"), environment=environment) == found


def test_the_real_environment_and_folder_are_asked_by_default(monkeypatch):
    monkeypatch.setenv("LOBSCOPE_LOG", "there.sqlite")
    assert place() == "there.sqlite"
    monkeypatch.delenv("LOBSCOPE_LOG")
    assert place() == Path(DEFAULT_NAME)


def test_no_database_library_is_loaded_before_a_log_is_opened(file):
    ask = (
        "import sys; from tracker.store import Log;"
        "print([m for m in ('sqlalchemy', 'alembic', 'psycopg', 'sqlite3') if m in sys.modules]);"
        f"Log.open({str(file)!r}).close();"
        f"print('sqlalchemy' in sys.modules)"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run([sys.executable, "-c", ask], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.split("\n") == ["[]", "True", ""]
