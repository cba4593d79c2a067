"""Gauges that send a reading only when they are asked: requests, their answers, and what is said where none comes.

A Requester is itself a live link: it stands around the link to the gauge, whatever that is, and hears what it hands on.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from typing import Any, Final

from ingest.framing import Frame
from ingest.links.item import Item, Kind
from ingest.links.live import LinkDown, LiveLink
from ingest.links.stream import Stream
from schemas.transport import Request

_LOOK: Final = "look whether the gauge is switched on and can send, then ask again"
_GOES_ON: Final = "asking goes on, and this is said once"


class Requester:
    """A link that asks: a LiveLink (ingest.links.live) with ask().

    An answer is a LINE like any other, and so is a line that nobody asked for: both stay in the stream as they came. One
    request is under way at a time. What is not answered in time is a NO_ANSWER item.

    Args:
        link: The link to the gauge, not yet started.
        request: What is sent, when, and what an answer looks like.
        mono_s: The monotonic clock, in seconds.
    """

    def __init__(self, link: LiveLink, request: Request, mono_s: Callable[[], float] = time.monotonic) -> None:
        self._link = link
        self._request = request
        self._answer = re.compile(request.answer) if request.answer is not None else None
        self._timeout_s = float(request.timeout_s)
        self._every_s = float(request.every_s) if request.every_s is not None else None
        self._mono_s = mono_s
        self._changed = threading.Condition()
        self._up = False
        self._wanted = False  # the key was pressed
        self._number = 0  # of the last request
        self._under_way: int | None = None  # number of the request whose answer is waited for
        self._deadline_s: float | None = None  # until when it may come; None while the request is being sent
        self._by_key = False
        self._next_s = 0.0
        self._silence_said = False
        self._closing = False
        self._stream: Stream | None = None
        self._thread: threading.Thread | None = None

    @property
    def name(self) -> str:
        """Return the name of the link to the gauge."""
        return self._link.name

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        if self._thread is not None:
            raise RuntimeError(f"{self.name} was started already")
        self._stream = stream
        self._thread = threading.Thread(target=self._run, name=f"requests {self.name}", daemon=True)
        self._thread.start()
        self._link.start(_Overheard(stream, self._before, self._after))

    def send(self, data: bytes) -> None:
        """Send *data* to the device as it is, apart from any request; raises LinkDown."""
        self._link.send(data)

    def ask(self) -> bool:
        """Have a reading asked for, and return at once whether that is done.

        It is not while an answer is waited for: a key that is held down asks once. A link that is down is said in a
        NO_ANSWER item.
        """
        with self._changed:
            if self._wanted or self._under_way is not None or self._closing or self._stream is None:
                return False
            self._wanted = True
            self._changed.notify_all()
            return True

    def close(self) -> None:
        """Stop asking, close the link to the gauge, and return once both threads have ended."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._link.close()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        """Send what is wanted or due, and give up what is not answered, until close()."""
        while True:
            with self._changed:
                while not self._closing and (left_s := self._left_s()) != 0:
                    self._changed.wait(left_s)
                if self._closing:
                    return
                late = self._under_way is not None
                if late:
                    self._under_way = self._deadline_s = None
                else:
                    self._begin()
            if late:
                self._say(f"the gauge did not answer within {self._request.timeout_s} s; ")
            else:
                self._send()

    def _left_s(self) -> float | None:
        """Return in how many seconds there is something to do: 0 for now, None for when something has happened."""
        now_s = self._mono_s()
        if self._under_way is not None:
            return None if self._deadline_s is None else max(0.0, self._deadline_s - now_s)
        if self._wanted:
            return 0
        if self._every_s is not None and self._up:
            return max(0.0, self._next_s - now_s)
        return None

    def _begin(self) -> None:
        """Note that a request is being sent; the lock is held."""
        self._by_key, self._wanted = self._wanted, False
        self._number += 1
        self._under_way, self._deadline_s = self._number, None
        if self._every_s is not None:
            self._next_s = self._mono_s() + self._every_s

    def _send(self) -> None:
        number = self._number
        why = ""
        try:
            self._link.send(self._request.data)
        except LinkDown as down:
            why = str(down)
        except Exception as fault:  # whatever it is, the inspector is told, and may ask again
            why = f"the link failed in a way that was not foreseen ({type(fault).__name__}: {fault})"
        with self._changed:
            if self._under_way != number:
                return  # answered already, or the link went and that was said
            self._deadline_s = self._mono_s() + self._timeout_s
            if why:
                self._under_way = self._deadline_s = None
        if why:
            self._say(f"the gauge was not asked: {why}; ")

    def _say(self, what: str) -> None:
        with self._changed:
            by_key, said = self._by_key, self._silence_said
            self._silence_said = self._silence_said or not by_key
        if self._stream is not None and (by_key or not said):
            self._stream.put(Kind.NO_ANSWER, self.name, note=what + (_LOOK if by_key else _GOES_ON))

    def _before(self, kind: Kind, frame: Frame | None) -> None:
        """Hear of an item before it is in the stream: a line is heard when it comes, not when there is room for it."""
        if kind is Kind.LINE and frame is not None and self._is_answer(frame):
            with self._changed:
                self._under_way = self._deadline_s = None
                self._silence_said = False
                self._changed.notify_all()

    def _after(self, kind: Kind) -> None:
        """Hear of an item that is in the stream."""
        if kind is Kind.UP:
            with self._changed:
                self._up = True
                self._next_s = self._mono_s()
                self._silence_said = False
                self._changed.notify_all()
        elif kind in (Kind.DOWN, Kind.END):
            with self._changed:
                self._up = False
                waited = self._under_way is not None and self._deadline_s is not None
                if waited:
                    self._under_way = self._deadline_s = None
            if waited:
                self._say("the link went before the gauge had answered; ")

    def _is_answer(self, frame: Frame) -> bool:
        text = frame.data.decode("utf-8", "surrogateescape").strip()
        if self._answer is not None:
            return self._answer.fullmatch(text) is not None
        # A gauge may end its line twice, or send back what it was sent, before it answers.
        return bool(text) and frame.data.strip() != self._request.data.strip()


class _Overheard(Stream):
    """A stream into which everything goes on, and that tells what comes: before, and after it is in there."""

    def __init__(
        self, stream: Stream, before: Callable[[Kind, Frame | None], None], after: Callable[[Kind], None]
    ) -> None:
        super().__init__()
        self._into = stream
        self._before = before
        self._after = after

    def put(self, kind: Kind, link: str, frame: Frame | None = None, **rest: Any) -> bool:
        self._before(kind, frame)
        taken = self._into.put(kind, link, frame, **rest)
        self._after(kind)
        return taken

    def get(self, timeout_s: float | None = None) -> Item | None:
        return self._into.get(timeout_s)

    def wake(self) -> None:
        self._into.wake()

    def close(self) -> None:
        self._into.close()
