"""Runs the demo and puts the pictures of its first shot where README.md shows them."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tracker.cli import main  # noqa: E402 - the packages may not be installed

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        status = main(["demo", "--out", folder])
        for name in ("flight", "residuals", "budget"):
            (drawn,) = Path(folder).rglob(f"shot-1-{name}.png")
            shutil.copy(drawn, ROOT / "fixtures" / "pictures" / f"demo-{name}.png")
    sys.exit(status)
