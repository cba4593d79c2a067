"""A bench for tests of the capture: a shop folder, a clock that is set by hand, items as links hand them on."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from archive.shop_folder import ShopFolder
from ingest.capturing import Capture
from ingest.facts import InspectionFacts
from ingest.framing import Frame
from ingest.links.item import Item, Kind
from ingest.open_inspection import OpenInspection
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from tests.ingest.taking import NOW, SHOP, facts, job

LINK = "serial:/dev/ttyTEST"


@dataclass
class Bench:
    """One shop folder and what came so far."""

    root: Path
    facts: InspectionFacts = field(default_factory=lambda: facts(job(), pieces=("1", "2")))
    checks: list[GaugeCheck] = field(default_factory=list)
    now: datetime = NOW
    seq: int = 0

    def item(self, text: str | bytes = b"", kind: Kind = Kind.LINE, link: str = LINK, **more: Any) -> Item:
        """Return the next item; a second later than the one before."""
        self.seq += 1
        self.now += timedelta(seconds=1)
        data = text.encode() if isinstance(text, str) else text
        frame = Frame(data, len(data), kind is Kind.LINE) if kind in (Kind.LINE, Kind.PARTIAL) else None
        return Item(kind=kind, link=link, seq=self.seq, at=self.now, mono_ns=self.seq * 10**9, frame=frame, **more)

    def items(self, *texts: str, link: str = LINK) -> list[Item]:
        """Return a LINE for each text."""
        return [self.item(text, link=link) for text in texts]

    def begin(self) -> OpenInspection:
        """Begin the inspection."""
        return OpenInspection(ShopFolder(self.root), self.facts.inspection_id, self.now, self.facts)

    def again(self) -> OpenInspection:
        """Open the inspection again, as after a kill."""
        return OpenInspection(ShopFolder(self.root), self.facts.inspection_id, self.now + timedelta(days=1))

    def capture(self, inspection: OpenInspection, **more: Any) -> Capture:
        """Return a capture of it; nobody confirms the gate unless *more* says so."""
        said: dict[str, Any] = {"links": (LINK,), "gauge": SHOP.gauge[0], "confirms": False} | more
        return Capture(inspection, lambda: self.checks, lambda: self.now, **said)

    def check(self, *, passed: bool = True, at: datetime | None = None) -> GaugeCheck:
        """Return a verification on a zero plate and on a standard beyond every limit, one row of it for each."""
        done_at = at or self.now - timedelta(hours=1)
        return verification(done_at, "S50", Decimal(50), passed=passed)


def verification(done_at: datetime, standard: str, certified_um: Decimal, *, passed: bool = True) -> GaugeCheck:
    """Return one row of a verification of gauge G1."""
    values: dict[str, Any] = {f.name: None for f in dataclasses.fields(GaugeCheck)}
    values |= {
        "check_id": f"V-{done_at:%H%M%S}",
        "kind": "verification",
        "occasion": "opening",
        "gauge_serial": "G1",
        "probe_mode": "magnetic",
        "done_at": done_at,
        "done_by": "mk",
        "standard_id": standard,
        "certified_um": certified_um,
        "within": passed,
    }
    return GaugeCheck(**values)


def covering(done_at: datetime) -> list[GaugeCheck]:
    """Return a check that brackets the limits of the test's job (2 to 6 mil)."""
    rows = [("S50", Decimal(0)), ("S50", Decimal(200))]
    return [verification(done_at, standard, certified) for standard, certified in rows]


def state(inspection: OpenInspection) -> dict[str, Any]:
    """Return all that replaying the journal has to give again."""
    live, taking = inspection.live, inspection.taking
    return {
        "readings": list(taking.readings),
        "other lines": list(taking.other_lines),
        "notes": list(taking.notes),
        "skips": list(taking.skips),
        "next": taking.next_slot(),
        "before coating": taking.before_coating,
        "questions": list(live.questions),
        "waiting": list(live.waiting),
        "paused": live.paused,
        "doubled": set(live.doubled),
        "origins": {link: dict(names) for link, names in live.origins.items()},
        "lines": {link: seen.lines for link, seen in live.links.items()},
        "sha256": inspection.capture_sha256,
    }


def shown_of(readings: Sequence[Any]) -> list[str]:
    """Return the figures of readings."""
    return [reading.decoded.shown for reading in readings]


def mil_job(**changes: object) -> Job:
    """Return the job of the tests of taking."""
    return job(**changes)
