"""A setup file's text with some of its keys changed; comments and everything else stay as they are."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping

from tracker.errors import SetupError
from tracker.setup_file.section import KEYS

Table = dict[str, dict[str, object]]

_HEADER = re.compile(r"^\s*\[\s*([A-Za-z_]+)\s*\]\s*(#.*)?$")
_KEY = re.compile(r"^\s*(?:([A-Za-z_]+)|\"([A-Za-z_]+)\")\s*=")
_EXAMPLE = re.compile(r"^#\s?([A-Za-z_]+)\s*=")


def table_of(text: str) -> Table:
    """The sections and keys of a setup file as they are written; empty where it is no TOML."""
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError):
        return {}
    return {name: dict(part) for name, part in content.items() if name in KEYS and isinstance(part, dict)}


def edited(text: str, wanted: Mapping[str, Mapping[str, object]]) -> str:
    """The text such that it says what ``wanted`` says, no more and no less.

    Parameters
    ----------
    text : str
        A setup file that can be read, or a template of one.
    wanted : mapping of section to mapping of key to value
        Values are texts, numbers, truths, and lists of them.

    Raises
    ------
    SetupError
        If a section or key is none, or the file is written in a way that cannot be changed safely.
    """
    _check(wanted)
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").removesuffix("\n").split("\n")
    there = table_of(text)
    for section, keys in KEYS.items():
        for key in keys:
            old, new = there.get(section, {}).get(key), wanted.get(section, {}).get(key)
            if old != new or type(old) is not type(new):
                lines = _with(lines, section, key, old, new)
    result = "\n".join(lines) + "\n"
    if _filled(table_of(result)) != _filled(wanted):
        raise SetupError(
            "setup_not_editable",
            "The setup file is written in a way that cannot be changed here.",
            "Save under another name, or change the file in a text editor.",
        )
    return result


def value_text(value: object) -> str:
    """A value as TOML writes it.

    Raises
    ------
    SetupError
        If it is none that a setup file holds.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A TOML basic string is a JSON string, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(value_text(part) for part in value) + "]"
    raise SetupError("setup_wrong_type", "A setup file holds no such value.", "Give a text or a number.")


def _check(wanted: Mapping[str, Mapping[str, object]]) -> None:
    for section, content in wanted.items():
        strange = [key for key in content if key not in KEYS.get(section, ())]
        if section not in KEYS or strange:
            raise SetupError(
                "setup_unknown_key",
                "The setup has no such key.",
                "Use the keys that the setup file explains.",
            )


def _filled(table: Mapping[str, Mapping[str, object]]) -> Table:
    return {name: dict(content) for name, content in table.items() if content}


def _with(lines: list[str], section: str, key: str, there: object, value: object) -> list[str]:
    """The lines with one key of one section changed, added, or made a comment (None)."""
    first, end = _section(lines, section)
    if first is None:
        return lines if value is None else [*lines, "", f"[{section}]", f"{key} = {value_text(value)}"]
    written = None if value is None else f"{key} = {value_text(value)}"
    for at in range(first, end):
        match = _KEY.match(lines[at])
        if match and key in match.groups():
            after = _end_of_value(lines, at, end)
            if written is None:  # it stays as an example, as the others in the file do
                old = [f"# {line}" for line in lines[at:after]]
                return [*lines[:at], *old, *lines[after:]]
            note = "" if there == "" else _note(lines[at])  # such a note asks to fill it in
            return [*lines[:at], written + note, *lines[after:]]
    if written is None:
        return lines
    for at in range(first, end):
        match = _EXAMPLE.match(lines[at])
        if match and match[1] == key:
            return [*lines[:at], written, *lines[at + 1 :]]
    while end > first and not lines[end - 1].strip():
        end -= 1
    return [*lines[:end], written, *lines[end:]]


def _note(line: str) -> str:
    """The note that stands behind a value on its line."""
    for at, sign in enumerate(line):
        if sign == "#":
            try:
                tomllib.loads(line[:at])
            except ValueError:
                continue
            return "   " + line[at:]
    return ""


def _section(lines: list[str], section: str) -> tuple[int | None, int]:
    """First line after a section's header, and one past its last."""
    first: int | None = None
    for at, line in enumerate(lines):
        match = _HEADER.match(line)
        if match:
            if first is not None:
                return first, at
            if match[1] == section:
                first = at + 1
    return first, len(lines)


def _end_of_value(lines: list[str], at: int, end: int) -> int:
    """One past the last line of the value that begins on a line."""
    for after in range(at + 1, end + 1):
        try:
            tomllib.loads("\n".join(lines[at:after]))
        except ValueError:
            continue
        return after
    return at + 1
