"""What an inspector is told as soon as a gauge fails its check: that a look-back is due, and how much it touches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from archive.look_back import Period, candidates
from archive.store import Archive
from ingest.said import number_of
from rules.doubt import Doubt, Policy, doubts_looked_up, earliest, hulls, look_back
from rules.wording import local_time
from schemas.gauge_checks import GaugeCheck
from schemas.shop import Shop


@dataclass(frozen=True, slots=True)
class LookBackDue:
    """How much a failed check touches, and that in a sentence."""

    inspections: int
    certificates: int
    sentence: str


def look_back_due(archive: Archive, shop: Shop, failed: GaugeCheck) -> LookBackDue:
    """Return what a failed verification touches; *filmtally lookback* finds the same.

    Args:
        archive: Where inspections, certificates and checks are, the failed one among them.
        shop: For its policy and its clock.
        failed: A row of the check.
    """
    policy = Policy(shop.verification.closing_required, ZoneInfo(shop.time_zone))
    serial = failed.gauge_serial
    doubts, _ = doubts_looked_up(lambda since: archive.checks(serial, since), failed.check_id, failed.done_at, policy)
    periods = [Period(d.gauge_serial, d.probe_mode, d.start, d.end) for d in hulls(doubts)]
    touched = look_back(doubts, *candidates(archive, periods, earliest(doubts)), archive.reading_records)
    certificates = sum(len(one.certificates) for one in touched)
    counts = (
        f"{number_of(len(touched), 'inspection', 'inspections')} and "
        f"{number_of(certificates, 'certificate', 'certificates')} with readings in doubt"
    )
    return LookBackDue(
        len(touched),
        certificates,
        f"gauge {doubts[0].gauge_serial}: every reading taken {_since(doubts[0], policy.zone)} is in doubt; look back now: "
        f"{counts if touched else 'no sealed inspection has any so far'}; filmtally lookback --check {failed.check_id}",
    )


def _since(doubt: Doubt, zone: tzinfo) -> str:
    start: datetime | None = doubt.start
    if start is None:
        return "ever, for no good check stands before it,"
    return f"since the last good check ({local_time(start, zone)})"
