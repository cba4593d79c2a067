"""What a certificate is made from: the archived rows of one inspection, and the facts of its issue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction

from rules.film_build import is_judged
from rules.lot_judgement import LotTerms
from rules.recoat import AddedBuild
from rules.results import Assessment
from rules.unusual_readings import JudgedReading, UnusualReading, unusual_readings
from schemas.customer import Customer
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierInspection:
    """An inspection of the same lot of the same part before this one.

    Attributes:
        inspection_id: The inspection.
        sealed_at: When it was sealed.
        coats: Coats on the parts then.
        conformity: What its readings showed, the gauge aside: PASS, UNDECIDED or FAIL.
    """

    inspection_id: str
    sealed_at: datetime
    coats: int
    conformity: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """The drawing of the part as the shop gave it: the file's ending (svg or png) and its bytes."""

    ending: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Evidence:
    """One inspection with everything that it is judged by.

    Attributes:
        shop: The shop as it was when the inspection was sealed.
        job: The job as it was then.
        inspection: The sealed inspection.
        readings: Its readings, counted or not, by number.
        checks: The checks of its gauge that bear on it.
        lot: What is known of its lot, where the job samples.
        added: What recoats of the part added before, where they bear on the advice.
        earlier: The inspections of the same lot before this one, oldest first.
        customer: The customer's file as it was at the issue; None where the customer has none.
        drawing: The drawing of the part; None where the job names none.
    """

    shop: Shop
    job: Job
    inspection: Inspection
    readings: tuple[GaugeReading, ...]
    checks: tuple[GaugeCheck, ...]
    lot: LotTerms | None = None
    added: AddedBuild | None = None
    earlier: tuple[EarlierInspection, ...] = ()
    customer: Customer | None = None
    drawing: Drawing | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class IssueFacts:
    """What is settled when a certificate is issued.

    Attributes:
        number: Number of the certificate.
        revision: Its revision, from 1.
        issued_at: When it is issued, with a time zone.
        signer: Code of the inspector who signs.
        key_sha256: SHA-256 fingerprint of the signing certificate, in hex.
        deviation: What it deviates in, in words; None where it does not.
        deviation_by: Code of the person who stated the deviation.
        supersedes: Revision of the certificate that it supersedes; None for the first.
        superseded_why: Why.
        ledger_head: The archive's ledger as of the issue, as JSON.
        packing_slip: Number of the packing slip that the pieces go out with.
        quantity: Pieces that go out with it.
        received_on: Day on which the parts came in.
        document_type: Type of inspection certificate by EN 10204, "3.1" or "3.2"; None where none is claimed.
        key_issuer: Who vouches for the signer's key, as its certificate says; None for a key that the shop made itself.
    """

    number: str
    revision: int
    issued_at: datetime
    signer: str
    key_sha256: str
    deviation: str | None = None
    deviation_by: str | None = None
    supersedes: int | None = None
    superseded_why: str | None = None
    ledger_head: str = "{}"
    packing_slip: str | None = None
    quantity: int | None = None
    received_on: date | None = None
    document_type: str | None = None
    key_issuer: str | None = None


def builds_by_reading(evidence: Evidence, assessment: Assessment) -> dict[int, Fraction]:
    """Return the film build behind each counted reading's number, in the unit of the specification.

    Taken from the assessment and not computed anew, so that what is printed is what was judged.

    Raises:
        ValueError: The assessment is not one of these readings.
    """
    builds: dict[int, Fraction] = {}
    for place in assessment.locations:
        numbers = [r.reading_no for r in evidence.readings if is_judged(r) and r.location == place.location]
        builds.update(zip(numbers, place.builds, strict=True))
    return builds


def judged_readings(evidence: Evidence, assessment: Assessment) -> list[JudgedReading]:
    """Return the readings that count with their builds as they were judged, in the order taken."""
    builds = builds_by_reading(evidence, assessment)
    return [
        JudgedReading(r.reading_no, r.piece, r.location, builds[r.reading_no])
        for r in evidence.readings
        if r.reading_no in builds
    ]


def flagged(evidence: Evidence, assessment: Assessment) -> tuple[UnusualReading, ...]:
    """Return the unusual readings of an inspection."""
    serial = evidence.inspection.gauge_serial
    gauge = next((g for g in evidence.shop.gauge if g.serial == serial), None)
    return unusual_readings(judged_readings(evidence, assessment), assessment.unit, gauge)
