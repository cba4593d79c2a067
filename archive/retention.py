"""How long an inspection is kept, and what may go. Pure.

How long readings must be kept differs by law, by contract and by what the parts are for, and nobody can tell that from
the readings: the shop says it, in the job and in the customer's file, and the longer of the two holds. Nothing follows
from a day that has passed but that somebody may order a removal.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, tzinfo
from typing import Final

from schemas.certificates import Certificate
from schemas.customer import Customer
from schemas.errors import IntegrityFailed
from schemas.holds import Hold
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.tombstones import Tombstone

#: What a job says that was sealed before its file could say anything.
_JOB_YEARS: Final[int] = Job.model_fields["retention_years"].default


@dataclass(frozen=True)
class Retained:
    """One inspection, and how long it is kept.

    Attributes:
        inspection_id: The inspection, in all its revisions.
        customer: Customer whose parts these are.
        part_no: The part.
        lot: The lot, as the newest revision says it.
        counted_from: Day of the last sealing, or of the last certificate's issue where that is later.
        kept_until: Last day on which it is kept.
        rule: How that day came about, in words.
        held_by: The holds on it, whatever the day.
        certificates_alone: The inspection was removed already, and only its certificates are still there.
    """

    inspection_id: str
    customer: str
    part_no: str
    lot: str
    counted_from: date
    kept_until: date
    rule: str
    held_by: tuple[Hold, ...]
    certificates_alone: bool = False

    def is_over(self, today: date) -> bool:
        """Return whether its time is over on the day *today*, holds aside."""
        return today > self.kept_until

    def may_go(self, today: date) -> bool:
        """Return whether somebody may order its removal on the day *today*."""
        return self.is_over(today) and not self.held_by


def retained(
    revisions: Sequence[Inspection],
    certificates: Iterable[Certificate],
    customer: Customer | None,
    holds: Iterable[Hold],
    zone: tzinfo,
) -> Retained:
    """Return how long one inspection is kept.

    Args:
        revisions: Its revisions, one or more, the newest last.
        certificates: The certificates that state it.
        customer: Its customer's file as it is now, or None where there is none.
        holds: The holds that are set.
        zone: The shop's time zone, in which days begin.

    Raises:
        IntegrityFailed: A job, as it was sealed, says no number of years.
    """
    newest = revisions[-1]
    moments = [(one.sealed_at, "the sealing") for one in revisions]
    moments += [(one.issued_at, "the last certificate") for one in certificates]
    at, what = max(moments, key=lambda moment: moment[0])
    day = at.astimezone(zone).date()
    years, whose = max(_job_years(one) for one in revisions), "the job"
    if customer is not None and customer.retention is not None and customer.retention.years > years:
        years, whose = customer.retention.years, "the customer's file"
    return Retained(
        inspection_id=newest.inspection_id,
        customer=newest.customer,
        part_no=newest.part_no,
        lot=newest.lot,
        counted_from=day,
        kept_until=years_later(day, years),
        rule=_rule(years, whose, what, day),
        held_by=tuple(hold for hold in holds if is_held(newest.inspection_id, newest.customer, hold)),
    )


def retained_certificates(
    gone: Tombstone, certificates: Sequence[Certificate], customer: Customer | None, holds: Iterable[Hold], zone: tzinfo
) -> Retained:
    """Return how long the certificates of an inspection that was removed are kept.

    Args:
        gone: The inspection's tombstone.
        certificates: Its certificates, one or more, the newest last.
        customer, holds, zone: As :func:`retained`.
    """
    newest = certificates[-1]
    day = max(one.issued_at for one in certificates).astimezone(zone).date()
    until, rule = gone.kept_until, gone.rule
    if customer is not None and customer.retention is not None:
        years = customer.retention.years
        if (later := years_later(day, years)) > until:
            until, rule = later, _rule(years, "the customer's file", "the last certificate", day)
    return Retained(
        inspection_id=gone.inspection_id,
        customer=newest.customer,
        part_no=newest.part_no,
        lot=newest.lot,
        counted_from=day,
        kept_until=until,
        rule=rule,
        held_by=tuple(hold for hold in holds if is_held(gone.inspection_id, newest.customer, hold)),
        certificates_alone=True,
    )


def years_later(day: date, years: int) -> date:
    """Return the same day *years* later; after a 29 February that there is none of, the 1 March: the longer of two readings."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def is_held(inspection_id: str, customer: str, hold: Hold) -> bool:
    """Return whether *hold* is on an inspection: by its number, or by its customer's name whatever the case and the blanks."""
    if hold.inspection_id is not None:
        return hold.inspection_id == inspection_id
    return hold.customer is not None and is_same_customer(hold.customer, customer)


def is_same_customer(one: str, other: str) -> bool:
    """Return whether two names are of one customer: alike but for the case and the blanks."""
    return _as_told(one) == _as_told(other)


def holds_set(rows: Iterable[Hold]) -> list[Hold]:
    """Return the holds of *rows* that are set and were not lifted, in the order given."""
    every = list(rows)
    lifted = {one.hold_id for one in every if one.state == "lifted"}
    return [one for one in every if one.state == "set" and one.hold_id not in lifted]


def _rule(years: int, whose: str, what: str, day: date) -> str:
    return f"{years} {'year' if years == 1 else 'years'} by {whose}, from {what} on {day}"


def _job_years(inspection: Inspection) -> int:
    try:
        years = json.loads(inspection.job_json).get("retention_years", _JOB_YEARS)
    except (ValueError, AttributeError):
        years = None
    if type(years) is not int or not 1 <= years <= 100:
        raise IntegrityFailed(
            f"inspection {inspection.inspection_id} revision {inspection.revision}: its job says no number of years to "
            "keep it; nothing of it is removed; check the archive"
        )
    return years


def _as_told(name: str) -> str:
    return " ".join(name.split()).casefold()
