"""What a port is to the link that reads it: bytes in, bytes out, and a sentence when it goes."""

from __future__ import annotations

import threading
from collections.abc import Callable
from enum import StrEnum
from typing import Protocol


class Reason(StrEnum):
    """Why a port is not there, as far as it makes a difference to what the inspector does."""

    AWAY = "not there, gone, or does not answer"
    HELD = "another program has it"
    FORBIDDEN = "this user may not open it"
    UNFIT = "it is no such port, or cannot be set as the profile says"
    OTHER = "something else"


class PortFault(Exception):
    """A port cannot be opened, or is gone. The message says what, why, and what to do.

    Within one outage each reason is said once: a port that is gone is also not there when it is tried again.
    """

    def __init__(self, sentence: str, reason: Reason = Reason.AWAY) -> None:
        super().__init__(sentence)
        self.reason = reason


class Port(Protocol):
    """An open port. Read and closed by one thread; written to and interrupted by others."""

    @property
    def settings(self) -> str:
        """Return how the port is set, for the inspector; empty where there is nothing to say."""
        ...

    def read(self) -> bytes:
        """Return what came, at once; b"" where nothing came for the time given at opening, or after interrupt().

        Raises:
            PortFault: The port is gone. Everything that came before has been returned.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send all of *data*.

        Raises:
            PortFault: It could not be sent.
        """
        ...

    def interrupt(self) -> None:
        """Make a read() that waits return."""
        ...

    def close(self) -> None:
        """Let go of the device. Never raises."""
        ...


#: Opens a port: given how long a read() may wait, in seconds, and an event that ends the opening early.
#: Raises PortFault.
Opening = Callable[[float, threading.Event], Port]
