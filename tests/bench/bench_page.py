"""How quickly a long film opens and its pictures change on the setup page. Run it; it asserts nothing.

python tests/bench/bench_page.py [CLIP]

Needs chromium and playwright. A clip can be named; else one of 20 s at 240 frames a second and 1920x1080
is made, with a picture that stands by itself every quarter of a second.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "page")]

from conftest import ARGUMENTS  # noqa: E402 - found only now
from own_clips import Served  # noqa: E402 - likewise
from playwright.sync_api import Page, sync_playwright  # noqa: E402 - likewise

FRAMES = 4800
# Milliseconds until the picture is drawn, by the browser's own clock: looking from outside is too coarse.
CHANGE = """([key, to]) => new Promise((then) => {
  const film = document.getElementById("film"), where = document.getElementById("where");
  const begin = performance.now();
  const seen = new MutationObserver(() => requestAnimationFrame(() => setTimeout(() => {
    seen.disconnect();
    then(performance.now() - begin);
  })));
  seen.observe(document.body, { attributeFilter: ["data-frame"] });
  if (key === null) {
    where.value = String(to);
    where.dispatchEvent(new Event("input"));
  } else film.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
})"""


def long_clip(path: Path) -> Path:
    """The pictures of a fixture, enlarged, again and again."""
    with av.open(str(ROOT / "fixtures" / "plain_240.mp4")) as source:
        few = [
            frame.reformat(width=1920, height=1080, format="yuv420p")
            for _, frame in zip(range(120), source.decode(video=0), strict=False)
        ]
    options = {"preset": "ultrafast", "crf": "22", "g": "60", "bf": "2"}
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=240, options=options)
        stream.width, stream.height, stream.pix_fmt = 1920, 1080, "yuv420p"
        for k in range(FRAMES):
            frame = few[k % len(few)]
            frame.pts, frame.time_base, frame.pict_type = k, Fraction(1, 240), av.video.frame.PictureType.NONE
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def changes(page: Page, keys: list[str | int]) -> np.ndarray:
    """Milliseconds from a key, or from the slider's being moved, to the picture's being drawn, for each."""
    spent = []
    for key in keys:
        if key != int(page.get_attribute("body", "data-frame") or 0):
            spent.append(page.evaluate(CHANGE, [None, key] if isinstance(key, int) else [key, 0]))
            page.wait_for_timeout(60)
    return np.array(spent)


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        given = sys.argv[1:]
        clip = Path(given[0]) if given else long_clip(Path(folder) / "long.mp4")
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        start_s = time.perf_counter()
        served = Served(clip)
        address_s = time.perf_counter() - start_s
        page.goto(served.address)
        page.wait_for_selector("body[data-ready]")
        print(f"address {address_s:.2f} s, page with its first picture {time.perf_counter() - start_s:.2f} s")
        page.wait_for_timeout(1500)
        rng = np.random.default_rng(1)
        last = int(page.get_attribute("#where", "max") or 0)
        for name, keys in (
            ("one on", ["."] * 40),
            ("one back", [","] * 40),
            ("ten on", [">"] * 60),
            ("ten back", ["<"] * 10),
            ("to and fro", [str(k) for k in rng.choice([".", ",", ">", "<"], 40)]),
            ("end and beginning", ["End", "Home"] * 8),
            (
                "anywhere",
                [int(k) for k in rng.integers(0, last, 40)],
            ),
        ):
            spent = changes(page, keys)
            middle, most, longest = np.quantile(spent, [0.5, 0.9, 1.0])
            print(f"{name}: median {middle:.0f} ms, nine of ten in {most:.0f} ms, longest {longest:.0f} ms")
        browser.close()
        served.close()


if __name__ == "__main__":
    main()
