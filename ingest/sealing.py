"""From the readings of an inspection to the rows and the record of one commit. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, NamedTuple

import pyarrow as pa
import pyarrow.compute

from ingest.collecting import collector_paused
from ingest.facts import InspectionFacts
from ingest.findings_text import findings_json, plain_json
from ingest.inspection import Note, OtherLine, TakenReading, Taking, base_means_um
from ingest.reading_rows import base_of, rows_of
from ingest.said import number_of
from rules.assessment import conformity_of
from rules.film_build import Judged
from rules.lot_judgement import LotTerms, state_plan
from rules.plain_findings import plain_findings
from rules.verdict import Finding, Verdict
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job
from schemas.parquet import table_of
from schemas.readings import READINGS, GaugeReading
from schemas.shop import OLDEST_VERIFICATION
from schemas.vocabulary import EVERYWHERE, CheckKind

#: What bears on a gauge until the next of its kind, however long ago.
_LASTING: Final = (CheckKind.CALIBRATION, CheckKind.ADJUSTMENT, CheckKind.INCIDENT)
#: What a correction can put right beside the counting of readings; a number of pieces is one, all else is text.
_CORRECTED: Final = frozenset(
    {"purchase_order", "work_order", "lot", "lot_size", "rack", "rack_position", "powder", "powder_batch", "sprayer"}
)
#: Of these the inspection's own row says the same as its readings.
_IN_RECORD: Final = frozenset({"purchase_order", "work_order", "lot", "lot_size"})
_MOST_PIECES: Final = 10_000_000
pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes


@dataclasses.dataclass(frozen=True, slots=True)
class Sealed:
    """What one commit writes: the rows, and the record that goes with them."""

    inspection: Inspection
    readings: pa.Table


def seal(
    facts: InspectionFacts,
    taking: Taking,
    checks: Sequence[GaugeCheck],
    *,
    capture_sha256: str,
    sealed_at: datetime,
    sealed_by: str,
    as_is: str | None = None,
) -> Sealed:
    """Return the rows and the record of *taking*.

    Args:
        facts: What was known before the first reading.
        taking: The readings, the other lines and the notes.
        checks: The gauge's checks known so far.
        capture_sha256: Hash of the capture's bytes.
        sealed_at: Time of sealing, aware.
        sealed_by: Code of whoever seals.
        as_is: A person's reason to seal although readings are missing; the verdict will be UNDECIDED.

    Raises:
        BadInput: There is no reading; readings are missing and *as_is* says nothing; or readings
            before coating are asked for and missing.
    """
    if not taking.counted:
        raise BadInput(
            f"inspection {facts.inspection_id}: there is no counted reading to seal; take some, or name the right capture"
        )
    lacking = list(taking.missing())
    if lacking and as_is is None:
        piece, location, count = lacking[0]
        more = (
            f" (and {number_of(len(lacking) - 1, 'more location lacks', 'more locations lack')} some)"
            if len(lacking) > 1
            else ""
        )
        raise BadInput(
            f"inspection {facts.inspection_id}: too few readings: {location.name!r} on piece {piece} has "
            f"{location.planned - count} of {location.planned}{more}; go on with 'filmtally measure --resume {facts.inspection_id}', "
            f"or seal it undecided with 'filmtally seal {facts.inspection_id} --as-is REASON'"
        )
    base = base_means_um(taking.left_out())
    table = rows_of(facts, taking, base, checks)
    if facts.job.base_reading:
        _need_base(facts, table, base)
    notes = [*(Note(None, facts.inspector, text) for text in facts.notes), *taking.notes]
    if as_is is not None:
        notes.append(Note(sealed_at.isoformat(), sealed_by, f"sealed with readings missing: {as_is}"))
    with collector_paused():
        inspection = _record(
            facts,
            _judged_and_counted(facts.job, taking, base, table),
            taking.other_lines,
            notes,
            known_checks(checks, facts.gauge_serial, pc.min(table["taken_at"]).as_py()),
            capture_sha256=capture_sha256,
            sealed_at=sealed_at,
            sealed_by=sealed_by,
        )
    return Sealed(inspection, table)


def amend(
    before: Inspection,
    readings: Sequence[GaugeReading],
    exclude: Mapping[int, str],
    *,
    by: str,
    why: str,
    sealed_at: datetime,
    facts: Mapping[str, str],
) -> Sealed:
    """Return the next revision of a sealed inspection.

    Args:
        before: The valid revision.
        readings: Its rows.
        exclude: Numbers of the readings to leave out, each with its reason.
        by: Code of the person who says so.
        why: Why there is a new revision.
        sealed_at: Time of sealing, aware.
        facts: Facts to correct: column of the readings table and its new value, in words.

    Raises:
        BadInput: A reading does not exist or does not count already, nothing changes, a fact cannot be corrected this
            way, or the number of pieces in the lot is none, is less than were measured, or has no sampling plan.
    """
    for name in facts:
        if name not in _CORRECTED:
            raise BadInput(f"{name} cannot be corrected; what can is: {', '.join(sorted(_CORRECTED))}")
    if not exclude and not facts:
        raise BadInput("nothing is changed; name readings with --exclude NUMBER=REASON, or facts with --set NAME=VALUE")
    known = {r.reading_no: r for r in readings}
    for number in exclude:
        if number not in known:
            raise BadInput(
                f"inspection {before.inspection_id}: there is no reading {number}; its readings are 1 to {len(readings)}"
            )
        if not known[number].counted:
            raise BadInput(
                f"inspection {before.inspection_id}: reading {number} does not count already ({known[number].excluded_reason})"
            )
    corrected: dict[str, Any] = dict(facts)
    if "lot_size" in facts:
        corrected["lot_size"] = _pieces_said(facts["lot_size"])
    revision = before.revision + 1
    left_out = {"counted": False, "excluded_by": by}
    changed = []
    for r in readings:
        new: dict[str, Any] = {"revision": revision, **corrected}
        if r.reading_no in exclude:
            new |= left_out | {"excluded_reason": exclude[r.reading_no]}
        changed.append(dataclasses.replace(r, **new))
    job, counts = Job.from_json(before.job_json), _counts(changed)
    if "lot_size" in corrected:
        _demand_lot_size(before, job, corrected["lot_size"], counts["pieces_measured"])
    findings, verdict = _judged(job, changed)
    in_record = {k: v for k, v in corrected.items() if k in _IN_RECORD} | counts
    inspection = dataclasses.replace(
        before,
        revision=revision,
        sealed_at=_in_ms(sealed_at),
        sealed_by=by,
        conformity=verdict.name,
        findings_json=findings_json(findings),
        supersedes=before.revision,
        superseded_why=why,
        **in_record,
    )
    return Sealed(inspection, table_of(READINGS, changed))


def _pieces_said(said: str) -> int:
    if not (
        said.isascii() and said.isdecimal() and len(said) <= len(str(_MOST_PIECES)) and 1 <= int(said) <= _MOST_PIECES
    ):
        raise BadInput(
            f"--set lot_size={said}: is no number of pieces from 1 to {_MOST_PIECES}; write it with digits alone"
        )
    return int(said)


def _demand_lot_size(before: Inspection, job: Job, lot_size: int, measured: int) -> None:
    """Refuse a lot that is smaller than what was measured of it, or for which the job's sampling has no plan.

    Where the sample was drawn from another number of pieces it is no sample of this lot; the rules say so when it is judged.
    """
    if lot_size < measured:
        raise BadInput(
            f"inspection {before.inspection_id}: --set lot_size={lot_size} is less than the "
            f"{number_of(measured, 'piece', 'pieces')} measured; correct the number"
        )
    if job.sampling is not None:
        try:
            state_plan(job.sampling, LotTerms(lot_size))
        except ValueError as without:
            raise BadInput(f"inspection {before.inspection_id}: --set lot_size={lot_size}: {without}") from None


def known_checks(checks: Sequence[GaugeCheck], gauge_serial: str, first: datetime) -> list[GaugeCheck]:
    """Return what an inspection's record keeps of the checks of its gauge, in their order.

    Those that a policy can still rely on at the *first* reading, and later ones; of calibrations, adjustments and incidents
    before that the last of each kind and mode. All that a gauge ever had would make each record larger than the last.
    """
    of_gauge = [c for c in checks if c.gauge_serial == gauge_serial]
    since = first - OLDEST_VERIFICATION
    last = {
        (c.kind, c.probe_mode): c.check_id
        for c in sorted(of_gauge, key=lambda c: c.done_at)
        if c.done_at < since and c.kind in _LASTING
    }
    kept = set(last.values())
    return [c for c in of_gauge if c.done_at >= since or c.check_id in kept]


def _need_base(facts: InspectionFacts, table: pa.Table, base: Mapping[str, Decimal]) -> None:
    if EVERYWHERE in base:
        return
    measured = set(pc.unique(table["location"].filter(table["counted"])).to_pylist())
    without = next(
        (place.name for place in facts.job.location if place.name in measured and place.name not in base), None
    )
    if without is not None:
        raise BadInput(
            f"inspection {facts.inspection_id}: the job asks for readings before coating, and {without!r} has none; "
            f"take them after '@base {without}', or say '@base *' where one set holds for all locations"
        )


class _Row(NamedTuple):
    """What conformity needs of a taken reading, without the way through a table."""

    piece: str
    location: str
    spot: int
    thickness_um: Decimal
    base_metal_um: Decimal | None
    counted: bool
    coat_stage: str
    excluded_reason: str | None


def _row(reading: TakenReading, base: Mapping[str, Decimal]) -> _Row:
    return _Row(
        reading.piece,
        reading.location,
        reading.spot,
        reading.decoded.thickness_um,
        base_of(reading, base),
        reading.excluded_reason is None,
        reading.stage.value,
        reading.excluded_reason,
    )


def _record(
    facts: InspectionFacts,
    judged: tuple[list[Finding], Verdict, dict[str, int]],
    other_lines: Sequence[OtherLine],
    notes: Sequence[Note],
    known: Sequence[GaugeCheck],
    *,
    capture_sha256: str,
    sealed_at: datetime,
    sealed_by: str,
) -> Inspection:
    findings, verdict, counts = judged
    return Inspection(
        inspection_id=facts.inspection_id,
        revision=1,
        sealed_at=_in_ms(sealed_at),
        sealed_by=sealed_by,
        shop=facts.shop.name,
        customer=facts.job.customer,
        purchase_order=facts.purchase_order,
        work_order=facts.work_order,
        part_no=facts.job.part_no,
        part_revision=facts.job.part_revision,
        lot=facts.lot,
        lot_size=facts.lot_size,
        job=facts.job_name,
        gauge_serial=facts.gauge_serial,
        probe_mode=facts.job.probe_mode.value,
        coats=facts.coats,
        bakes=facts.bakes,
        **counts,
        conformity=verdict.name,
        findings_json=findings_json(findings),
        job_json=facts.job.to_json(),
        shop_json=facts.shop.to_json(),
        checks_json=plain_json([dataclasses.asdict(c) for c in known]),
        profile_json=facts.profile.to_json(),
        other_lines_json=plain_json([dataclasses.asdict(o) for o in other_lines]),
        notes_json=plain_json([dataclasses.asdict(n) for n in notes]),
        capture_sha256=capture_sha256,
        supersedes=None,
        superseded_why=None,
    )


def _judged_and_counted(
    job: Job, taking: Taking, base: Mapping[str, Decimal], table: pa.Table
) -> tuple[list[Finding], Verdict, dict[str, int]]:
    if not taking.readings.in_columns:
        rows = [_row(reading, base) for reading in taking.readings]
        return *_judged(job, rows), _counts(rows)
    counted = table["counted"]
    number = pc.sum(counted).as_py()
    pieces = table["piece"] if number == table.num_rows else table["piece"].filter(counted)
    counts = {
        "pieces_measured": len(pc.unique(pieces)),
        "readings_counted": number,
        "readings_excluded": table.num_rows - number,
    }
    return *(plain_findings(job, table) or _judged(job, _rows(table))), counts


def _rows(table: pa.Table) -> list[_Row]:
    """Return the rows of *table*; the same value of a column is the same object."""
    columns = []
    for name in _Row._fields:
        encoded = table[name].combine_chunks().dictionary_encode()
        chunks = encoded.chunks if isinstance(encoded, pa.ChunkedArray) else [encoded]
        values: list[Any] = []
        for chunk in chunks:
            different = [*chunk.dictionary.to_pylist(), None]
            values += [different[-1 if code is None else code] for code in chunk.indices.to_pylist()]
        columns.append(values)
    return [_Row(*row) for row in zip(*columns, strict=True)]


def _judged(job: Job, readings: Sequence[Judged]) -> tuple[list[Finding], Verdict]:
    locations, lot_findings, verdict = conformity_of(job, readings)
    return [f for result in locations for f in result.findings] + list(lot_findings), verdict


def _counts(readings: Sequence[Judged]) -> dict[str, int]:
    counted = [r for r in readings if r.counted]
    return {
        "pieces_measured": len({r.piece for r in counted}),
        "readings_counted": len(counted),
        "readings_excluded": len(readings) - len(counted),
    }


def _in_ms(moment: datetime) -> datetime:
    """Cut *moment* to the milliseconds that the archive keeps."""
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
