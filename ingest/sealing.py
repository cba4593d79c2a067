"""From the readings of an inspection to the rows and the record of one commit. Pure."""

from __future__ import annotations

import dataclasses
import json
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, NamedTuple

import pyarrow as pa

from ingest.decoding import DecodedReading
from ingest.facts import InspectionFacts
from ingest.inspection import Note, OtherLine, TakenReading, Taking, base_means_um
from rules.assessment import conformity_of
from rules.film_build import Judged
from rules.verdict import Finding, Verdict
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.inspections import Inspection
from schemas.job import Job, Location
from schemas.parquet import column_of, table_of
from schemas.readings import READINGS, TIME, GaugeReading
from schemas.vocabulary import EVERYWHERE, CheckKind, CoatStage, Role

_NO_LIMITS: Final = Location.model_construct(
    name=EVERYWHERE, role=Role.OTHER, lower=None, target_low=None, target_high=None, upper=None
)


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
    if not any(r.counted for r in taking.readings):
        raise BadInput(
            f"inspection {facts.inspection_id}: there is no counted reading to seal; take some, or name the right capture"
        )
    lacking = list(taking.missing())
    if lacking and as_is is None:
        piece, location, count = lacking[0]
        more = f" (and {len(lacking) - 1} more locations lack some)" if len(lacking) > 1 else ""
        raise BadInput(
            f"inspection {facts.inspection_id}: too few readings: {location.name!r} on piece {piece} has "
            f"{location.planned - count} of {location.planned}{more}; go on with 'filmtally measure --resume {facts.inspection_id}', "
            f"or seal it undecided with 'filmtally seal {facts.inspection_id} --as-is REASON'"
        )
    base = base_means_um(taking.readings)
    if facts.job.base_reading:
        _need_base(facts, taking, base)
    table = _table(facts, taking, base, checks)
    notes = [*(Note(None, facts.inspector, text) for text in facts.notes), *taking.notes]
    if as_is is not None:
        notes.append(Note(sealed_at.isoformat(), sealed_by, f"sealed with readings missing: {as_is}"))
    inspection = _record(
        facts,
        [_row(r, base) for r in taking.readings],
        taking.other_lines,
        notes,
        checks,
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
        facts: Facts to correct: column of the readings table and its new value.

    Raises:
        BadInput: A reading does not exist or does not count already, nothing changes, or a fact
            cannot be corrected this way.
    """
    allowed = {"purchase_order", "work_order", "lot", "rack", "rack_position", "powder", "powder_batch", "sprayer"}
    for name in facts:
        if name not in allowed:
            raise BadInput(f"{name} cannot be corrected; what can is: {', '.join(sorted(allowed))}")
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
    revision = before.revision + 1
    left_out = {"counted": False, "excluded_by": by}
    changed = []
    for r in readings:
        new: dict[str, Any] = {"revision": revision, **facts}
        if r.reading_no in exclude:
            new |= left_out | {"excluded_reason": exclude[r.reading_no]}
        changed.append(dataclasses.replace(r, **new))
    findings, verdict = _judged(Job.from_json(before.job_json), changed)
    in_record: dict[str, Any] = {k: v for k, v in facts.items() if k in {"purchase_order", "work_order", "lot"}}
    in_record |= _counts(changed)
    inspection = dataclasses.replace(
        before,
        revision=revision,
        sealed_at=_in_ms(sealed_at),
        sealed_by=by,
        conformity=verdict.name,
        findings_json=_findings_json(findings),
        supersedes=before.revision,
        superseded_why=why,
        **in_record,
    )
    return Sealed(inspection, table_of(READINGS, changed))


def _need_base(facts: InspectionFacts, taking: Taking, base: Mapping[str, Decimal]) -> None:
    if EVERYWHERE in base:
        return
    measured = {r.location for r in taking.readings if r.counted}
    without = next(
        (place.name for place in facts.job.location if place.name in measured and place.name not in base), None
    )
    if without is not None:
        raise BadInput(
            f"inspection {facts.inspection_id}: the job asks for readings before coating, and {without!r} has none; "
            f"take them after '@base {without}', or say '@base *' where one set holds for all locations"
        )


def _table(
    facts: InspectionFacts, taking: Taking, base: Mapping[str, Decimal], checks: Sequence[GaugeCheck]
) -> pa.Table:
    taken = taking.readings
    count = len(taken)
    job = facts.job
    names = [place.name for place in job.location]
    places = [*job.location, _NO_LIMITS]
    order = {name: index for index, name in enumerate(names)}
    at_place = pa.array([order.get(r.location, len(names)) for r in taken], type=pa.int32())
    lines, of_line = _distinct([r.decoded for r in taken])
    opening = _OpeningChecks(checks, facts.gauge_serial)

    def by_place(name: str, values: list[Any]) -> Any:
        return column_of(READINGS, name, values).take(at_place)

    def by_line(name: str, values: list[Any]) -> Any:
        return column_of(READINGS, name, values).take(of_line)

    # What depends on the location or on the line's text alone is converted once, not once per reading.
    ready: dict[str, Any] = {
        "role": by_place("role", [place.role.value for place in places]),
        "lower": by_place("lower", [place.lower for place in places]),
        "target_low": by_place("target_low", [place.target_low for place in places]),
        "target_high": by_place("target_high", [place.target_high for place in places]),
        "upper": by_place("upper", [place.upper for place in places]),
        "thickness_um": by_line("thickness_um", [line.thickness_um for line in lines]),
        "shown": by_line("shown", [line.shown for line in lines]),
        "unit": by_line("unit", [line.unit.value for line in lines]),
        "taken_at": _milliseconds([r.taken_at for r in taken]),
    }
    columns: dict[str, list[Any]] = {
        "reading_no": [r.reading_no for r in taken],
        "clock": [r.clock.value for r in taken],
        "coat_stage": [r.stage.value for r in taken],
        "piece": [r.piece for r in taken],
        "location": [r.location for r in taken],
        "spot": [r.spot for r in taken],
        "raw_line": [r.raw_line for r in taken],
        "base_metal_um": [_base_of(r, base) for r in taken],
        "probe_mode": [r.probe_mode.value for r in taken],
        "opening_check_id": [opening.before(r.taken_at, r.probe_mode.value) for r in taken],
        "counted": [r.excluded_reason is None for r in taken],
        "excluded_reason": [r.excluded_reason for r in taken],
        "excluded_by": [r.excluded_by for r in taken],
        "source": [r.source for r in taken],
    }
    same = {
        "inspection_id": facts.inspection_id,
        "revision": 1,
        "shop": facts.shop.name,
        "customer": job.customer,
        "purchase_order": facts.purchase_order,
        "work_order": facts.work_order,
        "part_no": job.part_no,
        "part_revision": job.part_revision,
        "lot": facts.lot,
        "lot_size": facts.lot_size,
        "rack": facts.rack,
        "rack_position": facts.rack_position,
        "powder": facts.powder or job.powder,
        "powder_batch": facts.powder_batch,
        "sprayer": facts.sprayer,
        "inspector": facts.inspector,
        "gauge_serial": facts.gauge_serial,
        "specification_unit": job.unit.value,
        "profile": facts.profile_name,
    }
    arrays: list[Any] = []
    for named in READINGS.columns:
        if named.name in same:
            scalar: Any = pa.scalar(same[named.name], type=named.column.type)
            arrays.append(pa.repeat(scalar, count))
        elif named.name in ready:
            arrays.append(ready[named.name])
        else:
            arrays.append(column_of(READINGS, named.name, columns[named.name]))
    return pa.table(arrays, schema=READINGS.arrow_schema)


def _distinct(decoded: list[DecodedReading]) -> tuple[list[DecodedReading], Any]:
    """Return the different objects among *decoded* and, for each of them all, which of those it is."""
    seen: dict[int, int] = {}
    lines: list[DecodedReading] = []
    of_line = []
    for line in decoded:
        index = seen.setdefault(id(line), len(lines))
        if index == len(lines):
            lines.append(line)
        of_line.append(index)
    return lines, pa.array(of_line, type=pa.int32())


def _milliseconds(moments: list[datetime]) -> Any:
    """Return *moments* as the archive keeps them, cut to milliseconds."""
    exact: Any = pa.array(moments, type=pa.timestamp("us", tz="UTC"))
    return exact.cast(TIME, safe=False)


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
        _base_of(reading, base),
        reading.excluded_reason is None,
        reading.stage.value,
        reading.excluded_reason,
    )


def _base_of(reading: TakenReading, base: Mapping[str, Decimal]) -> Decimal | None:
    """Return what is subtracted from *reading*: nothing from one that was itself taken before coating."""
    if not base or reading.stage is not CoatStage.TOTAL:
        return None
    return base.get(reading.location, base.get(EVERYWHERE))


class _OpeningChecks:
    """The last verification of a gauge before a moment."""

    def __init__(self, checks: Sequence[GaugeCheck], gauge_serial: str) -> None:
        self._by_mode: dict[str | None, tuple[list[datetime], list[str]]] = {}
        for check in sorted(checks, key=lambda c: c.done_at):
            if check.gauge_serial == gauge_serial and check.kind == CheckKind.VERIFICATION:
                times, ids = self._by_mode.setdefault(check.probe_mode, ([], []))
                times.append(check.done_at)
                ids.append(check.check_id)

    def before(self, moment: datetime, mode: str) -> str | None:
        times, ids = self._by_mode.get(mode, ([], []))
        place = bisect_right(times, moment)
        return ids[place - 1] if place else None


def _record(
    facts: InspectionFacts,
    readings: Sequence[_Row],
    other_lines: Sequence[OtherLine],
    notes: Sequence[Note],
    checks: Sequence[GaugeCheck],
    *,
    capture_sha256: str,
    sealed_at: datetime,
    sealed_by: str,
) -> Inspection:
    findings, verdict = _judged(facts.job, readings)
    known = [c for c in checks if c.gauge_serial == facts.gauge_serial]
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
        **_counts(readings),
        conformity=verdict.name,
        findings_json=_findings_json(findings),
        job_json=facts.job.to_json(),
        shop_json=facts.shop.to_json(),
        checks_json=_json([dataclasses.asdict(c) for c in known]),
        profile_json=facts.profile.to_json(),
        other_lines_json=_json([dataclasses.asdict(o) for o in other_lines]),
        notes_json=_json([dataclasses.asdict(n) for n in notes]),
        capture_sha256=capture_sha256,
        supersedes=None,
        superseded_why=None,
    )


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


def _findings_json(findings: Sequence[Finding]) -> str:
    plain = [{**dataclasses.asdict(f), "verdict": f.verdict.name} for f in findings]
    return _json(plain)


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), default=_text)


def _text(value: Any) -> str:
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _in_ms(moment: datetime) -> datetime:
    """Cut *moment* to the milliseconds that the archive keeps."""
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
