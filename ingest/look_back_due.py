"""What an inspector is told as soon as a gauge fails its check: that a look-back is due, and how much it touches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from archive.look_back import Period, candidates
from archive.store import Archive
from ingest.said import number_of
from rules.doubt import Doubt, Policy, doubts_of_check, earliest, hulls, look_back
from rules.wording import local_time
from schemas.gauge_checks import GaugeCheck
from schemas.shop import Shop


@dataclass(frozen=True, slots=True)
class LookBackDue:
    """How much a failed check touches, and that in a sentence."""

    inspections: int
    certificates: int
    sentence: str


def look_back_due(archive: Archive, shop: Shop, checks: Sequence[GaugeCheck], failed_check_id: str) -> LookBackDue:
    """Return what the failed verification *failed_check_id* touches; *filmtally lookback* finds the same.

    Args:
        archive: Where inspections and certificates are.
        shop: For its policy and its clock.
        checks: All that is known of the gauge, the failed check included.
        failed_check_id: The check.
    """
    policy = Policy(shop.verification.closing_required, ZoneInfo(shop.time_zone))
    doubts = doubts_of_check(checks, failed_check_id, policy)
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
        f"{counts if touched else 'no sealed inspection has any so far'}; filmtally lookback --check {failed_check_id}",
    )


def _since(doubt: Doubt, zone: tzinfo) -> str:
    start: datetime | None = doubt.start
    if start is None:
        return "ever, for no good check stands before it,"
    return f"since the last good check ({local_time(start, zone)})"
