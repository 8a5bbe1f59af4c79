"""Golden texts: compared with what is kept, and written anew when asked by the environment."""

import os
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "golden"
WRITE = os.environ.get("LOBSCOPE_WRITE_GOLDEN") == "1"


def golden(name, text):
    """Return the text that is kept under a name; with LOBSCOPE_WRITE_GOLDEN=1 keep this one first."""
    path = FOLDER / name
    if WRITE:
        path.write_text(text, encoding="utf-8", newline="\n")
    return path.read_text(encoding="utf-8")
