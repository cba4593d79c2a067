"""The JSON document inside a certificate: all that is needed to compute it again, and what it states.

    {"schema": "filmtally certificate", "version": 2,
     "certificate": {...}, "shop": {...}, "job": {...}, "inspection": {...},
     "readings": [...], "checks": [...], "judged": {...}, "stated": {...}, "edition": "...",
     "series": {...}, "recoats": {...}}

Exact numbers are strings, times are UTC in ISO 8601. `shop` and `job` are what shop.toml and the job
file said when the inspection was sealed; `inspection`, `readings` and `checks` have the columns of
schemas/README.md; `judged` holds verdict, gate and builds exactly; `stated` holds every string on the
pages, worded by the `edition` of the program that made them; `series`, there where the job samples its lots, holds how
severely the lot was inspected and why; `recoats`, there where it bears on the advice, what a further coat added before.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import types
import typing
from collections.abc import Iterable
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from typing import Any, Final, TypeVar

from report.edition import edition
from report.evidence import Evidence, IssueFacts
from report.judged import judged
from report.lot_series import lot_terms
from report.view import CertificateView
from rules.lot_judgement import LotTerms
from rules.lot_tables import Severity
from rules.recoat import AddedBuild
from rules.results import Assessment
from schemas.column import Table
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop

SCHEMA: Final = "filmtally certificate"
VERSION: Final = 2

# Said once, as objects of their own, so the inspection does not carry them a second time as text.
_SAID_ELSEWHERE: Final = ("job_json", "shop_json")

# No thickness has more figures than that before or after its point; written out, 1E+99999999 would fill the memory.
_MOST_FIGURES: Final = 30

_Record = TypeVar("_Record")


def document(evidence: Evidence, assessment: Assessment, facts: IssueFacts, view: CertificateView) -> bytes:
    """Return the JSON document of a certificate, in UTF-8; the same input gives the same bytes."""
    inspection = as_plain(evidence.inspection)
    for key in _SAID_ELSEWHERE:
        del inspection[key]
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "version": VERSION,
        "certificate": as_plain(facts),
        "shop": json.loads(evidence.shop.to_json()),
        "job": json.loads(evidence.job.to_json()),
        "inspection": inspection,
        "readings": [as_plain(r) for r in evidence.readings],
        "checks": [as_plain(c) for c in evidence.checks],
        "judged": judged(assessment),
        "stated": view.stated(),
        "edition": edition(),
    }
    if evidence.lot is not None:
        lot = evidence.lot
        content["series"] = {"severity": lot.severity.value, "stopped": lot.stopped, "changes": list(lot.changes)}
        if lot.shown_before:
            content["series"]["shown_before"] = list(lot.shown_before)
    if evidence.added is not None:
        content["recoats"] = as_plain(evidence.added)
    return json.dumps(content, ensure_ascii=False, indent=1).encode()


@dataclasses.dataclass(frozen=True, slots=True)
class ReadDocument:
    """A document as read back.

    Attributes:
        evidence: What it was made from.
        facts: The facts of its issue.
        judged: The exact values that it says were judged.
        stated: The strings that it says are printed.
        edition: The edition of the program that worded them.
    """

    evidence: Evidence
    facts: IssueFacts
    judged: dict[str, Any]
    stated: dict[str, Any]
    edition: str


def read_document(content: bytes) -> ReadDocument:
    """Return what :func:`document` wrote.

    Raises:
        IntegrityFailed: It is not such a document.
        BadInput: It is of a newer version than this program knows.
    """
    try:
        plain = json.loads(content)
        if plain["schema"] != SCHEMA:
            raise IntegrityFailed(f"certificate.json is {plain['schema']!r}, not {SCHEMA!r}")
        if plain["version"] > VERSION:
            raise BadInput(
                f"certificate.json is version {plain['version']}; this program knows up to {VERSION}, use a newer one"
            )
        shop, job = Shop.from_json(json.dumps(plain["shop"])), Job.from_json(json.dumps(plain["job"]))
        sides = {"job_json": job.to_json(), "shop_json": shop.to_json()}
        evidence = Evidence(
            shop=shop,
            job=job,
            inspection=from_plain(Inspection, plain["inspection"] | sides),
            readings=tuple(from_plain(GaugeReading, r) for r in plain["readings"]),
            checks=tuple(from_plain(GaugeCheck, c) for c in plain["checks"]),
        )
        if "series" in plain:
            evidence = dataclasses.replace(evidence, lot=_lot(evidence.inspection, plain["series"]))
        if "recoats" in plain:
            evidence = dataclasses.replace(evidence, added=from_plain(AddedBuild, plain["recoats"]))
        facts = from_plain(IssueFacts, plain["certificate"])
        return ReadDocument(evidence, facts, dict(plain["judged"]), dict(plain["stated"]), str(plain["edition"]))
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, ArithmeticError) as wrong:
        raise IntegrityFailed(
            f"certificate.json inside the PDF cannot be read ({type(wrong).__name__}: {_first_line(wrong)}); "
            "ask for the certificate anew"
        ) from None


def as_plain(record: Any) -> dict[str, Any]:
    """Return a record as a JSON object: exact numbers and times as strings."""
    return {field.name: _plain(getattr(record, field.name)) for field in dataclasses.fields(record)}


def from_plain(kind: type[_Record], plain: dict[str, Any]) -> _Record:
    """Return the record that :func:`as_plain` wrote.

    Raises:
        KeyError, TypeError, ValueError, ArithmeticError: It is no such record.
    """
    hints = _hints(kind)  # type: ignore[arg-type]  # mypy takes a class for unhashable
    if plain.keys() != hints.keys():
        odd = sorted(plain.keys() ^ hints.keys())
        raise ValueError(f"{kind.__name__} with other keys than it has: {', '.join(odd)}")
    return kind(**{name: _restored(hints[name], plain[name], name) for name in hints})


@cache
def _hints(kind: type[Any]) -> dict[str, Any]:
    """Return the types of a record's fields; to find them takes longer than to read a record."""
    return typing.get_type_hints(kind)


def csv_of(contract: Table, records: Iterable[Any]) -> bytes:
    """Return records as CSV with a header line, UTF-8, CRLF (RFC 4180); a list is joined by blanks."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    names = [c.name for c in contract.columns]
    writer.writerow(names)
    for record in records:
        plain = as_plain(record)
        writer.writerow([_cell(plain[name]) for name in names])
    return out.getvalue().encode()


def _lot(inspection: Inspection, series: dict[str, Any]) -> LotTerms:
    before = tuple(_restored(str, sentence, "shown_before") for sentence in series.get("shown_before", ()))
    terms = lot_terms(inspection, shown_before=before)
    changes = tuple(_restored(str, change, "changes") for change in series["changes"])
    stopped = _restored(bool, series["stopped"], "stopped")
    return dataclasses.replace(terms, severity=Severity(series["severity"]), stopped=stopped, changes=changes)


def _cell(plain: Any) -> str:
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    return " ".join(plain) if isinstance(plain, list) else str(plain)


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value


def _restored(hint: Any, plain: Any, name: str) -> Any:
    if isinstance(hint, types.UnionType):
        if plain is None:
            return None
        hint = next(h for h in typing.get_args(hint) if h is not type(None))
    if typing.get_origin(hint) is list:
        (inner,) = typing.get_args(hint)
        return [_restored(inner, p, name) for p in plain]
    if hint is Decimal and isinstance(plain, str):
        number = Decimal(plain)
        if not number.is_finite() or abs(number.adjusted()) > _MOST_FIGURES:
            raise ValueError(f"{name} is no number that can be measured")
        return number
    if hint is datetime:
        when = datetime.fromisoformat(plain)
        if when.tzinfo is None:
            raise ValueError(f"{name} is a time without a zone")
        return when.astimezone(UTC)
    if hint is date:
        return date.fromisoformat(plain)
    if type(plain) is not hint:
        raise TypeError(f"{name} is {plain!r}")
    return plain


def _first_line(wrong: BaseException) -> str:
    return (str(wrong).splitlines() or [""])[0]
