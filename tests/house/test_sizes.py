"""No file and no function grows beyond what one can hold in mind."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LONGEST_FILE = {"tracker": 400, "calibration": 400, "tests": 500}  # tables of cases are long and easy to read
LONGEST_FUNCTION = 60
FILES = [file for part in LONGEST_FILE for file in (ROOT / part).rglob("*.py")]


def lengths_of_functions(text: str) -> dict[str, int]:
    """Lines of each function, without its docstring: explaining at length is no fault."""
    found: dict[str, int] = {}
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            first = node.body[0]
            if ast.get_docstring(node) is not None:
                lines -= (first.end_lineno or first.lineno) - first.lineno + 1
            found[f"{node.name} (line {node.lineno})"] = lines
    return found


def test_no_file_is_too_long() -> None:
    assert len(FILES) > 20
    lengths = {file.relative_to(ROOT): len(file.read_text(encoding="utf-8").splitlines()) for file in FILES}
    grown = {str(file): lines for file, lines in lengths.items() if lines > LONGEST_FILE[file.parts[0]]}
    assert grown == {}


def test_no_function_is_too_long() -> None:
    grown = {
        f"{file.relative_to(ROOT)}: {name}": lines
        for file in FILES
        for name, lines in lengths_of_functions(file.read_text(encoding="utf-8")).items()
        if lines > LONGEST_FUNCTION
    }
    assert grown == {}


def test_a_long_function_would_be_seen() -> None:
    text = 'def grown():\n    """Two\n    lines."""\n' + "    a = 1\n" * 70
    assert lengths_of_functions(text) == {"grown (line 1)": 71}
