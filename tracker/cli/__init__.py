"""Words typed -> results printed: the command line."""

from __future__ import annotations

import sys

from tracker import __version__

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    """Run ``lobscope`` with these arguments (default: the process's own) and give its exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    if given == ["--version"]:  # answered before anything slow is imported
        sys.stdout.write(f"lobscope {__version__}\n")
        return 0
    from tracker.cli.run import run

    return run(given)
