"""The direction of imports, as pyproject.toml states it."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[2]
FENCED = {
    "filterpy": "track",
    "matplotlib": "pictures",
    "typer": "cli",
    "sqlalchemy": "store",
    "alembic": "store",
}


def imported_by(file: Path) -> set[str]:
    """First names of all modules that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module is not None and node.level == 0:
            names.add(node.module.partition(".")[0])
    return names


def test_import_contracts_are_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    monkeypatch.syspath_prepend(str(ROOT))
    status = lint_imports(no_cache=True, no_logo=True)
    assert status == 0, capsys.readouterr().out


def test_the_contracts_are_all_there() -> None:
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]
    kinds = sorted(contract["type"] for contract in stated["contracts"])
    assert kinds.count("layers") == 2
    assert kinds.count("forbidden") == 1
    assert kinds.count("protected") >= 3


@pytest.mark.parametrize(("library", "room"), FENCED.items())
def test_a_fenced_library_stays_in_its_room(library: str, room: str) -> None:
    files = [*(ROOT / "tracker").rglob("*.py"), *(ROOT / "calibration").rglob("*.py")]
    assert len(files) > 20
    outside = [file for file in files if (ROOT / "tracker" / room) not in file.parents]
    assert len(outside) < len(files)
    strays = [str(file.relative_to(ROOT)) for file in outside if library in imported_by(file)]
    assert strays == []
