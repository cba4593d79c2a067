"""A watched folder: lines from the files that a gauge's own program leaves there, as they appear and grow.

It is polled: shares on a network tell nobody of a change. Files that were there before the start are not taken
('filmtally measure --from' takes those). What is done with a file that is still being written, was copied, renamed,
replaced or cut off is told in ingest/links/growing_file.py and ingest/links/folder_looks.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from ingest.links.address import Address
from ingest.links.folder_looks import FolderGone, FolderLooks
from ingest.links.item import Kind, Origin
from ingest.links.live import FileSeen
from ingest.links.stream import Stream
from ingest.links.threaded import ThreadedLink
from schemas.profile import Profile

POLL_S: Final = 0.5
#: Longer than the two seconds to which some file systems round the time of a change.
SETTLE_S: Final = 3.0
_LONGEST_WAIT_S: Final = 10.0


class WatchedFolder(ThreadedLink):
    """The link `folder:PATH`.

    Args:
        address: Where the folder is.
        profile: How long lines are, and how they end.
        poll_s: How far apart the looks are.
        settle_s: How long a file must not change before a last line without an end is given out.
        mono_s: The monotonic clock.
    """

    def __init__(
        self,
        address: Address,
        profile: Profile,
        *,
        poll_s: float = POLL_S,
        settle_s: float = SETTLE_S,
        mono_s: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(address.name)
        self._poll_s = poll_s
        self._mono_s = mono_s
        line_end = profile.line_end.encode() if profile.line_end else None
        self._looks = FolderLooks(Path(address.rest).expanduser(), profile.max_line_bytes, line_end, settle_s)

    def resume(self, taken: Mapping[str, Origin], there_before: Iterable[Origin] = ()) -> None:
        """Go on behind what was taken before; see :class:`ingest.links.live.ReadsFiles`."""
        self._looks.taken = dict(taken)
        self._looks.there_before = tuple(there_before)

    def files(self) -> tuple[FileSeen, ...]:
        """Return the files that were read. What it says while the link runs may be of a moment before."""
        return self._looks.files()

    def run(self, stream: Stream) -> None:
        """Look again and again until closing."""
        begun, up, wait_s = False, True, self._poll_s
        while not self.closing:
            try:
                if not begun:
                    self._begin(stream)
                    begun = up = True
                self._look(stream, up)
                up, wait_s = True, self._poll_s
            except FolderGone as gone:
                if up:
                    stream.put(Kind.DOWN, self.name, note=str(gone))
                up = False
                wait_s = min(_LONGEST_WAIT_S, wait_s * 2)
            self._closing.wait(wait_s)

    def _begin(self, stream: Stream) -> None:
        goes_on = self._looks.taken is not None
        before = self._looks.begin(self._mono_s())
        if goes_on:
            note = f"{self._looks.folder}: goes on behind the last line that was taken"
        else:
            note = f"{self._looks.folder}: {_files(len(before) - 1)} there already and not taken; new ones are taken as they come"
        stream.put(Kind.UP, self.name, note=note, there_before=before)

    def _look(self, stream: Stream, up: bool) -> None:
        for happened in self._looks.look(self._mono_s()):
            if not up:
                self._back(stream)
                up = True
            put = stream.put(
                happened.kind,
                self.name,
                happened.frame,
                note=happened.note,
                origin=happened.origin,
                taken_at=happened.taken_at,
                doubled=happened.doubled,
                wait=True,
                unless=lambda: self.closing,
            )
            if not put:
                return  # nothing is lost: the file is there, and is read from the last origin that is on disk
        if not up:
            self._back(stream)

    def _back(self, stream: Stream) -> None:
        stream.put(Kind.UP, self.name, note=f"{self._looks.folder}: is back, and goes on where it was")


def link(address: Address, profile: Profile) -> WatchedFolder:
    """Return the link to the folder that *address* names."""
    return WatchedFolder(address, profile)


def _files(count: int) -> str:
    return "1 file is" if count == 1 else f"{count:,} files are" if count else "no files are"
