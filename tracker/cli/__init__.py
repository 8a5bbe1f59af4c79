"""Words typed -> results printed: the command line."""

from __future__ import annotations

import os
import sys

from tracker import __version__

__all__ = ["main"]


def main(arguments: list[str] | None = None) -> int:
    """Run ``lobscope`` with these arguments (default: the process's own) and give its exit status."""
    given = sys.argv[1:] if arguments is None else arguments
    if given == ["--version"]:  # answered before anything slow is imported
        sys.stdout.write(f"lobscope {__version__}\n")
        return 0
    # The fits' matrices are small: threads of the linear algebra library only get in each other's way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from tracker.cli.run import run

    return run(given)
