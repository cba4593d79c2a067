"""Letters to the customers whose readings are in doubt: one HTML file, a letter on pages of its own for each. Pure.

A letter states what is on record and marks what it is not: where the shop has to decide or to write, there is a place to
fill in, and nothing else is left open. It is self-contained, runs and fetches nothing, and prints on the customer's paper.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final
from zoneinfo import ZoneInfo

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from report.lookback_words import (
    TO_BE_WRITTEN,
    about_estimates,
    estimate_words,
    happened,
    place_words,
    readings_words,
    span_words,
    stretch_words,
    told_once,
)
from report.looking_back import Affected, LookBack
from report.visible_text import visible
from rules.doubt import Cause, CertificateInDoubt, Doubt
from rules.wording import counted, listed, local_day
from schemas.customer import Customer
from schemas.shop import Shop

_TEMPLATES: Final = files("report") / "templates"
_STATES: Final = {"PASS": "conforms", "UNDECIDED": "undecided", "FAIL": "does not conform"}


@dataclass(frozen=True, slots=True)
class Letter:
    """One letter, as strings.

    Attributes:
        contact: Whom at the customer's it is for; None where the shop has to say.
        happened: What is on record, sentence by sentence; the shop's own words are missing where it is empty.
        rows: What is concerned, an inspection a row.
        estimates: What the error could mean, an inspection each.
        without_estimate: How many inspections nothing is estimated for.
        safety: Parts that their orders call safety-critical.
    """

    customer: str
    contact: str | None
    page: str
    reference: str
    subject: str
    happened: tuple[str, ...]
    stretches: tuple[str, ...]
    rows: tuple[Mapping[str, Any], ...]
    estimates: tuple[Mapping[str, Any], ...]
    without_estimate: int
    certificates: int
    safety: tuple[str, ...]


def letters_html(found: LookBack, shop: Shop, customers: Mapping[str, Customer | None], now: datetime) -> str:
    """Return the letters to all customers of *found* as one HTML file.

    Args:
        found: What the look-back found.
        shop: Who writes.
        customers: The customer file of each, where there is one.
        now: For the date of the letters, by the shop's clock.
    """
    letters = [_letter(found, name, shop, customers.get(name)) for name in found.customers]
    return (
        _environment()
        .get_template("lookback_letter.html")
        .render(
            shop=shop,
            day=local_day(now, ZoneInfo(shop.time_zone)),
            letters=letters,
            about_estimates=about_estimates(found.asked.off_um),
            to_be_written=TO_BE_WRITTEN,
        )
    )


def _letter(found: LookBack, name: str, shop: Shop, customer: Customer | None) -> Letter:
    concerned = [one for one in found.affected if one.touched.inspection.customer == name]
    doubts = told_once(found, [d for d in found.doubts if any(d in h for one in concerned for h in _held(one))])
    orders = list(dict.fromkeys(o for one in concerned if (o := one.touched.inspection.purchase_order)))
    lots = list(dict.fromkeys(one.touched.inspection.lot for one in concerned))
    about = f"order {listed(orders, 4)}" if orders else f"lot {listed(lots, 4)}"
    guesses = [one for one in concerned if one.estimate is not None]
    return Letter(
        customer=name,
        contact=None if customer is None else customer.contact,
        page=(customer.page if customer is not None else None) or shop.page,
        reference=f"look-back, {found.asked.check_id or _asked_about(found)}",
        subject=f"Film build readings under review: {about}",
        happened=tuple(dict.fromkeys(s for d, again in doubts for s in (*_told(found, d), *again))),
        stretches=tuple(
            f"{words[0].upper()}{words[1:]}" for d, _ in doubts for words in [stretch_words(d, found.zone)]
        ),
        rows=tuple(_row(found, one) for one in concerned),
        estimates=tuple(_estimate(one) for one in guesses),
        without_estimate=len(concerned) - len(guesses),
        certificates=sum(len(one.touched.certificates) for one in concerned),
        safety=tuple(dict.fromkeys(one.touched.inspection.part_no for one in concerned if one.job.safety_class)),
    )


def _asked_about(found: LookBack) -> str:
    if found.asked.standard_id is not None:
        return f"standard {found.asked.standard_id}"
    return f"gauge {found.asked.gauge_serial}"


def _held(one: Affected) -> Sequence[Sequence[Doubt]]:
    return (one.touched.found.doubts, *(c.found.doubts for c in one.touched.certificates))


def _told(found: LookBack, doubt: Doubt) -> list[str]:
    said = happened(found, doubt)
    if doubt.cause is Cause.FAILED_CHECK:
        return [
            *said,
            "Where a gauge does not pass its check, every reading since the last check that it passed is in doubt (SSPC-PA 2).",
        ]
    if doubt.cause is Cause.STATED and found.asked.reason is None:
        return []  # only the shop can say
    return said


def _row(found: LookBack, one: Affected) -> Mapping[str, Any]:
    inspection = one.touched.inspection
    return {
        "order": inspection.purchase_order,
        "work_order": inspection.work_order,
        "part": inspection.part_no
        if inspection.part_revision is None
        else f"{inspection.part_no}, revision {inspection.part_revision}",
        "title": one.job.title,
        "lot": inspection.lot,
        "size": None if inspection.lot_size is None else counted(inspection.lot_size, "piece"),
        "certificates": [_certificate(c, inspection.revision, found.zone) for c in one.touched.certificates],
        "readings": readings_words(one),
        "taken": span_words(one.first, one.last, found.zone),
    }


def _certificate(issued: CertificateInDoubt, valid: int, zone: ZoneInfo) -> Mapping[str, Any]:
    one, later = issued.certificate, issued.superseded_by
    notes = [f"states: {_STATES.get(one.verdict, one.verdict)}"]
    if one.inspection_revision != valid:
        notes.append(
            f"readings as of revision {one.inspection_revision}, {counted(len(issued.found.every), 'reading')} in doubt"
        )
    if later is not None:
        notes.append(f"superseded by revision {later.revision} of {local_day(later.issued_at, zone)}")
    return {
        "name": f"{one.number}, revision {one.revision}",
        "issued": local_day(one.issued_at, zone),
        "notes": "; ".join(notes),
    }


def _estimate(one: Affected) -> Mapping[str, Any]:
    inspection, estimate = one.touched.inspection, one.estimate
    assert estimate is not None  # noqa: S101 - asked of those that have one
    words = estimate_words(estimate)
    return {
        "about": f"Part {inspection.part_no}, lot {inspection.lot}",
        "words": f"{words[0].upper()}{words[1:]}",
        "places": [(place.location, *place_words(place, estimate)) for place in estimate.places],
    }


@cache
def _environment() -> Environment:
    def source(name: str) -> str:
        return (_TEMPLATES / name).read_text(encoding="utf-8")

    return Environment(
        loader=FunctionLoader(source),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _shown(value: Any) -> Any:
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value
