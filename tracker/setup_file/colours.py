"""Names of colours -> one name for each family of hue."""

from __future__ import annotations

import difflib
import re

from tracker.errors import SetupError
from tracker.setup_file.units import shown

FAMILIES = (
    "red",
    "orange",
    "brown",
    "yellow",
    "lime",
    "green",
    "turquoise",
    "cyan",
    "blue",
    "purple",
    "violet",
    "magenta",
    "pink",
    "white",
    "grey",
    "black",
)
ALIASES = {
    "gold": "yellow",
    "teal": "turquoise",
    "aqua": "cyan",
    "lilac": "violet",
    "gray": "grey",
    "silver": "grey",
}
_HEX = re.compile(r"#[0-9a-f]{6}")


def colour(text: object, where: str) -> str:
    """Name the family in lower case, or "#rrggbb".

    Raises
    ------
    SetupError
        With code ``setup_colour_unknown``.
    """
    names = ", ".join(FAMILIES)
    if isinstance(text, str):
        word = text.strip().lower()
        name = ALIASES.get(word, word)
        if name in FAMILIES or _HEX.fullmatch(name):
            return name
        near = difflib.get_close_matches(word, (*FAMILIES, *ALIASES), n=1, cutoff=0.6)
        meant = f'Did you mean "{near[0]}"? ' if near else ""
    else:
        meant = ""
    raise SetupError(
        "setup_colour_unknown",
        f'{where} is "{shown(text)}", which is not a colour this program knows.',
        f'{meant}Use one of {names}, or "#rrggbb" such as "#ff7f00".',
    )
