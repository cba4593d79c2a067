"""The JSON document inside a certificate: all that is needed to compute it again, and what it states.

    {"$schema": "urn:filmtally:certificate-document:3", "schema": "filmtally certificate", "version": 3,
     "code": "...",
     "certificate": {...}, "shop": {...}, "job": {...}, "customer": {...}, "inspection": {...},
     "readings": [...], "checks": [...], "earlier": [...], "drawing": {...}, "series": {...}, "recoats": {...},
     "judged": {...}, "stated": {...}, "edition": "..."}

Exact numbers are strings, times are UTC in ISO 8601. `shop` and `job` are what shop.toml and the job
file said when the inspection was sealed, `shop` with the look and the people of the issue; `customer` is the
customer's file at the issue, or null; `inspection`, `readings` and `checks` have the columns of
schemas/README.md; `earlier` are the inspections of the same lot before; `drawing` names the drawing among the embedded files
by its SHA-256, or is null; `series`, there where the job samples its lots, holds how severely the lot was inspected and
why; `recoats`, there where it bears on the advice, what a further coat added before; `judged` holds verdict, gate and
builds exactly; `stated` holds every string on the pages, worded by the `edition` of the program that made them; `code` is
the short code, made from everything above but `stated` and `edition`.

Versions: 1 had neither `series` nor `recoats`; 2 no `code`, `customer`, `earlier`, `drawing`, nor the facts of the issue that
came with them.

Its JSON Schema is schemas/certificate_document.schema.json, printed by report/document_schema.py.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import types
import typing
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from functools import cache
from typing import Any, Final, TypeVar

from report.edition import edition
from report.evidence import Drawing, EarlierInspection, Evidence, IssueFacts
from report.judged import judged
from report.lot_series import lot_terms
from report.short_code import short_code
from report.view import CertificateView
from report.visible_text import visible
from rules.lot_judgement import LotTerms
from rules.lot_tables import Severity
from rules.recoat import AddedBuild
from rules.results import Assessment
from rules.sentence import from_plain as from_plain_text
from rules.sentence import to_plain
from schemas.customer import Customer
from schemas.errors import BadInput, IntegrityFailed
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import Shop

SCHEMA: Final = "filmtally certificate"
VERSION: Final = 3
#: Name of the published JSON Schema of this version (schemas/certificate_document.schema.json); no address.
SCHEMA_ID: Final = f"urn:filmtally:certificate-document:{VERSION}"

#: The first version with a customer, a drawing and a code.
_WITH_CUSTOMER: Final = 3
#: Facts of an issue that earlier versions did not ask for.
_NOT_YET_ASKED: Final = dict.fromkeys(("packing_slip", "quantity", "received_on", "document_type", "key_issuer"))
#: What the code is made from.
_BASIS: Final = (
    "certificate",
    "shop",
    "job",
    "customer",
    "inspection",
    "readings",
    "checks",
    "earlier",
    "drawing",
    "series",
    "recoats",
    "judged",
)

#: Said once, as objects of their own, so the inspection does not carry them a second time as text.
SAID_ELSEWHERE: Final = ("job_json", "shop_json")

# No thickness has more figures than that before or after its point; written out, 1E+99999999 would fill the memory.
_MOST_FIGURES: Final = 30
_LONGEST_NUMBER: Final = 2 * _MOST_FIGURES + 4

_Record = TypeVar("_Record")


def basis(evidence: Evidence, assessment: Assessment, facts: IssueFacts) -> dict[str, Any]:
    """Return everything of a document but its wording: what is known, and what was judged from it."""
    inspection = as_plain(evidence.inspection)
    for key in SAID_ELSEWHERE:
        del inspection[key]
    content: dict[str, Any] = {
        "certificate": as_plain(facts),
        "shop": json.loads(evidence.shop.to_json()),
        "job": json.loads(evidence.job.to_json()),
        "customer": None if evidence.customer is None else json.loads(evidence.customer.to_json()),
        "inspection": inspection,
        "readings": [as_plain(r) for r in evidence.readings],
        "checks": [as_plain(c) for c in evidence.checks],
        "earlier": [as_plain(e) for e in evidence.earlier],
        "drawing": None if evidence.drawing is None else _named(evidence.drawing),
    }
    if evidence.lot is not None:
        lot = evidence.lot
        content["series"] = {
            "severity": lot.severity.value,
            "stopped": lot.stopped,
            "changes": [to_plain(change) for change in lot.changes],
        }
        if lot.shown_before:
            content["series"]["shown_before"] = [to_plain(sentence) for sentence in lot.shown_before]
    if evidence.added is not None:
        content["recoats"] = as_plain(evidence.added) | {"source": to_plain(evidence.added.source)}
    content["judged"] = judged(assessment)
    return content


def code_of(basis: dict[str, Any]) -> str:
    """Return the short code of a document: it follows from all of :func:`basis`."""
    plain = {key: value for key, value in basis.items() if key in _BASIS}
    return short_code(json.dumps(plain, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode())


def document(basis: dict[str, Any], view: CertificateView) -> bytes:
    """Return the JSON document of a certificate, in UTF-8; the same input gives the same bytes.

    Args:
        basis: What :func:`basis` returned.
        view: The strings that its pages print.
    """
    content = {
        "$schema": SCHEMA_ID,
        "schema": SCHEMA,
        "version": VERSION,
        "code": view.code,
        **basis,
        "stated": view.stated(),
        "edition": edition(),
    }
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
        code: The short code that it says it has; None before version 3.
        basis: What the code was made from.
    """

    evidence: Evidence
    facts: IssueFacts
    judged: dict[str, Any]
    stated: dict[str, Any]
    edition: str
    code: str | None
    basis: dict[str, Any]


def read_document(content: bytes, drawings: Mapping[str, bytes]) -> ReadDocument:
    """Return what :func:`document` wrote.

    Args:
        content: The document.
        drawings: The drawings embedded beside it, by file name.

    Raises:
        IntegrityFailed: It is not such a document, or the drawing beside it is another.
        BadInput: It is of a newer version than this program knows.
    """
    try:
        plain = json.loads(content, object_pairs_hook=_one_of_each)
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
            evidence = dataclasses.replace(evidence, added=_added(plain["recoats"]))
        if plain["version"] >= _WITH_CUSTOMER:
            evidence = dataclasses.replace(
                evidence,
                customer=None if plain["customer"] is None else Customer.from_json(json.dumps(plain["customer"])),
                earlier=tuple(from_plain(EarlierInspection, e) for e in plain["earlier"]),
                drawing=None if plain["drawing"] is None else _drawing(plain["drawing"], drawings),
            )
        facts = from_plain(IssueFacts, _NOT_YET_ASKED | plain["certificate"])
        return ReadDocument(
            evidence,
            facts,
            dict(plain["judged"]),
            dict(plain["stated"]),
            _restored(str, plain["edition"], "edition"),
            None if plain["version"] < _WITH_CUSTOMER else _restored(str, plain["code"], "code"),
            {key: value for key, value in plain.items() if key in _BASIS},
        )
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, ArithmeticError) as wrong:
        raise IntegrityFailed(
            f"certificate.json inside the PDF cannot be read ({type(wrong).__name__}: {visible(_first_line(wrong))}); "
            "ask for the certificate anew"
        ) from None


def _one_of_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object of JSON; with one name twice, each reader has a way of its own to choose between the two."""
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(f"the entry {next(n for n in names if names.count(n) > 1)!r} stands twice in one object")
    return found


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


def _lot(inspection: Inspection, series: dict[str, Any]) -> LotTerms:
    before = tuple(from_plain_text(sentence) for sentence in series.get("shown_before", ()))
    terms = lot_terms(inspection, shown_before=before)
    changes = tuple(from_plain_text(change) for change in series["changes"])
    stopped = _restored(bool, series["stopped"], "stopped")
    return dataclasses.replace(terms, severity=Severity(series["severity"]), stopped=stopped, changes=changes)


def _added(recoats: dict[str, Any]) -> AddedBuild:
    source = from_plain_text(recoats["source"])
    return dataclasses.replace(from_plain(AddedBuild, recoats | {"source": str(source)}), source=source)


def drawing_name(drawing: Drawing) -> str:
    """Return what the drawing is called inside a certificate."""
    return f"drawing.{drawing.ending}"


def _named(drawing: Drawing) -> dict[str, str]:
    return {"file": drawing_name(drawing), "sha256": hashlib.sha256(drawing.content).hexdigest()}


def _drawing(named: dict[str, str], drawings: Mapping[str, bytes]) -> Drawing:
    name, digest = named["file"], named["sha256"]
    content = drawings.get(name)
    if content is None:
        raise IntegrityFailed(f"the drawing {name!r}, which certificate.json names, is not inside this PDF")
    if hashlib.sha256(content).hexdigest() != digest:
        raise IntegrityFailed(f"{name} inside this PDF is not the drawing that certificate.json names")
    return Drawing(name.rpartition(".")[2], content)


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
        number = Decimal(plain) if len(plain) <= _LONGEST_NUMBER else Decimal("NaN")
        exponent = number.as_tuple().exponent
        if not isinstance(exponent, int) or max(abs(number.adjusted()), abs(exponent)) > _MOST_FIGURES:
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
