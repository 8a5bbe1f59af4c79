"""A served page and a real browser, where the machine has one."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from own_clips import FIXTURES, Served

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(name="clip_in")
def clip_in_folder(tmp_path: Path) -> Callable[[str], Path]:
    """A fixture's clip in a folder of its own, without its setup."""

    def copied(name: str, new: str = "shot.mp4") -> Path:
        return Path(shutil.copy(FIXTURES / f"{name}.mp4", tmp_path / new))

    return copied


@pytest.fixture(name="serve")
def serve_clips() -> Iterator[Callable[..., Served]]:
    running: list[Served] = []

    def serve(clip: Path, *options: str) -> Served:
        running.append(Served(clip, *options))
        return running[-1]

    yield serve
    for served in running:
        served.close()


@pytest.fixture(name="chromium", scope="session")
def chromium_browser() -> Iterator[Any]:
    """Chromium, as the system's packages bring it."""
    where = shutil.which("chromium")
    if where is None:
        pytest.skip("chromium is not installed")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=where, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(name="open_page")
def open_pages(chromium: Any) -> Iterator[Callable[..., Any]]:
    """Opens a page of a size and density; what the page's scripts complain of fails the test."""
    contexts: list[Any] = []
    complaints: list[str] = []

    def opened(
        served: Served, *, width: int = 1280, height: int = 800, dots: float = 1.0, **more: Any
    ) -> Any:
        context = chromium.new_context(
            viewport={"width": width, "height": height}, device_scale_factor=dots, **more
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        # A refusal that the page asks about (409) is no fault of its scripts.
        page.on(
            "console",
            lambda m: complaints.append(m.text) if m.type == "error" and "409" not in m.text else None,
        )
        page.goto(served.address)
        page.wait_for_selector("body[data-ready]")
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture(name="axe", scope="session")
def axe_script(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core as the npm registry has it."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path_factory.mktemp("axe")
    got = subprocess.run(
        [npm, "pack", "axe-core@4", "--silent"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    packed = list(folder.glob("axe-core-*.tgz"))
    if got.returncode != 0 or not packed:
        pytest.skip("npm cannot fetch axe-core here")
    shutil.unpack_archive(packed[0], folder, filter="data")
    return (folder / "package" / "axe.min.js").read_text(encoding="utf-8")
