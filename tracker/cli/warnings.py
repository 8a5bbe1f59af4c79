"""``lobscope warnings``: every warning and flag there is, with its advice."""

from __future__ import annotations

import re
import sys
import textwrap

from tracker.flags import FLAGS, WARNINGS, Entry


def warnings() -> None:
    """List every warning, and what to do about it.

    A warning belongs to a clip, a flag to one shot. The code in front is the same in every version, so
    programs can rely on it.
    """
    for title, entries in (("Warnings (about a clip)", WARNINGS), ("Flags (about one shot)", FLAGS)):
        sys.stdout.write(f"{title}\n")
        for code, entry in entries.items():
            sys.stdout.write(f"\n  {code}\n{_indented(in_general(entry))}\n")
        sys.stdout.write("\n")


def in_general(entry: Entry) -> str:
    """Sentence and advice with an ellipsis where a measurement fills in a number."""
    return re.sub(r"\{[^}]*\}", "…", f"{entry.message} {entry.advice}")


def _indented(text: str) -> str:
    return textwrap.fill(text, 88, initial_indent="    ", subsequent_indent="    ")
