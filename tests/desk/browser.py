"""A real browser for tests of pages: Chromium without a window, spoken to over a pipe.

References
----------
Chrome DevTools Protocol, domains Target, Page, Runtime, Log; messages over a pipe end with NUL.
"""

from __future__ import annotations

import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

CHROMIUM = shutil.which("chromium")
WAIT_S = 30.0


class Browser:
    """One page. ``complaints``: what it logged as errors, such as a policy that was broken."""

    def __init__(self, read_from: int, write_to: int) -> None:
        self._read_from, self._write_to = read_from, write_to
        self._number, self._buffer = 0, b""
        self._session = ""
        self.complaints: list[str] = []
        target = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self._call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log"):
            self._call(f"{domain}.enable")

    def _call(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write_to, json.dumps(message).encode() + b"\0")
        while True:
            heard = self._hear()
            if heard.get("id") == self._number:
                if "error" in heard:
                    raise RuntimeError(heard["error"]["message"])
                return heard["result"]
            if heard.get("method") == "Log.entryAdded" and heard["params"]["entry"]["level"] == "error":
                entry = heard["params"]["entry"]
                self.complaints.append(f"{entry.get('url', '')} {entry['text']}")
            if heard.get("method") == "Runtime.exceptionThrown":
                self.complaints.append(json.dumps(heard["params"]["exceptionDetails"]))

    def _hear(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            if not select.select([self._read_from], [], [], WAIT_S)[0]:
                raise TimeoutError("the browser says nothing")
            self._buffer += os.read(self._read_from, 1 << 16)
        message, _, self._buffer = self._buffer.partition(b"\0")
        return json.loads(message)

    def open(self, address: str) -> None:
        self._call("Page.navigate", url=address)

    def js(self, text: str) -> Any:
        """The value of an expression on the page; None while it is being exchanged."""
        try:
            found = self._call("Runtime.evaluate", expression=text, returnByValue=True, awaitPromise=True)
        except RuntimeError:
            return None
        return found["result"].get("value") if "exceptionDetails" not in found else None

    def until(self, text: str) -> Any:
        """Wait for an expression to be true."""
        end = time.monotonic() + WAIT_S
        while not (value := self.js(text)):
            assert time.monotonic() < end, f"never true: {text}; notice: {self.notice()!r}"
            time.sleep(0.05)
        return value

    def notice(self) -> str:
        """What the desk says on the page."""
        return self.js(f"{NOTICE}.innerText") or ""


NOTICE = (
    "[...document.body.children].map((one) => one.shadowRoot?.querySelector('[role=status]'))"
    ".find((one) => one)"
)


@contextmanager
def browser() -> Iterator[Browser]:
    home = tempfile.mkdtemp()
    from_us, to_browser = os.pipe()
    from_browser, to_us = os.pipe()
    options = (
        "--headless=new --no-sandbox --disable-gpu --mute-audio --no-first-run --window-size=900,700 --remote-debugging-pipe "
        f"--autoplay-policy=no-user-gesture-required --user-data-dir={home} about:blank"
    )
    process = subprocess.Popen(
        ["bash", "-c", f"exec {CHROMIUM} {options} 3<&{from_us} 4>&{to_us}"],
        pass_fds=(from_us, to_us), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(from_us)
    os.close(to_us)
    try:
        yield Browser(from_browser, to_browser)
    finally:
        process.terminate()
        process.wait(WAIT_S)
        os.close(from_browser)
        os.close(to_browser)
        shutil.rmtree(home, ignore_errors=True)
