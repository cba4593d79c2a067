"""A look-back on a terminal, as JSON and as a table for a spreadsheet. Pure: values in, text out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from report.csv_tables import as_cell
from report.lookback_words import (
    NOT_SHIPPED_KNOWN,
    about_estimates,
    estimate_words,
    gate_words,
    happened,
    not_passed_words,
    nothing_words,
    place_words,
    readings_words,
    removed_words,
    span_words,
    stretch_words,
    told_once,
)
from report.looking_back import Affected, LookBack
from report.terminal_text import table, wrapped
from report.visible_text import visible
from rules.doubt import CertificateInDoubt, Doubt, InDoubt
from rules.doubt_estimate import Estimate
from rules.film_build import is_base
from rules.wording import counted, local_day

_COLUMNS: Final = (
    "what",
    "customer",
    "purchase_order",
    "work_order",
    "part_no",
    "part_revision",
    "lot",
    "lot_size",
    "inspection_id",
    "inspection_revision",
    "gauge_serial",
    "probe_mode",
    "readings_in_doubt",
    "of_these_not_judged",
    "through_base_metal",
    "first_reading_utc",
    "last_reading_utc",
    "through",
    "gate",
    "estimate_as_recorded",
    "estimate_if_whole_error",
    "estimate_rule",
    "certificate",
    "certificate_revision",
    "issued_utc",
    "states",
    "deviation",
    "pdf",
    "superseded_by_revision",
    "superseded_why",
)


def lookback_lines(found: LookBack, columns: int) -> list[str]:
    """Return what was found as it is read at a terminal, at most *columns* wide."""
    lines = [*_why(found), *_summary(found)]
    for customer in found.customers:
        lines += ["", customer]
        for one in found.affected:
            if one.touched.inspection.customer == customer:
                lines += _inspection_lines(found, one)
    lines += _notes(found)
    return [visible(line.replace("\u00a0", " ").rstrip()) for line in wrapped(lines, columns)]


def _why(found: LookBack) -> Iterator[str]:
    told: dict[str, None] = {}
    for doubt, again in told_once(found, found.doubts):
        for sentence in (*happened(found, doubt), *again):
            if sentence not in told:
                told[sentence] = None
                yield sentence
        yield f"  in doubt: {stretch_words(doubt, found.zone)}"
    yield from not_passed_words(found)


def _summary(found: LookBack) -> Iterator[str]:
    if found.doubts or found.not_passed:
        yield ""
    if not found.affected:
        yield nothing_words(found)
        return
    customers = len(found.customers)
    yield (
        f"In doubt: {counted(len(found.affected), 'inspection')} and {counted(found.certificates, 'certificate')} of "
        f"{counted(customers, 'customer')}."
    )


def _inspection_lines(found: LookBack, one: Affected) -> Iterator[str]:
    inspection = one.touched.inspection
    order = ", ".join(
        f"{name} {value}"
        for name, value in (("order", inspection.purchase_order), ("work order", inspection.work_order))
        if value
    )
    size = f" of {counted(inspection.lot_size, 'piece')}" if inspection.lot_size else ""
    yield f"  {order or 'no order on record'}: part {inspection.part_no}, lot {inspection.lot}{size}"
    yield f"    inspection {inspection.inspection_id}, revision {inspection.revision}: {readings_words(one)} in doubt"
    gate = f"; the gate says: {gate_words(one.gate)}" if one.touched.found else ""
    yield f"    taken {span_words(one.first, one.last, found.zone)}{gate}"
    for issued in one.touched.certificates:
        yield f"    {_certificate_words(issued, inspection.revision, found.zone)}"
    if not one.touched.certificates:
        yield "    no certificate that states them was issued"
    if one.estimate is not None:
        yield f"    estimate: {estimate_words(one.estimate)}"
        head = ("location", "limits", "recorded", "if the whole error applies", "")
        rows = [(place.location, *place_words(place, one.estimate)) for place in one.estimate.places]
        yield from (f"    {line}" for line in table([head, *rows]))


def _certificate_words(issued: CertificateInDoubt, valid: int, zone: ZoneInfo) -> str:
    one = issued.certificate
    words = f"certificate {one.number} revision {one.revision}, issued {local_day(one.issued_at, zone)}, states {one.verdict}"
    if one.inspection_revision != valid:
        words += f" (of revision {one.inspection_revision} of the inspection)"
    if one.deviation is not None:
        words += "; issued under a deviation"
    later = issued.superseded_by
    return (
        words
        if later is None
        else f"{words}; superseded by revision {later.revision}, issued {local_day(later.issued_at, zone)}"
    )


def _notes(found: LookBack) -> Iterator[str]:
    if found.affected or found.absent.lost or found.absent.removed:
        yield ""
    if found.absent.lost:
        yield f"This answer is incomplete: {'; '.join(found.absent.lost)}. Run 'filmtally archive check'."
    yield from removed_words(found)
    if not found.affected:
        return
    if any(one.estimate is not None for one in found.affected):
        yield about_estimates(found.asked.off_um)
    without = sum(one.estimate is None and bool(one.touched.found) for one in found.affected)
    if without:
        yield f"No error of the gauge is known for {counted(without, 'inspection')}, so nothing is estimated; --off tells one."
    if found.other_clocks:
        yield (
            f"The times of {counted(found.other_clocks, 'reading')} were given by the gauge's own clock or stated by a person; "
            "where they may be wrong, look at the inspections before and after as well."
        )
    yield NOT_SHIPPED_KNOWN
    yield "Inspections that are not sealed yet are not looked at: filmtally measure --open lists them."


# JSON


def lookback_json(found: LookBack) -> dict[str, Any]:
    """Return what was found as plain data; times in UTC, thicknesses of an estimate as exact fractions of its unit."""
    return {
        "doubts": [
            {
                "cause": doubt.cause.value,
                "gauge_serial": doubt.gauge_serial,
                "probe_mode": doubt.probe_mode,
                "from": _utc(doubt.start),
                "to": _utc(doubt.end),
                "to_included": doubt.end_counts,
                "check_id": doubt.check_id,
                "last_good_check_id": doubt.good_id,
                "next_check_id": doubt.next_id,
                "sentences": happened(found, doubt),
            }
            for doubt in found.doubts
        ],
        "not_passed_since": [
            {"gauge_serial": d.gauge_serial, "probe_mode": d.probe_mode, "check_id": d.check_id}
            for d in found.not_passed
        ],
        "inspections": len(found.affected),
        "certificates": found.certificates,
        "customers": list(found.customers),
        "affected": [_affected_json(one) for one in found.affected],
        "readings_by_another_clock": found.other_clocks,
        "incomplete": list(found.absent.lost),
        "removed": [
            {
                "inspection_id": one.key,
                "sealed_at": _utc(one.named_at),
                "removed_at": _utc(one.removed_at),
                "by": one.by,
                "reason": one.reason,
                "certificates_registered": [
                    {"number": c.number, "revision": c.revision, "customer": c.customer, "lot": c.lot}
                    for c in found.absent.certificates
                    if c.inspection_id == one.key
                ],
            }
            for one in found.absent.removed
        ],
    }


def _affected_json(one: Affected) -> dict[str, Any]:
    inspection = one.touched.inspection
    return {
        "inspection_id": inspection.inspection_id,
        "revision": inspection.revision,
        "customer": inspection.customer,
        "purchase_order": inspection.purchase_order,
        "work_order": inspection.work_order,
        "part_no": inspection.part_no,
        "part_revision": inspection.part_revision,
        "lot": inspection.lot,
        "lot_size": inspection.lot_size,
        "readings": [r.reading_no for r in one.touched.found.taken],
        "readings_through_base_metal": [r.reading_no for r in one.touched.found.by_base],
        "of_readings": len(one.touched.readings),
        "first": _utc(one.first),
        "last": _utc(one.last),
        "through": _through(one.touched.found.doubts),
        "gate": None if one.gate is None else one.gate.value,
        "certificates": [_certificate_json(issued) for issued in one.touched.certificates],
        "estimate": None if one.estimate is None else _estimate_json(one.estimate),
    }


def _certificate_json(issued: CertificateInDoubt) -> dict[str, Any]:
    one, later = issued.certificate, issued.superseded_by
    return {
        "number": one.number,
        "revision": one.revision,
        "inspection_revision": one.inspection_revision,
        "issued_at": _utc(one.issued_at),
        "verdict": one.verdict,
        "deviation": one.deviation,
        "pdf": one.pdf_name,
        "readings": [r.reading_no for r in issued.found.every],
        "superseded_by": None if later is None else {"revision": later.revision, "why": later.superseded_why},
    }


def _estimate_json(estimate: Estimate) -> dict[str, Any]:
    return {
        "verdict": None,  # so that nobody takes the outcome for one
        "unit": estimate.unit.value,
        "as_recorded": estimate.as_recorded.name,
        "if_whole_error": estimate.outcome.value,
        "beyond_standards": estimate.beyond,
        "rule": estimate.rule,
        "locations": [
            {
                "location": place.location,
                "lower": None if place.lower is None else str(place.lower),
                "upper": None if place.upper is None else str(place.upper),
                "recorded": [str(end) for end in place.recorded],
                "estimated": [str(end) for end in place.estimated],
                "as_recorded": place.as_recorded.name,
                "if_whole_error": place.outcome.value,
                "means_compared": None if place.means is None else [str(end) for end in place.means],
            }
            for place in estimate.places
        ],
    }


# CSV


def lookback_csv(found: LookBack) -> bytes:
    """Return what was found as CSV (UTF-8, CRLF): a row for each inspection, and one for each certificate.

    No cell of it is a formula to a spreadsheet (report/csv_tables.py).
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(_COLUMNS)
    for one in found.affected:
        if one.touched.found:
            writer.writerow(_row("inspection", one, one.touched.found, one.touched.inspection.revision, None))
        for issued in one.touched.certificates:
            stated = issued.certificate.inspection_revision
            writer.writerow(_row("certificate", one, issued.found, stated, issued))
    return out.getvalue().encode()


def _row(
    what: str, one: Affected, in_doubt: InDoubt, revision: int, issued: CertificateInDoubt | None
) -> Sequence[str]:
    inspection, times = one.touched.inspection, [r.taken_at for r in in_doubt.every]
    later = None if issued is None else issued.superseded_by
    guess = one.estimate if revision == inspection.revision else None
    gate = one.gate if revision == inspection.revision else None
    of = None if issued is None else issued.certificate
    cells: dict[str, Any] = {
        "what": what,
        "customer": inspection.customer,
        "purchase_order": inspection.purchase_order,
        "work_order": inspection.work_order,
        "part_no": inspection.part_no,
        "part_revision": inspection.part_revision,
        "lot": inspection.lot,
        "lot_size": inspection.lot_size,
        "inspection_id": inspection.inspection_id,
        "inspection_revision": revision,
        "gauge_serial": in_doubt.taken[0].gauge_serial,
        "probe_mode": in_doubt.taken[0].probe_mode,
        "readings_in_doubt": len(in_doubt.every),
        "of_these_not_judged": sum(not r.counted or is_base(r) for r in in_doubt.taken),
        "through_base_metal": len(in_doubt.by_base),
        "first_reading_utc": _utc(min(times)),
        "last_reading_utc": _utc(max(times)),
        "through": "; ".join(_through(in_doubt.doubts)),
        "gate": None if gate is None else gate.value,
        "estimate_as_recorded": None if guess is None else guess.as_recorded.name,
        "estimate_if_whole_error": None if guess is None else guess.outcome.value,
        "estimate_rule": None if guess is None else guess.rule or "every reading within the limits",
        "certificate": None if of is None else of.number,
        "certificate_revision": None if of is None else of.revision,
        "issued_utc": None if of is None else _utc(of.issued_at),
        "states": None if of is None else of.verdict,
        "deviation": None if of is None else of.deviation,
        "pdf": None if of is None else of.pdf_name,
        "superseded_by_revision": None if later is None else later.revision,
        "superseded_why": None if later is None else later.superseded_why,
    }
    return ["" if cells[name] is None else as_cell(str(cells[name])) for name in _COLUMNS]


def _through(doubts: Sequence[Doubt]) -> list[str]:
    return [d.cause.value if d.check_id is None else f"{d.cause.value} {d.check_id}" for d in doubts]


def _utc(moment: datetime | None) -> str | None:
    return None if moment is None else moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
