"""``python -m tracker.cli``: the same command where no script is on the search path."""

from __future__ import annotations

import sys

from tracker.cli import main

if __name__ == "__main__":
    sys.exit(main())
