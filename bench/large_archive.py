"""Make an archive of N inspections of an invented plant: past months folded, the month under way as single files.

Records, chains and content hashes are those that a commit makes, so `Archive.check` finds nothing. They are made a month and
part at a time: the canonical lines of all of a part's readings are written once as one text, and each inspection's hash is
that of its slice. Left out: syncing to the disk, and the PDFs of the certificates in the register.

    python -m bench.large_archive FOLDER [--inspections N] [--per-month N] [--seed N]
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from archive import segments
from archive.content import content_sha256
from archive.layout import CommitName
from archive.ledger import NO_RECORD, RECORD_KEY, canonical, facts_of, inspection_of, iso, record_hash, record_of
from archive.own_hash import NO_HASH, OWN_HASH_KEY, with_own_hash
from bench.large_plant import (
    GAUGES,
    INSPECTORS,
    PER_MONTH,
    RACK_POSITIONS,
    READINGS_EACH,
    SPRAYERS,
    Month,
    Part,
    Plant,
    era_of,
    months_of,
    tail_of,
)
from ingest.findings_text import plain_json
from ingest.sealing import amend
from schemas import parquet
from schemas.certificates import CERTIFICATES, Certificate
from schemas.column import Table
from schemas.gauge_checks import GAUGE_CHECKS
from schemas.inspections import INSPECTIONS
from schemas.readings import READINGS
from schemas.units import Unit

_CONTRACTS: Final[dict[str, Table]] = {t.name: t for t in (READINGS, GAUGE_CHECKS, CERTIFICATES)}
#: Of 1,000 inspections so many are corrected, and so many certified.
_CORRECTED, _CERTIFIED = 1.5, 20
_MOST_TICKS: Final = 6_000
_HEADER: Final = hashlib.sha256(("\t".join(c.name for c in READINGS.columns) + "\n").encode())


@dataclass
class Sizes:
    """How many bytes lie in an archive's folders, and of what.

    Attributes:
        readings: Readings, by form: folded or single.
        rows_bytes: Bytes of the files that hold them; of single files, less their records.
        record_bytes: Bytes that the records take on the disk.
        record_text_bytes: Bytes of the records' text.
    """

    readings: dict[str, int] = field(default_factory=lambda: {"folded": 0, "single": 0})
    rows_bytes: dict[str, int] = field(default_factory=lambda: {"folded": 0, "single": 0})
    record_bytes: dict[str, int] = field(default_factory=lambda: {"folded": 0, "single": 0})
    record_text_bytes: dict[str, int] = field(default_factory=lambda: {"folded": 0, "single": 0})

    def add(self, other: Sizes) -> None:
        """Add what *other* counted."""
        for name in ("readings", "rows_bytes", "record_bytes", "record_text_bytes"):
            mine, theirs = getattr(self, name), getattr(other, name)
            for form, count in theirs.items():
                mine[form] += count

    def lines(self) -> Iterator[str]:
        """Yield a line for each form."""
        for form, readings in self.readings.items():
            if readings:
                rows, records = (sizes[form] / readings for sizes in (self.rows_bytes, self.record_bytes))
                yield (
                    f"{form}: {readings:,} readings, {rows + records:.1f} bytes each: rows {rows:.1f}, records {records:.1f} "
                    f"({self.record_text_bytes[form] / readings * READINGS_EACH:,.0f} bytes of record text an inspection)"
                )

    def found(self) -> dict[str, dict[str, float]]:
        """Return the bytes per reading by form."""
        return {
            form: {
                "readings": readings,
                "bytes_per_reading": (self.rows_bytes[form] + self.record_bytes[form]) / readings,
                "rows_bytes_per_reading": self.rows_bytes[form] / readings,
                "record_bytes_per_reading": self.record_bytes[form] / readings,
            }
            for form, readings in self.readings.items()
            if readings
        }


@dataclass
class _Event:
    """A commit to come: everything but its place in its bench's chain."""

    at_ms: int
    bench: str
    table: str
    key: str
    revision: int
    rows: Callable[[], pa.Table]
    count: int
    content: str
    facts: str | None = None
    part_no: str = ""
    certificate: Certificate | None = None


class LargeArchive:
    """Writes an archive month by month."""

    def __init__(self, root: Path, plant: Plant) -> None:
        """Write nothing yet."""
        self.root = root
        self.plant = plant
        self.sizes = Sizes()
        self._heads: dict[str, tuple[int, str]] = {}
        self._later: list[_Event] = []
        self._ticks = {unit: _Ticks(unit) for unit in Unit}

    def write(
        self, months: Sequence[tuple[int, int, int]], last_over: bool = False, told: Callable[[str], None] | None = None
    ) -> None:
        """Write *months*: year, month and number of inspections of each, oldest first.

        Args:
            months: The months, all of the same era or to the last one.
            last_over: Whether the last one is over, and folded too.
            told: Is told a line for each month.
        """
        for year, number, count in months:
            start = time.perf_counter()
            over = last_over or (year, number, count) != months[-1]
            self._write_month(self.plant.month(year, number, count), over)
            if told is not None:
                told(f"{year:04d}-{number:02d}: {count:,} inspections in {time.perf_counter() - start:.1f} s")

    def _write_month(self, month: Month, over: bool) -> None:
        rng = np.random.default_rng([self.plant.seed, int(month.month[:4]), int(month.month[5:]), 1])
        events = [one for one in self._later if _month_of(one.at_ms) <= month.month]
        self._later = [one for one in self._later if _month_of(one.at_ms) > month.month]
        # In the month under way nothing has been corrected yet after its last inspection.
        now = None if over else int(month.sealed_ms.max())
        tables: list[pa.Table] = []
        late = {one.key: one for one in events}
        events += self._checks(month)
        known = {
            (serial, day): _quoted(_known(month, serial, day))
            for serial in sorted({gauge[0] for gauge in GAUGES})
            for day in range(len(month.days))
        }
        for which in np.argsort([part.job.part_no for part in self.plant.parts]):
            chosen = np.flatnonzero(month.part == which)
            part_no = self.plant.parts[which].job.part_no
            # Rows are laid in the order in which they are folded, so that folding need not sort them.
            tables += [one.rows() for _, one in sorted(late.items()) if one.part_no == part_no]
            if not len(chosen):
                continue
            block = _Block(self.plant, month, self.plant.parts[which], chosen, rng, self._ticks)
            done = 0
            for number, one in enumerate(block.events(known), 1):
                events.append(one)
                if rng.random() < _CERTIFIED / 1000:
                    events.append(_certificate(one, month.shop.code or "TLPW"))
                if rng.random() < _CORRECTED / 1000:
                    corrected = _corrected(one, int(rng.integers(3_600_000, 400_000_000)), int(rng.integers(1, 60)))
                    if _month_of(corrected.at_ms) > month.month or (now is not None and corrected.at_ms > now):
                        self._later.append(corrected)
                    else:
                        events.append(corrected)
                        tables += [block.table[done * READINGS_EACH : number * READINGS_EACH], corrected.rows()]
                        done = number
            tables.append(block.table[done * READINGS_EACH :])
        events.sort(key=lambda one: (one.at_ms, one.bench, one.table))
        if over:
            self._fold(month.month, events, pa.concat_tables(tables))
        else:
            self._write_singly(events)

    def _checks(self, month: Month) -> Iterator[_Event]:
        for (which, _), day in month.gauge_days.items():
            for rows in (day.opening, day.closing):
                table = parquet.table_of(GAUGE_CHECKS, rows)
                at_ms = int(rows[0].done_at.timestamp() * 1000) + 30_000
                yield _Event(
                    at_ms,
                    _bench(which, month.month),
                    GAUGE_CHECKS.name,
                    rows[0].check_id,
                    1,
                    _always(table),
                    table.num_rows,
                    content_sha256(table),
                )

    def _fold(self, month: str, events: Sequence[_Event], readings: pa.Table) -> None:
        commits: dict[str, list[tuple[str, str]]] = {name: [] for name in _CONTRACTS}
        others: dict[str, list[pa.Table]] = {name: [] for name in _CONTRACTS}
        for one, name, text, table in self._chained(events):
            commits[one.table].append((name.file_name, text))
            if table is not None:
                others[one.table].append(table)
        for name, of_table in commits.items():
            if not of_table:
                continue
            rows = readings if name == READINGS.name else pa.concat_tables(others[name])
            for piece, its_rows in segments.cut(_CONTRACTS[name], of_table, rows, self.root):
                segment = segments.write_segment(self.root, _CONTRACTS[name], month, piece, its_rows)
                if name == READINGS.name:
                    self.sizes.readings["folded"] += its_rows.num_rows
                    self.sizes.rows_bytes["folded"] += segment.rows_path.stat().st_size
                    self.sizes.record_bytes["folded"] += segment.records_path.stat().st_size
                    self.sizes.record_text_bytes["folded"] += sum(len(text.encode()) for _, text in piece)

    def _write_singly(self, events: Sequence[_Event]) -> None:
        for one, name, text, table in self._chained(events):
            folder = self.root / one.table / name.month
            folder.mkdir(parents=True, exist_ok=True)
            rows = one.rows() if table is None else table
            file = pa.BufferOutputStream()
            parquet.write(_CONTRACTS[one.table], rows, file, {RECORD_KEY: text, OWN_HASH_KEY: NO_HASH})
            content = memoryview(with_own_hash(memoryview(file.getvalue())))
            handle = os.open(folder / name.file_name, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
            os.write(handle, content)
            os.close(handle)
            if one.table == READINGS.name:
                size = len(text.encode())
                self.sizes.readings["single"] += rows.num_rows
                self.sizes.rows_bytes["single"] += len(content) - size
                self.sizes.record_bytes["single"] += size
                self.sizes.record_text_bytes["single"] += size

    def _chained(self, events: Sequence[_Event]) -> Iterator[tuple[_Event, CommitName, str, pa.Table | None]]:
        for one in events:
            content, table = one.content, None
            if one.certificate is not None:
                head = canonical({bench: {"seq": seq, "record": held} for bench, (seq, held) in self._heads.items()})
                whole = parquet.table_of(CERTIFICATES, [_with_head(one.certificate, head)])
                content, table = content_sha256(whole), whole
            elif one.table == GAUGE_CHECKS.name:
                table = one.rows()
            last, previous = self._heads.get(one.bench, (0, NO_RECORD))
            at = datetime.fromtimestamp(one.at_ms / 1000, UTC)
            at = at.replace(microsecond=one.at_ms % 1000 * 1000)
            said = iso(at)
            version = _CONTRACTS[one.table].version
            text = (
                f'{{"bench":"{one.bench}","committed_at":"{said}","content_sha256":"{content}",'
                f'"facts":{one.facts or "null"},"facts_version":{INSPECTIONS.version if one.facts else "null"},'
                f'"key":"{one.key}","named_at":"{said}","previous":"{previous}","revision":{one.revision},'
                f'"rows":{one.count},"seq":{last + 1},"table":"{one.table}","table_version":{version}}}'
            )
            self._heads[one.bench] = (last + 1, record_hash(text))
            yield one, CommitName(at, one.bench, last + 1, one.key, one.revision), text, table


class _Ticks:
    """What a gauge's last places are in the forms that they are written in: arrays, by number of ticks."""

    def __init__(self, unit: Unit) -> None:
        ticks = range(_MOST_TICKS)
        per_unit, self.ten_thousandths = (10, 1000) if unit is Unit.UM else (100, 2540)
        places = 1 if unit is Unit.UM else 2
        self.shown = pa.array([f"{tick / per_unit:.{places}f}" for tick in ticks])
        self.comma = pa.array([f"{tick / per_unit:.{places}f}".replace(".", ",") for tick in ticks])
        self.exact = pa.array([f"{tick * self.ten_thousandths / 10_000:.4f}" for tick in ticks])
        self.fraction = pa.array([str(Fraction(tick, per_unit)) for tick in ticks])
        self.per_unit = per_unit


class _Block:
    """A part's inspections in one month: rows, content hashes and facts."""

    def __init__(
        self, plant: Plant, month: Month, part: Part, chosen: Any, rng: Any, ticks: Mapping[Unit, _Ticks]
    ) -> None:
        self._plant, self._month, self._part = plant, month, part
        self._ticks = ticks[part.job.unit]
        self._chosen = chosen
        count = len(chosen)
        self._ids = [
            f"{datetime.fromtimestamp(int(month.started[one]), UTC):%Y%m%d-%H%M%S}-{tail_of(int(one))}"
            for one in chosen
        ]
        self._sprayer = rng.integers(0, len(SPRAYERS), count)
        self._rack = rng.integers(1, 9, count)
        self._position = rng.integers(0, len(RACK_POSITIONS), (count, part.pieces))
        self._lot_size = rng.choice([24, 40, 60, 120, 200, 320], count)
        self._batch = month.day[chosen] * 3 // max(len(month.days), 1)
        gap_ms = rng.integers(1_800, 4_200, (count, READINGS_EACH))
        taken_ms = month.started[chosen, None] * 1000 + np.cumsum(gap_ms, axis=1)
        # A gauge with a clock of its own says whole seconds.
        self._by_gauge = np.array([GAUGES[one][2] == "delimited" for one in month.gauge[chosen]])
        self._taken_ms = np.where(self._by_gauge[:, None], taken_ms // 1000 * 1000, taken_ms)
        self.values = self._values(rng)
        self.table, self._content = self._table_and_content()

    def _values(self, rng: Any) -> Any:
        """Return the readings in ticks: inspection, piece, location, reading."""
        part = self._part
        count, places = len(self._chosen), len(part.mean)
        shape = (count, part.pieces, places, part.each)
        batches = rng.normal(0, 1.2, 4) / part.tick_um
        lot = rng.normal(0, part.lot, count) + part.sprayer[self._sprayer] + batches[self._batch]
        piece = rng.normal(0, part.between, (count, part.pieces)) + part.rack[self._position]
        errors = np.array([self._error_ticks(one) for one in self._chosen])
        value = part.mean[None, None, :, None] + part.within[None, None, :, None] * rng.standard_normal(shape)
        value += (lot + errors)[:, None, None, None] + piece[:, :, None, None]
        found: Any = np.clip(np.rint(value), 1, _MOST_TICKS - 1).astype(np.int64)
        return found

    def _error_ticks(self, one: int) -> float:
        month = self._month
        day = month.gauge_days[int(month.gauge[one]), int(month.day[one])]
        opened = day.opening[0].done_at.timestamp()
        shift = day.closing[0].done_at.timestamp() - opened
        return (day.error_um + day.drift_um * (float(month.started[one]) - opened) / shift) / self._part.tick_um

    # ---- rows and their lines ----------------------------------------------------------------

    def _table_and_content(self) -> tuple[pa.Table, list[str]]:
        part, month, job = self._part, self._month, self._part.job
        count, places = len(self._chosen), len(part.mean)
        rows = count * READINGS_EACH
        of = np.repeat(np.arange(count), READINGS_EACH)
        within = np.tile(np.arange(READINGS_EACH), count)
        piece_no = within // (places * part.each)
        ticks = self.values.reshape(-1)
        unit = job.unit.value
        gauges = [GAUGES[int(month.gauge[one])] for one in self._chosen]
        checks = [month.gauge_days[int(month.gauge[one]), int(month.day[one])].opening[0] for one in self._chosen]
        lots = [
            f"{part.job_name[:2].upper()}{tail_of(int(one))}-{month.month[2:4]}{month.month[5:]}"
            for one in self._chosen
        ]
        self.lots = lots
        powder = job.powder or "polyester"
        of_inspection: dict[str, list[Any]] = {
            "inspection_id": self._ids,
            "revision": [1] * count,
            "clock": ["gauge" if own else "computer" for own in self._by_gauge],
            "shop": [month.shop.name] * count,
            "customer": [job.customer] * count,
            "purchase_order": [
                f"{job.part_no[:2]}-{month.month[2:4]}{int(month.month[5:]):02d}/{one % 9 + 1}" for one in self._chosen
            ],
            "work_order": [f"W-{month.month[2:4]}-{int(one):05d}" for one in self._chosen],
            "part_no": [job.part_no] * count,
            "part_revision": [job.part_revision] * count,
            "lot": lots,
            "lot_size": [int(size) for size in self._lot_size],
            "rack": [f"R{number}" for number in self._rack],
            "powder": [powder] * count,
            "powder_batch": [
                f"{part.job_name[:2].upper()}-{month.month[2:4]}{month.month[5:]}{batch + 1}" for batch in self._batch
            ],
            "coat_stage": ["total"] * count,
            "sprayer": [SPRAYERS[one] for one in self._sprayer],
            "inspector": [INSPECTORS[int(one) % len(INSPECTORS)] for one in self._chosen],
            "base_metal_um": [None] * count,
            "gauge_serial": [gauge[0] for gauge in gauges],
            "probe_mode": [job.probe_mode.value] * count,
            "opening_check_id": [check.check_id for check in checks],
            "specification_unit": [unit] * count,
            "source": [f"file:{lot}.capture" for lot in lots],
            "profile": [gauge[2] for gauge in gauges],
        }
        locations = [job.location[number // part.each % places] for number in range(READINGS_EACH)]
        of_place: dict[str, list[Any]] = {
            "reading_no": list(range(1, READINGS_EACH + 1)),
            "piece": [str(number // (places * part.each) + 1) for number in range(READINGS_EACH)],
            "location": [one.name for one in locations],
            "role": [one.role.value for one in locations],
            "spot": [1] * READINGS_EACH,
            "unit": [unit] * READINGS_EACH,
            "lower": [one.lower for one in locations],
            "target_low": [one.target_low for one in locations],
            "target_high": [one.target_high for one in locations],
            "upper": [one.upper for one in locations],
            "counted": [True] * READINGS_EACH,
            "excluded_reason": [None] * READINGS_EACH,
            "excluded_by": [None] * READINGS_EACH,
        }
        shown = self._ticks.shown.take(pa.array(ticks))
        taken = pa.array(self._taken_ms.reshape(-1), pa.int64()).cast(pa.timestamp("ms", tz="UTC"))
        taken_text = taken.cast(pa.timestamp("ms")).cast(pa.string())
        positions = pa.array(RACK_POSITIONS).take(pa.array(self._position[of, piece_no]))
        raw = self._raw_lines(ticks, shown, taken_text, of, within, unit)
        of_reading: dict[str, Any] = {
            "taken_at": taken,
            "rack_position": positions,
            "thickness_um": _decimals(ticks * self._ticks.ten_thousandths),
            "shown": shown,
            "raw_line": raw,
        }
        texts = {
            "taken_at": taken_text,
            "rack_position": positions,
            "thickness_um": self._ticks.exact.take(pa.array(ticks)),
            "shown": shown,
            "raw_line": raw,
        }
        columns, fields = [], []
        which, place = pa.array(of), pa.array(within)
        for named in READINGS.columns:
            name, kind = named.name, named.column.type
            if name in of_reading:
                columns.append(of_reading[name])
                fields.append(texts[name])
                continue
            values, at = (of_inspection[name], which) if name in of_inspection else (of_place[name], place)
            few = pa.array(values, kind)
            columns.append(few.take(at))
            fields.append((few, at is which))
        table = pa.Table.from_arrays(columns, schema=READINGS.arrow_schema)
        lines = _lines(fields, which, place)
        self._rows = rows
        return table, list(_hashes(lines, count))

    def _raw_lines(self, ticks: Any, shown: Any, taken: Any, of: Any, within: Any, unit: str) -> Any:
        gauge = self._month.gauge[self._chosen][of]
        symbol = "µm" if unit == "um" else "mil"
        mode = "FE" if self._part.job.probe_mode.value == "magnetic" else "NFE"
        number = pa.array((self._chosen[of] * READINGS_EACH + within) % 10_000).cast(pa.string())
        second = pc.utf8_slice_codeunits(taken, 0, 19)
        plain = _join(shown, f" {unit}")
        comma = _join(self._ticks.comma.take(pa.array(ticks)), f" {symbol}")
        long = _join(number, ";", second, f";{mode};", shown, f";{unit}")
        profile = np.array([GAUGES[one][2] for one in range(len(GAUGES))])[gauge]
        return pc.if_else(
            pa.array(profile == "delimited"), long, pc.if_else(pa.array(profile == "comma-decimals"), comma, plain)
        )

    # ---- records ----------------------------------------------------------------------------

    def events(self, known: Mapping[tuple[str, int], str]) -> Iterator[_Event]:
        """Yield the commits of the block's inspections; *known* are the checks by gauge and day, quoted."""
        part, month, job = self._part, self._month, self._part.job
        findings, failed = self._findings()
        job_json, shop_json = _quoted(part.job_json), _quoted(month.shop.to_json())
        profiles = {name: _quoted(profile.to_json()) for name, profile in self._plant.profiles.items()}
        column = {name: self.table.column(name) for name in ("purchase_order", "work_order")}
        first = {
            name: held.take(pa.array(np.arange(len(self._chosen)) * READINGS_EACH)).to_pylist()
            for name, held in column.items()
        }
        fixed = {name: _quoted(value) for name, value in {"customer": job.customer, "shop": month.shop.name}.items()}
        for number, one in enumerate(self._chosen):
            which, day, at_ms = int(month.gauge[one]), int(month.day[one]), int(month.sealed_ms[one])
            serial, mode, profile, _ = GAUGES[which]
            bench = _bench(which, month.month)
            key, lot = self._ids[number], self.lots[number]
            sealed = iso(datetime.fromtimestamp(at_ms // 1000, UTC) + timedelta(milliseconds=at_ms % 1000))
            at = iso(datetime.fromtimestamp(int(self._taken_ms[number, 0]) // 1000, UTC))
            line = _quoted(
                plain_json(
                    [
                        {
                            "line_no": 7 + number % 40,
                            "source": f"file:{lot}.capture",
                            "at": at,
                            "text": "----",
                            "why": "no contact with the part",
                        }
                    ]
                )
            )
            facts = (
                f'{{"bakes":1,"capture_sha256":"{hashlib.sha256(key.encode()).hexdigest()}","checks_json":{known[serial, day]},'
                f'"coats":1,"conformity":"{"FAIL" if failed[number] else "PASS"}","customer":{fixed["customer"]},'
                f'"findings_json":"[{findings[number]}]","gauge_serial":"{serial}","inspection_id":"{key}",'
                f'"job":"{part.job_name}","job_json":{job_json},"lot":"{lot}","lot_size":{int(self._lot_size[number])},'
                f'"notes_json":"[]","other_lines_json":{line},"part_no":"{job.part_no}",'
                f'"part_revision":{_quoted(job.part_revision)},"pieces_measured":{part.pieces},"probe_mode":"{mode}",'
                f'"profile_json":{profiles[profile]},"purchase_order":"{first["purchase_order"][number]}",'
                f'"readings_counted":{READINGS_EACH},"readings_excluded":0,"revision":1,"sealed_at":"{sealed}",'
                f'"sealed_by":"{INSPECTORS[int(one) % len(INSPECTORS)]}","shop":{fixed["shop"]},"shop_json":{shop_json},'
                f'"superseded_why":null,"supersedes":null,"work_order":"{first["work_order"][number]}"}}'
            )
            yield _Event(
                at_ms,
                bench,
                READINGS.name,
                key,
                1,
                _slice(self.table, number * READINGS_EACH),
                READINGS_EACH,
                self._content[number],
                facts,
                job.part_no,
            )

    def _findings(self) -> tuple[list[str], Any]:
        """Return each inspection's findings, as they stand quoted in a record, and whether one of them fails."""
        job, part, ticks = self._part.job, self._part, self._ticks
        by_place = self.values.transpose(0, 2, 1, 3)  # findings stand by location, then by piece
        flat = by_place.reshape(-1, part.each)
        slots = len(part.mean) * part.pieces
        slot = np.tile(np.arange(slots), len(self._chosen))
        among = _join(
            *(
                part_of
                for k in range(part.each)
                for part_of in (('\\"' if k == 0 else '\\",\\"'), ticks.fraction.take(pa.array(flat[:, k])))
            ),
            '\\"',
        )
        texts, fails = [], np.zeros(len(flat), bool)
        for low in (True, False):
            extreme = flat.min(axis=1) if low else flat.max(axis=1)
            heads, middles, tails, limits = [], [], [], []
            for place in job.location:
                limit = place.lower if low else place.upper
                assert limit is not None  # the plant's locations have both
                limits += [int(limit * ticks.per_unit)] * part.pieces
                for piece in range(1, part.pieces + 1):
                    noun, words = (
                        ("lowest reading", ("meets", "is below"))
                        if low
                        else ("highest reading", ("is within", "is above"))
                    )
                    name = f"the {'lower' if low else 'upper'} limit"
                    for failing in (False, True):
                        verdict = "FAIL" if failing else "PASS"
                        heads.append(
                            f'{{"verdict":"{verdict}","check":"{noun}","sentence":"piece {piece}, {place.name}: {noun} '
                        )
                        middles.append(
                            f' {job.unit.symbol} {words[failing]} {name} {limit} {job.unit.symbol}","location":"{place.name}","piece":"{piece}","found":"'
                        )
                    tails.append(
                        f'","limit":"{limit}","low":{"true" if low else "false"},"averaged":1,"conditional":false,"among":['
                    )
            bound = np.array(limits)[slot]
            failing = extreme < bound if low else extreme > bound
            fails |= failing
            at, value = pa.array(slot * 2 + failing), pa.array(extreme)
            texts.append(
                _join(
                    pa.array([_inner(text) for text in heads]).take(at),
                    ticks.shown.take(value),
                    pa.array([_inner(text) for text in middles]).take(at),
                    ticks.fraction.take(value),
                    pa.array([_inner(text) for text in tails]).take(pa.array(slot)),
                    among,
                    _inner('],"guard":null}'),
                )
            )
        comma = pa.array([","] * (slots - 1) + [""]).take(pa.array(slot))
        both = _join(texts[0], ",", texts[1], comma)
        text, ends = _buffer(both), np.frombuffer(both.buffers()[1], np.int32)[: len(both) + 1]
        found = [text[ends[n * slots] : ends[(n + 1) * slots]].tobytes().decode() for n in range(len(self._chosen))]
        return found, fails.reshape(-1, slots).any(axis=1)


def _lines(fields: Sequence[Any], which: Any, place: Any) -> Any:
    """Return the canonical lines of a block's rows, one text each."""
    parts: list[Any] = []
    held: list[Any] = []  # neighbours that go by the same index are made one text first
    by_inspection = False

    def put() -> None:
        if held:
            texts = pc.binary_join_element_wise(*held, "\t", null_handling="replace", null_replacement="\\N")
            parts.append(texts.take(which if by_inspection else place))
            held.clear()

    for one in fields:
        if not isinstance(one, tuple):
            put()
            parts.append(one)
            continue
        if held and by_inspection != one[1]:
            put()
        by_inspection = one[1]
        held.append(one[0].cast(pa.string()))
    held[-1] = pc.binary_join_element_wise(held[-1], "", "\n")  # the last column is the same in all of an inspection
    put()
    return pc.binary_join_element_wise(*parts, "\t")


def _hashes(lines: Any, count: int) -> Iterator[str]:
    text, ends = _buffer(lines), np.frombuffer(lines.buffers()[1], np.int32)[: len(lines) + 1]
    for number in range(count):
        digest = _HEADER.copy()
        digest.update(text[ends[number * READINGS_EACH] : ends[(number + 1) * READINGS_EACH]])
        yield digest.hexdigest()


def _buffer(texts: Any) -> memoryview:
    return memoryview(texts.buffers()[2])


def _join(*parts: Any) -> Any:
    return pc.binary_join_element_wise(*parts, "")


def _decimals(ten_thousandths: Any) -> Any:
    """Return whole numbers of 0.0001 µm as the column thickness_um."""
    pairs = np.zeros((len(ten_thousandths), 2), np.int64)
    pairs[:, 0] = ten_thousandths
    kind = next(c.column.type for c in READINGS.columns if c.name == "thickness_um")
    return pa.Array.from_buffers(kind, len(pairs), [None, pa.py_buffer(pairs)])


def _known(month: Month, serial: str, day: int) -> str:
    """Return the checks of a gauge of that day and the day before, as a record holds them."""
    rows = [
        row
        for number in (day - 1, day)
        for which, gauge in enumerate(GAUGES)
        if gauge[0] == serial and number >= 0
        for row in (
            [*month.gauge_days[which, number].opening, *month.gauge_days[which, number].closing]
            if number < day
            else month.gauge_days[which, number].opening
        )
    ]
    return plain_json([{name: getattr(row, name) for name in GAUGE_CHECKS.record.__dataclass_fields__} for row in rows])


def _certificate(one: _Event, shop_code: str) -> _Event:
    """Return the issue of a certificate ten minutes after *one*, without its ledger head yet."""
    facts = json.loads(one.facts or "{}")
    at_ms = one.at_ms + 600_000
    number = f"{shop_code}-{one.key}"
    certificate = Certificate(
        number=number,
        revision=1,
        inspection_id=one.key,
        inspection_revision=one.revision,
        customer=facts["customer"],
        part_no=facts["part_no"],
        lot=facts["lot"],
        issued_at=datetime.fromtimestamp(at_ms // 1000, UTC) + timedelta(milliseconds=at_ms % 1000),
        signer="mk",
        key_sha256=hashlib.sha256(b"mk").hexdigest(),
        pdf_sha256=hashlib.sha256(number.encode()).hexdigest(),
        pdf_name=f"{number}-r1.pdf",
        verdict=facts["conformity"],
        deviation=None,
        supersedes=None,
        superseded_why=None,
        ledger_head="",
        code=None,
    )
    return _Event(at_ms, one.bench, CERTIFICATES.name, number, 1, _none, 1, "", certificate=certificate)


def _with_head(certificate: Certificate, head: str) -> Certificate:
    return dataclasses.replace(certificate, ledger_head=head)


def _corrected(one: _Event, after_ms: int, reading: int) -> _Event:
    """Return the commit of revision 2 of *one*: a reading is left out."""
    before = inspection_of(record_of(_record_text(one), one.key), one.key)
    at_ms = one.at_ms + after_ms
    sealed = amend(
        before,
        parquet.records(READINGS, one.rows()),
        {reading: "the probe was tilted"},
        by="mk",
        why="one reading was taken with a tilted probe",
        sealed_at=datetime.fromtimestamp(at_ms // 1000, UTC) + timedelta(milliseconds=at_ms % 1000),
        facts={},
    )
    facts = canonical(facts_of(sealed.inspection))
    rows = sealed.readings
    return _Event(
        at_ms,
        one.bench,
        READINGS.name,
        one.key,
        2,
        _always(rows),
        rows.num_rows,
        content_sha256(rows),
        facts,
        one.part_no,
    )


def _record_text(one: _Event) -> str:
    at = iso(datetime.fromtimestamp(one.at_ms // 1000, UTC))
    return canonical(
        {
            "bench": one.bench,
            "committed_at": at,
            "content_sha256": one.content,
            "facts": json.loads(one.facts or "null"),
            "facts_version": INSPECTIONS.version,
            "key": one.key,
            "named_at": at,
            "previous": NO_RECORD,
            "revision": one.revision,
            "rows": one.count,
            "seq": 1,
            "table": one.table,
            "table_version": READINGS.version,
        }
    )


def _always(table: pa.Table) -> Callable[[], pa.Table]:
    return lambda: table


def _none() -> pa.Table:
    raise AssertionError("a certificate's row is made when its place in the chain is known")


def _slice(table: pa.Table, start: int) -> Callable[[], pa.Table]:
    return lambda: table.slice(start, READINGS_EACH)


def _bench(gauge: int, month: str) -> str:
    """Return the bench at the gauge's place: each era's computers have a name and a chain of their own."""
    return f"{GAUGES[gauge][3]}{era_of(int(month[:4]), int(month[5:])) % 100}"


def _month_of(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms // 1000, UTC):%Y-%m}"


def _quoted(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _inner(text: str) -> str:
    """Return *text* as it stands within a quoted text."""
    return _quoted(text)[1:-1]


def make(
    root: Path,
    inspections: int,
    *,
    seed: int = 7,
    per_month: int = PER_MONTH,
    processes: int = 1,
    told: Callable[[str], None] | None = None,
) -> Sizes:
    """Make the archive of *inspections* inspections at *root*; return how large it is.

    What was to be corrected when the computers were replaced is not.

    Args:
        root: The archive's folder, which is not there yet.
        inspections: How many, their corrections aside.
        seed: Everything follows from it.
        per_month: The plant's rate.
        processes: How many work at once, each on an era of its own; one takes some 2 GB.
        told: Is told a line for each month, by one process alone.
    """
    months = months_of(inspections, per_month)
    eras: dict[int, list[tuple[int, int, int]]] = {}
    for one in months:
        eras.setdefault(era_of(one[0], one[1]), []).append(one)
    jobs = [(root, seed, per_month, of_era, of_era[-1] != months[-1]) for of_era in eras.values()]
    total = Sizes()
    if processes == 1 or len(jobs) == 1:
        for job in jobs:
            total.add(_write_era(*job, told=told))
        return total
    jobs.sort(key=lambda job: -len(job[3]))
    with ProcessPoolExecutor(max_workers=processes, mp_context=get_context("spawn")) as several:
        for sizes in [several.submit(_write_era, *job) for job in jobs]:
            total.add(sizes.result())
    return total


def _write_era(
    root: Path,
    seed: int,
    per_month: int,
    months: list[tuple[int, int, int]],
    last_over: bool,
    told: Callable[[str], None] | None = None,
) -> Sizes:
    made = LargeArchive(root, Plant(seed, per_month))
    made.write(months, last_over, told)
    return made.sizes


def main() -> None:
    """Make an archive and say how large it is."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--inspections", type=int, default=1_000)
    parser.add_argument("--per-month", type=int, default=PER_MONTH, help="the plant's rate (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--processes", type=int, default=2)
    args = parser.parse_args()
    if args.folder.exists():
        parser.error(f"{args.folder} is there already")
    start = time.perf_counter()
    sizes = make(
        args.folder,
        args.inspections,
        seed=args.seed,
        per_month=args.per_month,
        processes=args.processes,
        told=lambda line: print(line, flush=True),
    )
    print(f"{args.inspections:,} inspections in {time.perf_counter() - start:.0f} s")
    print("\n".join(sizes.lines()))


if __name__ == "__main__":
    main()
