"""A headless chromium that is asked over a pipe what it shows, what it fetches, and how a page prints.

Chromium is not among the programs of the suite: who uses this skips where there is none, or stops with a sentence.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

OPTIONS: Final = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
#: No name is found, so that nothing can be fetched from anywhere.
OFFLINE: Final = "--host-resolver-rules=MAP * ~NOTFOUND"
_SECONDS: Final = 60.0
PAPERS: Final = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def chromium() -> str | None:
    """Return the program, or None where there is none."""
    return next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)


class Browser:
    """One chromium with one page.

    Attributes:
        requests: The addresses that the page asked for, in order.
        refused: What the page's policy refused, in chromium's words.
    """

    def __init__(self, to: int, back: int) -> None:
        """Talk over the descriptors of two pipes."""
        self._to, self._back, self._rest, self._id = to, back, b"", 0
        self._session: str | None = None
        self.requests: list[str] = []
        self.refused: list[str] = []
        self._loaded = False
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime", "DOM", "Accessibility"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Return what *method* answers."""
        self._id += 1
        message: dict[str, Any] = {"id": self._id, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._id:
                assert "error" not in answer, f"{method}: {answer['error']}"
                result: dict[str, Any] = answer["result"]
                return result
            self._note(answer)

    def open(self, page: Path, width: int, height: int = 900) -> None:
        """Show *page* in a window of that size."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self._loaded = False
        self.call("Page.navigate", url=page.resolve().as_uri())
        while not self._loaded:
            self._note(self._next())

    def evaluate(self, script: str) -> Any:
        """Return the value of *script*, run from outside the page."""
        return self.call("Runtime.evaluate", expression=script, returnByValue=True)["result"].get("value")

    def key(self, name: str) -> None:
        """Press and leave a key: Tab or Enter."""
        code = {"Tab": 9, "Enter": 13}[name]
        more = {"text": "\r"} if name == "Enter" else {}
        self.call("Input.dispatchKeyEvent", type="keyDown", key=name, code=name, windowsVirtualKeyCode=code, **more)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=name, code=name, windowsVirtualKeyCode=code)

    def picture(self) -> bytes:
        """Return the whole page as PNG."""
        size = self.call("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 16_000), "scale": 1}
        drawn = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True, clip=clip)
        return base64.b64decode(drawn["data"])

    def grey(self, on: bool) -> None:
        """Show the page without colour, or with it again."""
        self.call("Emulation.setEmulatedVisionDeficiency", type="achromatopsia" if on else "none")

    def pdf(self, paper: str) -> bytes:
        """Return the page as it prints on A4 or Letter."""
        width, height = PAPERS[paper]
        printed = self.call(
            "Page.printToPDF", paperWidth=width, paperHeight=height, preferCSSPageSize=False, printBackground=False
        )
        return base64.b64decode(printed["data"])

    def _note(self, event: dict[str, Any]) -> None:
        method, params = event.get("method"), event.get("params", {})
        if method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Page.loadEventFired":
            self._loaded = True
        elif method == "Log.entryAdded" and params["entry"]["source"] == "security":
            self.refused.append(params["entry"]["text"])

    def _next(self) -> dict[str, Any]:
        until = time.monotonic() + _SECONDS
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._back], [], [], max(0.0, until - time.monotonic()))
            assert ready, "chromium does not answer"
            read = os.read(self._back, 1 << 20)
            assert read, "chromium ended"
            self._rest += read
        message, _, self._rest = self._rest.partition(b"\0")
        answer: dict[str, Any] = json.loads(message)
        return answer


@contextmanager
def browser(program: str) -> Iterator[Browser]:
    """Run chromium without a network, and end it."""
    to_read, to_write = os.pipe()
    back_read, back_write = os.pipe()

    def place() -> None:
        # The pipe's ends are descriptors 3 and 4 of chromium's.
        os.dup2(to_read, 3)
        os.dup2(back_write, 4)

    with tempfile.TemporaryDirectory(prefix="chromium-", ignore_cleanup_errors=True) as profile:
        # dup2 onto a descriptor of ours that is open would lose it; high ones are out of the way.
        to_read, back_write = (_high(d) for d in (to_read, back_write))
        process = subprocess.Popen(
            [program, *OPTIONS, OFFLINE, f"--user-data-dir={profile}"],
            preexec_fn=place,
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(back_write)
        try:
            yield Browser(to_write, back_read)
        finally:
            os.close(to_write)
            os.close(back_read)
            process.terminate()
            process.wait(30)


def _high(descriptor: int) -> int:
    import fcntl

    moved = fcntl.fcntl(descriptor, fcntl.F_DUPFD, 64)
    os.close(descriptor)
    return moved
