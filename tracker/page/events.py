"""What happens while the page is open: news to every page, and who is still there to read it."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Any

PING_S = 10.0  # so that a page that was closed without a word is noticed
LEFT_S = 3.0  # a page that is loaded again is back by then
LOST_S = 20.0  # a machine that slept needs longer


class Events:
    """News for all open pages."""

    def __init__(self) -> None:
        self._pages: set[asyncio.Queue[tuple[str, Any] | None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ended = False
        self._seen = False
        self._empty_since_s: float | None = None
        self._patience_s = LOST_S

    def begin(self) -> None:
        """Remember the loop in which pages listen."""
        self._loop = asyncio.get_running_loop()

    def send(self, name: str, data: Any) -> None:
        """Tell all pages; can be called from any thread."""
        if self._loop is None or self._loop.is_closed():
            return
        self._loop.call_soon_threadsafe(self._hand_out, (name, data))

    def left(self) -> None:
        """A page said that it is being closed."""
        self._patience_s = LEFT_S

    def end(self) -> None:
        """Let go of all pages."""
        self._ended = True
        self._hand_out(None)

    @property
    def deserted(self) -> bool:
        """Whether there was a page, and nobody has come back since it was closed."""
        since_s = self._empty_since_s
        return self._seen and since_s is not None and time.monotonic() - since_s > self._patience_s

    async def listen(self) -> AsyncIterator[bytes]:
        """One page's news as server-sent events (WHATWG HTML, 9.2), until it leaves."""
        news: asyncio.Queue[tuple[str, Any] | None] = asyncio.Queue()
        self._pages.add(news)
        self._seen, self._empty_since_s, self._patience_s = True, None, LOST_S
        try:
            yield b": here\n\n"
            while not self._ended:
                try:
                    item = await asyncio.wait_for(news.get(), PING_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if item is None:
                    return
                yield f"event: {item[0]}\ndata: {json.dumps(item[1])}\n\n".encode()
        finally:
            self._pages.discard(news)
            if not self._pages:
                self._empty_since_s = time.monotonic()

    def _hand_out(self, item: tuple[str, Any] | None) -> None:
        for page in self._pages:
            page.put_nowait(item)
