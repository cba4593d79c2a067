"""What every live link is to those who use it: started with a stream, asked to send, closed."""

from __future__ import annotations

from typing import Protocol

from ingest.links.stream import Stream


class LinkDown(Exception):
    """Nothing can be sent: the link is not up. The message is a sentence for the inspector."""


class LiveLink(Protocol):
    """A link that runs on a thread of its own and puts its items into a stream.

    It never raises into its user: what goes wrong is a DOWN item with a note, and it tries again, waiting longer each time.
    """

    @property
    def name(self) -> str:
        """Return scheme and address, as Item.link has it."""
        ...

    def start(self, stream: Stream) -> None:
        """Begin: items go into *stream* until close()."""
        ...

    def send(self, data: bytes) -> None:
        """Send *data* to the device.

        Raises:
            LinkDown: The link is not up, or cannot send.
        """
        ...

    def close(self) -> None:
        """Stop, let go of the device, and return once the thread has ended. A second close does nothing."""
        ...
