"""A file as a live link: its lines from the first, or from where it was left, to the last. Then it is used up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from ingest.links.address import Address
from ingest.links.growing_file import GrowingFile, TakenLine
from ingest.links.item import Kind, Origin
from ingest.links.live import FileSeen
from ingest.links.stream import Stream
from ingest.links.threaded import ThreadedLink
from schemas.profile import Profile

#: A hundred million bytes are four million readings; what is larger is taken with --from, which holds no file in memory.
MOST_BYTES: Final = 100_000_000


class LiveFile(ThreadedLink):
    """The link `file:PATH`.

    Args:
        address: Where the file is.
        profile: How long lines are, and how they end.
    """

    def __init__(self, address: Address, profile: Profile) -> None:
        super().__init__(address.name)
        self._path = Path(address.rest).expanduser()
        self._profile = profile
        self._file = self._from(Origin(self._path.name, 0, ""))
        self._read = False
        self._not_taken = ""

    def resume(self, taken: Mapping[str, Origin], there_before: Iterable[Origin] = ()) -> None:
        """Go on behind what was taken before; see :class:`ingest.links.live.ReadsFiles`."""
        if self._path.name in taken:
            self._file = self._from(taken[self._path.name])

    def files(self) -> tuple[FileSeen, ...]:
        """Return the file, once it was read."""
        return (FileSeen(self._path, self._file.origin, self._not_taken),) if self._read else ()

    def run(self, stream: Stream) -> None:
        """Read the file to its end."""
        try:
            with self._path.open("rb") as source:
                data = source.read(MOST_BYTES + 1)
        except OSError as wrong:
            self._give_up(stream, f"{self._path}: this file cannot be read ({wrong.strerror}); name the right one")
            return
        if len(data) > MOST_BYTES:
            self._give_up(
                stream,
                f"{self._path}: is larger than {MOST_BYTES // 1_000_000} MB; take it with 'filmtally measure --from'",
            )
            return
        self._read = True
        stream.put(
            Kind.UP, self.name, note=f"{self._path}: is read from its {'middle' if self._file.end else 'beginning'}"
        )
        # Twice, since a file that holds something else than what was taken must do so at two looks. The settle
        # time is none: the file is all there is.
        lines: list[TakenLine] = []
        notes: list[str] = []
        for _ in range(2):
            look = self._file.look(data, 0.0)
            lines += look.lines
            notes += look.notes
        for note in notes:
            stream.put(Kind.UP, self.name, note=note)
        self._not_taken = notes[0] if notes and not lines else ""
        for line in lines:
            if not stream.put(
                line.kind,
                self.name,
                line.frame,
                note=line.note,
                origin=line.origin,
                taken_at=line.taken_at,
                wait=True,
                unless=lambda: self.closing,
            ):
                return
        stream.put(Kind.END, self.name)

    def _give_up(self, stream: Stream, note: str) -> None:
        stream.put(Kind.DOWN, self.name, note=note)
        stream.put(Kind.END, self.name)

    def _from(self, origin: Origin) -> GrowingFile:
        end = self._profile.line_end.encode() if self._profile.line_end else None
        known = (origin.end, origin.sha256) if origin.end else ()
        return GrowingFile(origin.name, self._profile.max_line_bytes, end, 0.0, *known)


def link(address: Address, profile: Profile) -> LiveFile:
    """Return the link to the file that *address* names."""
    return LiveFile(address, profile)
