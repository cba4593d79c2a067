"""What is typed at a terminal, heard key by key, as items of the link "typed": for a gauge that types and ends its lines by Tab,
by another key of its own, or by a pause, of which a terminal that keeps a line until Enter hands on nothing.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from typing import Final

from ingest.links.address import Address
from ingest.links.key_lines import KeyLine
from ingest.links.keys import Keys
from ingest.links.stream import Stream
from ingest.links.typed_lines import NAME
from schemas.profile import Profile

_RUB_OUT: Final = "\b \b"


class TypedKeys(Keys):
    """The keys of a terminal; what they write is shown by *show*, since the terminal does so no more.

    Args:
        fd: The terminal.
        profile: How long lines are, and how they end.
        show: Writes text where the person sees it.
    """

    def __init__(self, fd: int, profile: Profile, show: Callable[[str], None]) -> None:
        super().__init__(Address(NAME, ""), profile, fd=fd)
        self._terminal_fd = fd
        self._show_text = show
        self._stands = ""
        self.listen(lambda key: None, self._shown)

    @property
    def is_gone(self) -> bool:
        """Return whether the terminal is none any more: somebody closed its window."""
        return not os.isatty(self._terminal_fd)

    def _give(self, stream: Stream, line: KeyLine) -> None:
        self._shown(line.frame.data)
        self._write("\n")
        self._stands = ""
        super()._give(stream, line)

    def _shown(self, data: bytes) -> None:
        """Show the line as it stands now, from where it differs from what is shown."""
        text = "".join(c if c.isprintable() else " " for c in data.decode("utf-8", "replace"))
        pairs = zip(self._stands, text, strict=False)
        same = next((at for at, (stands, new) in enumerate(pairs) if stands != new), min(len(self._stands), len(text)))
        self._write(_RUB_OUT * (len(self._stands) - same) + text[same:])
        self._stands = text

    def _write(self, text: str) -> None:
        with contextlib.suppress(OSError):  # the terminal is gone, which the link says itself
            if text:
                self._show_text(text)
