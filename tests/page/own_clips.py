"""Clips that hold dots at known places between pixels, and what is done to a page under test."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
FIXTURES = ROOT / "fixtures"
START_S = 60.0


def dots(width: int, height: int, places: list[tuple[float, float]], sigma_px: float = 4.0) -> np.ndarray:
    """Luma with a bright Gaussian dot at each place; the middle of the first pixel is (0, 0)."""
    y, x = np.mgrid[0:height, 0:width]
    luma = np.full((height, width), 60.0)
    for cx, cy in places:
        luma += 170.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma_px**2))
    return luma.clip(16, 235).round().astype(np.uint8)


def write_dots(path: Path, luma: np.ndarray, *, frames: int = 12, turned_deg: int = 0) -> Path:
    """A lossless clip that shows the same picture again and again, grey."""
    height, width = luma.shape
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=240, options={"qp": "0", "g": "6", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        if turned_deg:
            stream.set_display_rotation(turned_deg)
        grey = np.full((height // 2, width), 128, dtype=np.uint8)
        for k in range(frames):
            frame = av.VideoFrame.from_ndarray(np.vstack([luma, grey]), format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 240)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


class Served:
    """``lobscope setup`` in a process of its own, as a user starts it, and all that it says."""

    def __init__(self, clip: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tracker.cli", "setup", str(clip), "--no-browser", *options],
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        self.said: list[str] = []
        self._known = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        assert self._known.wait(START_S), "no address was printed"
        assert self.address, "".join(self.said)

    address = ""
    port = 0
    key = ""

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)
            found = re.search(r"(http://127\.0\.0\.1:(\d+)/)#key=(\S+)", line)
            if found:
                self.address, self.port, self.key = found[0], int(found[2]), found[3]
                self._known.set()
        self._known.set()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        self._reader.join()
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


def saved(clip: Path) -> dict[str, Any]:
    return tomllib.loads(clip.with_name(clip.stem + ".setup.toml").read_text(encoding="utf-8"))


def drawn(page: Any) -> None:
    """Wait until what was done to the page is drawn, and its data say where the picture stands now."""
    page.evaluate("new Promise((then) => requestAnimationFrame(() => requestAnimationFrame(then)))")


def on_screen(page: Any, place: tuple[float, float]) -> tuple[float, float]:
    """Where a place of the picture stands in the window."""
    scale, x, y = (float(page.get_attribute("#film", f"data-{name}")) for name in ("scale", "x", "y"))
    return x + place[0] * scale, y + place[1] * scale


def show(page: Any, step: str) -> None:
    head = page.locator(f"[data-step={step}] .head")
    if head.get_attribute("aria-expanded") != "true":
        head.click()


def save(page: Any) -> None:
    show(page, "measure")
    with page.expect_response("**/api/save") as answer:
        page.click("#save")
    assert answer.value.status == 200
    page.wait_for_selector("#saved:has-text('Saved in')")
