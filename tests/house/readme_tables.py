"""Writes the tables of warnings and flags into README.md: run this file after changing the registry."""

from __future__ import annotations

import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tracker.flags import FLAGS, WARNINGS, Entry  # noqa: E402 - the packages may not be installed

README = ROOT / "README.md"
TABLES = {"warnings": WARNINGS, "flags": FLAGS}


def table(entries: dict[str, Entry]) -> str:
    """Registry entries as a Markdown table; an ellipsis stands where a measurement fills in a number."""
    rows = ["| code | what it says | what to do |", "|---|---|---|"]
    for code, entry in entries.items():
        message, advice = (re.sub(r"\{[^}]*\}", "…", text) for text in (entry.message, entry.advice))
        rows.append(f"| `{code}` | {message} | {advice} |")
    return "\n".join(rows)


def with_tables(text: str) -> str:
    """The README's text with both tables as the registry has them now.

    Raises
    ------
    ValueError
        If the place of a table is not marked exactly once.
    """
    for name, entries in TABLES.items():
        pattern = re.compile(rf"(<!-- {name}: [^\n]*-->\n).*?(<!-- end of {name} -->)", re.DOTALL)
        made = table(entries)
        text, count = pattern.subn(lambda match, made=made: f"{match[1]}\n{made}\n\n{match[2]}", text)
        if count != 1:
            raise ValueError(f"the place of the table of {name} is marked {count} times")
    return text


if __name__ == "__main__":
    README.write_text(with_tables(README.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
