"""What may lie where, and what no file of the project may say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "LICENSE",
    "pyproject.toml",
    "tracker",
    "calibration",
    "tests",
    "fixtures",
}
MADE_BY_TOOLS = re.compile(r"\..*|.*\.egg-info|build|dist|lobscope-out|__pycache__")
TEXT = {".py", ".md", ".toml", ".yml", ".yaml", ".txt", ".json", ".csv", ""}
# Folders of one machine, spelled so that this file does not hold them itself.
FOLDERS = "|".join(["wor" + "k", "roo" + "t", "hom" + "e", "tm" + "p", "User" + "s"])
REGISTRIES = "|".join(["py" + "pi", "pythonho" + "sted", "npm" + "js"])
MACHINE_PATHS = re.compile(
    rf"(?<![\w.])/(?:{FOLDERS})/|[A-Za-z]:\\(?:Users|Windows)|(?:{REGISTRIES})\.(?:org|net|com)"
)
PACKAGES = [path.parent for part in ("tracker", "calibration") for path in (ROOT / part).rglob("*.py")]


def project_files() -> list[Path]:
    parts = [*sorted(TOP_LEVEL), ".ci", ".github", ".gitignore"]
    files: list[Path] = []
    for part in parts:
        path = ROOT / part
        files += [path] if path.is_file() else [file for file in path.rglob("*") if file.is_file()]
    return [file for file in files if file.suffix in TEXT and "__pycache__" not in file.parts]


def test_nothing_else_lies_at_the_top() -> None:
    there = {path.name for path in ROOT.iterdir() if not MADE_BY_TOOLS.fullmatch(path.name)}
    assert there == TOP_LEVEL


def test_no_file_names_a_machine() -> None:
    files = project_files()
    assert len(files) > 50
    found = [
        f"{file.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for file in files
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1)
        if MACHINE_PATHS.search(line)
    ]
    assert found == []


@pytest.mark.parametrize("line", ["see /hom" + "e/ann/x", "C:\\Us" + "ers\\ann", "from py" + "pi.org"])
def test_a_machine_path_would_be_seen(line: str) -> None:
    assert MACHINE_PATHS.search(line)


@pytest.mark.parametrize("line", ["m/s/root/2", "docs/work/x", "a/tmp", "tmp_path / name"])
def test_other_slashes_are_left_alone(line: str) -> None:
    assert not MACHINE_PATHS.search(line)


@pytest.mark.parametrize("folder", sorted(set(PACKAGES)), ids=lambda folder: folder.name)
def test_every_package_says_what_it_takes_and_gives(folder: Path) -> None:
    first = (folder / "__init__.py").read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith('"""')
    assert first.endswith('"""')


def test_test_files_have_names_of_their_own() -> None:
    names = [file.name for file in (ROOT / "tests").rglob("test_*.py")]
    assert len(names) == len(set(names))
