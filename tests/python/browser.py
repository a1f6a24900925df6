"""Headless Chromium, driven through its debugging pipe: clicks, keys, sizes, pictures.

Its protocol (Chrome DevTools Protocol): JSON messages that end in a zero byte, read by the
browser from file 3 and written by it to file 4.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


class Tab:
    """A page that is open in the browser."""

    def __init__(self, read: int, write: int) -> None:
        self._read, self._write, self._sent, self._session = read, write, 0, ""
        self._rest, self._loaded = b"", False
        self.said: list[str] = []
        """What the page said on its console, its errors among them."""
        self.asked: list[str] = []
        """Addresses that the page asked for."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Asks for something and waits for the answer."""
        self._sent += 1
        message = {"id": self._sent, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._sent:
                assert "error" not in answer, (method, answer["error"])
                result: dict[str, Any] = answer["result"]
                return result

    def _next(self, within_s: float = 60.0) -> dict[str, Any]:
        end = time.monotonic() + within_s
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._read], [], [], max(end - time.monotonic(), 0.0))
            assert ready, "the browser does not answer"
            got = os.read(self._read, 1 << 20)
            assert got, "the browser has ended"
            self._rest += got
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        params = message.get("params", {})
        if message.get("method") in {"Runtime.consoleAPICalled", "Runtime.exceptionThrown"}:
            self.said.append(json.dumps(params))
        elif message.get("method") == "Log.entryAdded":
            self.said.append(params["entry"]["text"])
        elif message.get("method") == "Page.loadEventFired":
            self._loaded = True
        elif message.get("method") == "Network.requestWillBeSent":
            self.asked.append(params["request"]["url"])
        return message

    def open(self, page: Path, place: str = "") -> None:
        """Opens a page from disk and waits until it has loaded."""
        # By way of nothing, since the same page at another place would not be loaded again.
        for address in ("about:blank", page.as_uri() + place):
            self._loaded = False
            self.call("Page.navigate", url=address)
            while not self._loaded:
                self._next()

    def run(self, code: str) -> Any:
        """The value of an expression in the page."""
        told = self.call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def click(self, selector: str, across: float = 0.5) -> None:
        """Clicks an element, so far from its left side as a share of its width."""
        x, y = self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block: 'center', behavior: 'instant'});"
            "const b = e.getBoundingClientRect();"
            f"return [b.left + {across} * b.width, b.top + b.height / 2]; }})()"
        )
        for kind, held in (("mousePressed", 1), ("mouseReleased", 0)):
            self.call(
                "Input.dispatchMouseEvent",
                type=kind,
                x=x,
                y=y,
                button="left",
                buttons=held,
                clickCount=1,
            )
        self.run("new Promise(requestAnimationFrame)")

    def key(self, key: str, code: int) -> None:
        """Presses a key."""
        for kind in ("rawKeyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code
            )

    def size(self, width: int, height: int) -> None:
        """Makes the screen so many pixels wide and high; narrow ones are phones."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )

    def look(self, to: Path, *, whole: bool = True) -> None:
        """Saves what the page looks like as PNG."""
        told = self.call("Page.captureScreenshot", captureBeyondViewport=whole)
        to.write_bytes(base64.b64decode(told["data"]))


@contextmanager
def tab(profile: Path) -> Iterator[Tab]:
    """A browser with one tab; ``profile`` is a folder of its own."""
    assert BROWSER is not None
    (theirs_in, ours_out), (ours_in, theirs_out) = os.pipe(), os.pipe()
    # Beyond 3 and 4, so that neither is overwritten while they are put there.
    ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (theirs_in, theirs_out)]
    for end in (theirs_in, theirs_out):
        os.close(end)

    def arrange() -> None:
        os.dup2(ends[0], 3)
        os.dup2(ends[1], 4)

    command = [
        BROWSER,
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--remote-debugging-pipe",
        f"--user-data-dir={profile}",
    ]
    process = subprocess.Popen(
        command,
        pass_fds=(3, 4),
        preexec_fn=arrange,  # noqa: PLW1509 (no threads are about)
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    for end in ends:
        os.close(end)
    try:
        yield Tab(ours_in, ours_out)
    finally:
        process.terminate()
        process.wait(30)
        os.close(ours_in)
        os.close(ours_out)
