"""An open inspection on disk: its journal, and the state that replaying the journal gives.

What the journal holds, by kind:

    begin     the facts (ingest/facts.py), and by which edition of its rules the gauge's counter is followed
    capture   a kept capture was taken: its sha256 and name, what the inspector said of its lines
    session   somebody began or went on at a bench: what is seen there, who answers, which links there are
    item      something came over a link, or happened to it: bytes, number, both clocks, place in a file
    act       what the inspector did: undo, exclude, skip, next piece, go to, note, pause, accept, leave out
    asked     a question was put that does not follow from the records before it: of the gate, of a device
    answered  the question of the gate went away by itself, or questions were settled before sealing
    line      (written by editions before the live links) a line was typed: its bytes, and a reason where it was accepted
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

from archive.journal_lines import captures_in, read
from archive.shop_folder import ShopFolder
from ingest import capture_store
from ingest.capture_state import Act
from ingest.capture_store import KeptCapture, TakenAs, fetch, mark_taken
from ingest.collecting import collector_paused
from ingest.counters import EDITION, CountersBefore
from ingest.decoding import LineDecoder, escaped
from ingest.facts import InspectionFacts, typed_profile
from ingest.framing import Frame
from ingest.inspection import Note, OtherLine, Problem, Taking
from ingest.journal import SUFFIX, Journal, SeenJournal
from ingest.links.item import Item, Kind
from ingest.links.raw_line import RawLine
from ingest.live_records import item_of, item_record
from ingest.live_taking import About, LiveTaking
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
        looking: Only look, while another process may be taking it: nothing is locked, and nothing can be taken.

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
        looking: bool = False,
    ) -> None:
        self._folder = folder
        path = journal_path(folder, inspection_id)
        if facts is None and not path.is_file():
            raise _not_open(folder, path)
        try:
            self.journal = SeenJournal(path) if looking else Journal(path, begun=facts is None)
        except FileNotFoundError:  # whoever held it put it away in between
            raise _not_open(folder, path) from None
        try:
            records = self.journal.content.records
            self._unwritten: list[dict[str, Any]] = []
            if facts is None:
                facts = _facts(path, records)
            else:
                begin = {"kind": "begin", "at": now.isoformat(), "facts": facts.to_record(), "counters": EDITION}
                self._unwritten.append(begin)
            self.facts = facts
            self._digest = hashlib.sha256()
            zone = ZoneInfo(facts.shop.time_zone)
            self.taking = Taking(
                facts.job,
                facts.pieces,
                facts.inspector,
                LineDecoder(facts.profile, zone),
                facts.shop.plausible,
                now,
                prompted=prompted,
            )
            by_hand = LineDecoder(typed_profile(facts.job.unit, facts.shop.decimal_mark), zone)
            self.live = LiveTaking(self.taking, by_hand)
            if records and records[0].get("counters", 1) < EDITION:
                self.taking.counters = CountersBefore()
            for record in records:
                self._replay(record)
            self.live.happened.clear()
            self.taking.now = now
            if not looking:
                self._mark(captures_in(records), anew=False)
            if self.journal.content.torn and not looking:
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

    @property
    def has_begun(self) -> bool:
        """Return whether anything is on disk."""
        return not (self._unwritten and self._unwritten[0]["kind"] == "begin")

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
        self._mark([kept.sha256 for kept in captures], anew=True)

    def begin_session(
        self, at: datetime, *, prompted: bool, asks: bool, links: Sequence[str], also_figures: bool = False
    ) -> None:
        """Begin, or go on, at a bench; see :meth:`ingest.live_taking.LiveTaking.begin`. Written with what comes next."""
        record = {"kind": "session", "at": at.isoformat(), "prompted": prompted, "asks": asks, "links": list(links)}
        self._later(record | ({"also_figures": True} if also_figures else {}))

    def ask_of_gate(self, sentence: str, at: datetime) -> None:
        """Ask whether readings shall be taken although the gate does not cover them. Written with what comes next."""
        self._later({"kind": "asked", "at": at.isoformat(), "about": About.GATE.value, "sentence": sentence})

    def ask_of_device(self, link: str, serial: str, sentence: str, at: datetime) -> None:
        """Ask whether another device's readings shall be taken. Written with what comes next."""
        about = {"about": About.DEVICE.value, "link": link, "serial": serial}
        self._later({"kind": "asked", "at": at.isoformat(), **about, "sentence": sentence})

    def take(self, items: Sequence[Item]) -> None:
        """Write what came over links to the journal, all with one sync, and only then take it.

        What became of each stands in ``live.happened``. What merely happens to links makes no inspection: it is
        written with the first line or act.

        Raises:
            CannotWrite: The disk is full or cannot be written to; none of it was taken.
        """
        records = [item_record(item) for item in items]
        if self._unwritten and all(item.kind in (Kind.UP, Kind.DOWN, Kind.NO_ANSWER, Kind.END) for item in items):
            self._unwritten += records
        else:
            self._write(*records)
        for item in items:
            self._take_item(item)

    def act(self, act: Act, text: str, at: datetime, link: str = "") -> None:
        """Write what the inspector does to the journal, sync it, and only then do it; see ``live.happened``.

        Raises:
            CannotWrite: As :meth:`take`; nothing was done.
        """
        record = {"kind": "act", "at": at.isoformat(), "act": act.value, "text": text, "link": link}
        self._write(record)
        self._replay(record)

    def withdraw_gate(self, at: datetime) -> None:
        """Take the question of the gate back: the gauge was checked meanwhile."""
        record = {"kind": "answered", "at": at.isoformat(), "about": About.GATE.value}
        if self.live.waiting:  # it lets readings be taken, and what is taken has to be on disk with its reason
            self._write(record)
            self._replay(record)
        else:
            self._later(record)

    def settle(self, reason: str, at: datetime) -> None:
        """Answer every open question with no, for *reason*, so that it can be sealed; nothing where none is open."""
        if self.live.questions or self.live.waiting:
            record = {"kind": "answered", "at": at.isoformat(), "about": "all", "reason": reason}
            self._write(record)
            self._replay(record)

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
        never_begun = not self.has_begun
        self._unwritten.clear()
        if never_begun and self.journal.is_open:
            self.journal.close()
            self.journal.path.unlink()
            self.journal.path.with_suffix(".lock").unlink(missing_ok=True)
        self.journal.close()

    def _mark(self, captures: Sequence[str], *, anew: bool) -> None:
        """Mark *captures* as taken by this inspection; where not *anew*, those whose mark a kill prevented."""
        taken = TakenAs(self.facts.inspection_id, self.facts.job_name, self.facts.lot)
        for sha256 in captures:
            if anew or not capture_store.is_marked(self._folder.captures, sha256):
                mark_taken(self._folder.captures, sha256, taken)

    def _later(self, record: dict[str, Any]) -> None:
        """Take *record* now and write it with the next that has to be on disk: it acknowledges nothing."""
        self._unwritten.append(record)
        self._replay(record)

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
            # What was still to come when it was taken must not have come to pass when it is read again.
            self.taking.now = datetime.fromisoformat(record["at"])
            self._take_capture(fetch(self._folder.captures, record["sha256"]), record)
        elif record["kind"] in ("item", "line", "session", "act", "asked", "answered"):
            self._replay_live(record, datetime.fromisoformat(record["at"]))
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

    def _replay_live(self, record: dict[str, Any], at: datetime) -> None:
        match record["kind"]:
            case "item":
                self._take_item(item_of(record))
            case "act":
                self.live.act(Act(record["act"]), record["text"], at, record["link"])
            case "session":
                links = tuple(record["links"])
                # A journal of an earlier edition says nothing of figures, and its lines are read as they were.
                also = record.get("also_figures", False)
                self.live.begin(prompted=record["prompted"], asks=record["asks"], links=links, also_figures=also)
            case "asked" if record["about"] == About.GATE:
                self.live.ask_of_gate(record["sentence"])
            case "asked":
                self.live.ask_of_device(record["link"], record["serial"], record["sentence"])
            case "answered" if record["about"] == About.GATE:
                self.live.withdraw_gate()
            case "answered":
                self.live.settle(record["reason"], at)
            case _:
                data = bytes.fromhex(record["bytes"])
                frame = Frame(data, len(data), record["ended"])
                line = RawLine(record["line_no"], frame, at, directive=record["directive"])
                self._take_old_line(line, record["link"], record["accept"])

    def _take_item(self, item: Item) -> None:
        if item.frame is not None:
            self._digest.update(item.frame.data + b"\n")
        self.live.item(item)

    def _take_old_line(self, line: RawLine, link: str, accept: str | None) -> None:
        self._digest.update(line.frame.data + b"\n")
        assert line.received_at is not None  # noqa: S101 - such a line always came with its time
        self.taking.now = line.received_at
        outcome = self.taking.feed(line, link, accept=accept)
        if isinstance(outcome, Problem):
            self.taking.keep_aside(line, link, f"not taken: {outcome.sentence}")

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
    ways = f"kept as no reading with --set-aside {first.line_no}=REASON"
    if first.can_be_accepted:
        ways = f"taken with --accept {first.line_no}=REASON or {ways}"
    ways = f"; as it stands, it can be {ways}"
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
    """Return the open inspections, oldest first. A journal without a byte is none: nothing was taken yet, or never will be."""
    return sorted(path.stem for path in folder.journals.glob(f"*{SUFFIX}") if _has_bytes(path))


def _not_open(folder: ShopFolder, path: Path) -> BadInput:
    """Return what is said of an inspection whose journal is not, or no longer, among the open ones."""
    if (folder.journals / SEALED / path.name).is_file():
        return BadInput(
            f"inspection {path.stem} was sealed meanwhile, so nothing more is taken into it; correct it with 'filmtally "
            f"amend {path.stem}', or take the lot's further readings as a new inspection"
        )
    if (folder.journals / ABANDONED / path.name).is_file():
        return BadInput(f"inspection {path.stem} was given up meanwhile, so nothing is taken into it; begin a new one")
    have = ", ".join(open_ids(folder)) or "none"
    return BadInput(f"{folder.journals}: there is no open inspection {path.stem!r} (there are: {have})")


def _has_bytes(path: Path) -> bool:
    try:
        return path.stat().st_size > 0
    except FileNotFoundError:  # sealed in between
        return False


def open_for(folder: ShopFolder, job: str, lot: str) -> InspectionFacts | None:
    """Return the facts of the open inspection of this job and lot, the newest where there are several, or None."""
    for inspection_id in reversed(open_ids(folder)):
        path = journal_path(folder, inspection_id)
        try:
            facts = _facts(path, read(path).records)
        except (IntegrityFailed, FileNotFoundError):  # damaged, or sealed in between: not this command's business
            continue
        if (facts.job_name, facts.lot) == (job, lot):
            return facts
    return None


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
