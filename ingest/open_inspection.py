"""An open inspection on disk: its journal, and the state that replaying the journal gives.

What the journal holds, by kind:

    begin     the facts (ingest/facts.py)
    capture   a kept capture was taken: its sha256 and name, what the inspector said of its lines
    line      a line came over a link: its bytes, and a reason where it was accepted in spite of doubt
    abandoned the inspection was given up, with a reason
    torn      bytes that a kill left unfinished at the end
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self
from zoneinfo import ZoneInfo

from archive.shop_folder import ShopFolder
from ingest import capture_store
from ingest.capture_store import KeptCapture, TakenAs, fetch, mark_taken
from ingest.collecting import collector_paused
from ingest.decoding import LineDecoder, escaped
from ingest.facts import InspectionFacts
from ingest.framing import Frame
from ingest.inspection import Note, OtherLine, Outcome, Problem, Taking
from ingest.journal import SUFFIX, Journal, read
from ingest.links.raw_line import RawLine
from ingest.taking_captures import CaptureLines, take_lines
from schemas.errors import BadInput, IntegrityFailed

SEALED: Final = "sealed"
ABANDONED: Final = "abandoned"


@dataclass(frozen=True, slots=True)
class SaidOfLines:
    """What the inspector says of single lines of a capture.

    Attributes:
        accept: Line number to the reason to take it although something speaks against it.
        set_aside: Line number to the reason to keep it as no reading.
        again: Why the very same bytes are taken although they were taken before; None where they were not.
    """

    accept: Mapping[int, str] = field(default_factory=dict)
    set_aside: Mapping[int, str] = field(default_factory=dict)
    again: str | None = None


class OpenInspection:
    """An inspection that is not sealed yet.

    Args:
        folder: The shop folder.
        inspection_id: The inspection.
        now: Time, aware.
        facts: The facts, for a new inspection; None to open one that has begun.
        prompted: As of :class:`ingest.inspection.Taking`.

    Raises:
        BadInput: There is no such open inspection, or another process holds it.
        IntegrityFailed: Its journal is damaged.
    """

    def __init__(
        self,
        folder: ShopFolder,
        inspection_id: str,
        now: datetime,
        facts: InspectionFacts | None = None,
        *,
        prompted: bool = False,
    ) -> None:
        self._folder = folder
        path = journal_path(folder, inspection_id)
        if facts is None and not path.is_file():
            have = ", ".join(open_ids(folder)) or "none"
            raise BadInput(f"{folder.journals}: there is no open inspection {inspection_id!r} (there are: {have})")
        self.journal = Journal(path)
        try:
            records = self.journal.content.records
            self._unwritten: list[dict[str, Any]] = []
            if facts is None:
                facts = _facts(path, records)
            else:
                self._unwritten.append({"kind": "begin", "at": now.isoformat(), "facts": facts.to_record()})
            self.facts = facts
            self._digest = hashlib.sha256()
            self.taking = Taking(
                facts.job,
                facts.pieces,
                facts.inspector,
                LineDecoder(facts.profile, ZoneInfo(facts.shop.time_zone)),
                facts.shop.plausible,
                now,
                prompted=prompted,
            )
            for record in records:
                self._replay(record)
            if self.journal.content.torn:
                torn = {"kind": "torn", "at": now.isoformat(), "bytes": self.journal.content.torn.hex()}
                self._write(torn)
                self._replay(torn)
        except BaseException:
            self.journal.close()
            raise

    @property
    def capture_sha256(self) -> str:
        """Return the hash of all that came: a single capture's own, or of all bytes in order."""
        return self._digest.hexdigest()

    def take_captures(
        self, captures: Sequence[KeptCapture], stated_at: datetime | None, said: SaidOfLines, at: datetime
    ) -> None:
        """Take every line of *captures*, in order, all or nothing.

        Args:
            captures: What was kept.
            stated_at: Time of the lines that come with none.
            said: What the inspector says of single lines of the one capture.
            at: Time, aware.

        Raises:
            BadInput: A line cannot be taken as it is: names it, and what to do. Nothing was taken.
        """
        if len(captures) > 1 and (said.accept or said.set_aside):
            raise BadInput("--accept and --set-aside go with one capture; take the captures one after the other")
        records = [
            {
                "kind": "capture",
                "at": at.isoformat(),
                "sha256": kept.sha256,
                "name": kept.name,
                "stated_at": stated_at.isoformat() if stated_at else None,
                "accept": {str(n): why for n, why in said.accept.items()},
                "set_aside": {str(n): why for n, why in said.set_aside.items()},
                "again": said.again,
            }
            for kept in captures
        ]
        for kept, record in zip(captures, records, strict=True):
            self._take_capture(kept.path, record)
        self._write(*records)
        taken = TakenAs(self.facts.inspection_id, self.facts.job_name, self.facts.lot)
        for kept in captures:
            mark_taken(self._folder.captures, kept.sha256, taken)

    def take_line(self, line: RawLine, link: str, accept: str | None = None) -> Outcome:
        """Write a line to the journal, sync it, and only then take it."""
        at = line.received_at
        self._write(
            {
                "kind": "line",
                "at": at.isoformat() if at else None,
                "line_no": line.line_no,
                "bytes": line.frame.data.hex(),
                "ended": line.frame.ended,
                "directive": line.directive,
                "link": link,
                "accept": accept,
            }
        )
        return self._take_line(line, link, accept)

    def abandon(self, reason: str, by: str, at: datetime) -> None:
        """Give the inspection up: it is kept whole, aside, and its captures may be taken again."""
        self._write({"kind": "abandoned", "at": at.isoformat(), "by": by, "reason": reason})
        self.close()
        put_away(self._folder, self.facts.inspection_id, ABANDONED)
        for record in read(self._folder.journals / ABANDONED / self.journal.path.name).records:
            if record["kind"] == "capture":
                capture_store.unmark(self._folder.captures, record["sha256"])

    def close(self) -> None:
        """Close the journal. The inspection stays open, unless nothing was ever written to it."""
        self.journal.close()
        if self._unwritten:
            self._unwritten.clear()
            self.journal.path.unlink()
            self.journal.path.with_suffix(".lock").unlink(missing_ok=True)

    def _write(self, *records: dict[str, Any]) -> None:
        self.journal.append(*self._unwritten, *records)
        self._unwritten.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _replay(self, record: dict[str, Any]) -> None:
        if record["kind"] == "capture":
            self._take_capture(fetch(self._folder.captures, record["sha256"]), record)
        elif record["kind"] == "line":
            data = bytes.fromhex(record["bytes"])
            at = datetime.fromisoformat(record["at"]) if record["at"] else None
            frame = Frame(data, len(data), record["ended"])
            self._take_line(
                RawLine(record["line_no"], frame, at, directive=record["directive"]), record["link"], record["accept"]
            )
        elif record["kind"] == "torn":
            data = bytes.fromhex(record["bytes"])
            self.taking.other_lines.append(
                OtherLine(
                    0,
                    "journal",
                    record["at"],
                    escaped(data),
                    "left unfinished when the program was ended; never acknowledged",
                )
            )

    def _take_line(self, line: RawLine, link: str, accept: str | None) -> Outcome:
        self._digest.update(line.frame.data + b"\n")
        outcome = self.taking.feed(line, link, accept=accept)
        if isinstance(outcome, Problem):
            self.taking.other_lines.append(
                OtherLine(
                    line.line_no,
                    link,
                    line.received_at.isoformat() if line.received_at else None,
                    escaped(line.frame.data),
                    f"not taken: {outcome.sentence}",
                )
            )
        return outcome

    def _take_capture(self, path: Path, record: dict[str, Any]) -> None:
        stated = record["stated_at"]
        accept = {int(n): why for n, why in record["accept"].items()}
        set_aside = {int(n): why for n, why in record["set_aside"].items()}
        taken_before = len(self.taking.readings)
        stated_at = datetime.fromisoformat(stated) if stated else None
        taken = CaptureLines(self.taking, f"file:{record['name']}", accept, set_aside)
        with collector_paused():
            take_lines(taken, path, record["name"], self.facts.profile, stated_at)
        for number in (*accept, *set_aside):
            raise BadInput(
                f"{record['name']}: there is no line {number} (the last is {taken.last_no}); correct --accept or --set-aside"
            )
        if taken.problems:
            raise BadInput(_problems(record["name"], taken.problems))
        if len(self.taking.readings) == taken_before:
            raise BadInput(
                f"{record['name']}: there is no reading in this capture; take the readings again or name the right file"
            )
        if record["again"] is not None:
            said = f"{record['name']}: taken although the same bytes were taken before: {record['again']}"
            self.taking.notes.append(Note(record["at"], self.facts.inspector, said))
        with path.open("rb") as capture:
            while chunk := capture.read(1 << 20):
                self._digest.update(chunk)


def _problems(name: str, problems: list[Problem]) -> str:
    first = problems[0]
    ways = f"; or keep it as no reading with --set-aside {first.line_no}=REASON"
    if first.can_be_accepted:
        ways += f", or take it as it is with --accept {first.line_no}=REASON"
    if len(problems) > 1:
        others = ", ".join(str(p.line_no) for p in problems[1:6]) + (", …" if len(problems) > 6 else "")
        ways += f" (also lines {others})" if len(problems) > 2 else f" (also line {others})"
    return f"{name}: line {first.line_no}: {first.sentence}{ways}; nothing was taken, the capture is kept"


def journal_path(folder: ShopFolder, inspection_id: str) -> Path:
    """Return where the journal of *inspection_id* is while it is open."""
    if not inspection_id.replace("-", "").isalnum():
        raise BadInput(
            f"{inspection_id!r} is no inspection's name; 'filmtally measure --resume' without one lists those that are open"
        )
    return folder.journals / f"{inspection_id}{SUFFIX}"


def open_ids(folder: ShopFolder) -> list[str]:
    """Return the open inspections, oldest first."""
    return sorted(path.stem for path in folder.journals.glob(f"*{SUFFIX}"))


def put_away(folder: ShopFolder, inspection_id: str, where: str = SEALED) -> None:
    """Move the journal of an inspection that is no longer open to where such ones are kept."""
    path = journal_path(folder, inspection_id)
    target = folder.journals / where / path.name
    target.parent.mkdir(exist_ok=True)
    path.replace(target)
    path.with_suffix(".lock").unlink(missing_ok=True)


def taken_as(folder: ShopFolder, sha256: str) -> TakenAs | None:
    """Return what the capture with hash *sha256* was taken as, or None where it was not."""
    marked = capture_store.taken_as(folder.captures, sha256)
    if marked is not None:
        return marked
    for inspection_id in open_ids(folder):  # a kill may have come between the journal and the mark
        path = journal_path(folder, inspection_id)
        records = read(path).records
        if any(r["kind"] == "capture" and r["sha256"] == sha256 for r in records):
            facts = _facts(path, records)
            return TakenAs(facts.inspection_id, facts.job_name, facts.lot)
    return None


def _facts(path: Path, records: tuple[dict[str, Any], ...]) -> InspectionFacts:
    if not records or records[0]["kind"] != "begin":
        raise IntegrityFailed(f"{path}: has no beginning, so nothing was acknowledged from it; move it away")
    return InspectionFacts.from_record(records[0]["facts"])
