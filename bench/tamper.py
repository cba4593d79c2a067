"""Tamper with an archive of single files and folded months, in every way that came to mind: each is found and named.

python -m bench.tamper 220
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import random
import re
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from archive import listing, stored
from archive.content import content_sha256
from archive.fold import fold
from archive.layout import TABLE_FOLDERS, CommitName, parse
from archive.ledger import RECORD_KEY, canonical, record_hash
from archive.own_hash import NO_HASH, OWN_HASH_KEY, with_own_hash
from archive.segments import RECORDS_SCHEMA, Segment, records_of, segment_id, segments, write_segment
from archive.store import Archive
from archive.troubles import Trouble
from schemas import parquet
from schemas.errors import FilmtallyError
from schemas.tables import COMMITTED
from tests.archive import scenario

_COMMITS: Final = re.compile(r"commits? ([\d, to]+) of bench (\w+)")


@dataclass(frozen=True)
class Touched:
    """What a tampering touched.

    Attributes:
        what: What was done, for a person.
        files: Names of files; a finding that holds one of them names it.
        commits: Commits; a finding that holds one's name, its end, or its number in its bench's ledger names it.
    """

    what: str
    files: tuple[str, ...] = ()
    commits: tuple[CommitName, ...] = ()

    def named_in(self, sentence: str) -> bool:
        """Return whether *sentence* names what was touched."""
        if any(name in sentence for name in self.files) or any(name.file_name in sentence for name in self.commits):
            return True
        for numbers, bench in _COMMITS.findall(sentence):
            for part in numbers.split(","):
                first, _, last = part.strip().partition(" to ")
                if any(c.bench == bench and int(first) <= c.seq <= int(last or first) for c in self.commits):
                    return True
        return any(f"{c.key}-r{c.revision}.parquet" in sentence for c in self.commits)


# ---- what there is --------------------------------------------------------------------------


def _singles(root: Path) -> list[listing.Stored]:
    found = [one for table in TABLE_FOLDERS for one in listing.singles(root, table)]
    return sorted(found, key=lambda one: str(one.path))


def _segments(root: Path, *tables: str) -> list[Segment]:
    return [segment for table in tables or TABLE_FOLDERS for segment in segments(root, table)]


def _files(root: Path) -> list[Path]:
    return [p for p in sorted(root.rglob("*")) if p.is_file() and not p.name.startswith(".lock-")]


def _names(segment: Segment) -> list[CommitName]:
    return [name for one in records_of(segment).to_pylist() if (name := parse(one["file_name"])) is not None]


def _touched_file(root: Path, path: Path, what: str) -> Touched:
    """Return *what* was done to *path*, and the commits that it holds, told by the archive as it was before."""
    if (name := parse(path.name)) is not None:
        return Touched(what, (path.name,), (name,))
    segment = next((one for one in _segments(root) if path in one.paths), None)
    return Touched(what, (path.name,), () if segment is None else tuple(_names(segment)))


# ---- writing as a forger would, with every checksum right -----------------------------------


def _write_single(path: Path, record: dict[str, Any], rows: pa.Table) -> None:
    file = pa.BufferOutputStream()
    footer = {RECORD_KEY: canonical(record), OWN_HASH_KEY: NO_HASH}
    parquet.write(COMMITTED[record["table"]], rows, file, footer)
    path.write_bytes(with_own_hash(memoryview(file.getvalue())))


def _write_files(segment: Segment, records: list[dict[str, Any]], rows: pa.Table, new_id: bool) -> Segment:
    """Write the files of *segment* anew with a manifest that fits, under its id or the one that fits as well."""
    said = json.loads(segment.manifest_path.read_text())
    if new_id:
        for path in segment.paths:
            path.unlink()
        segment = dataclasses.replace(segment, id=segment_id(record_hash(one["record"]) for one in records))
    parquet.write_folded(COMMITTED[segment.table], rows, segment.rows_path, [rows.num_rows])
    pq.write_table(pa.Table.from_pylist(records, schema=RECORDS_SCHEMA), segment.records_path)
    said |= {
        "commits": len(records),
        "rows": rows.num_rows,
        "rows_file": segment.rows_path.name,
        "records_file": segment.records_path.name,
        "rows_sha256": hashlib.sha256(segment.rows_path.read_bytes()).hexdigest(),
        "records_sha256": hashlib.sha256(segment.records_path.read_bytes()).hexdigest(),
    }
    segment.manifest_path.write_text(canonical(said))
    return segment


def _with_value(rows: pa.Table, column: str, row: int, value: object) -> pa.Table:
    index = rows.column_names.index(column)
    values: list[Any] = rows.column(column).to_pylist()
    values[row] = value
    return rows.set_column(index, rows.schema.field(index), pa.array(values, rows.schema.field(index).type))


def _changed_row(rows: pa.Table, table: str, row: int) -> pa.Table:
    column, value = {
        "readings": ("thickness_um", Decimal("63.2100")),
        "gauge_checks": ("error_um", Decimal("0.0100")),
        "certificates": ("verdict", "FAIL"),
    }[table]
    return _with_value(rows, column, row, value)


# ---- the kinds ------------------------------------------------------------------------------


def _byte_flipped(root: Path, rng: random.Random) -> Touched:
    path = rng.choice(_files(root))
    touched = _touched_file(root, path, "")
    content = bytearray(path.read_bytes())
    place, by = rng.randrange(len(content)), rng.randrange(1, 256)
    content[place] ^= by
    path.write_bytes(content)
    return dataclasses.replace(touched, what=f"byte {place} of {path.name} changed by {by}")


def _file_removed(root: Path, rng: random.Random) -> Touched:
    path = rng.choice(_files(root))
    touched = _touched_file(root, path, f"{path.name} removed")
    path.unlink()
    return touched


def _file_added(root: Path, rng: random.Random) -> Touched:
    one = rng.choice(_singles(root))
    segment = rng.choice(_segments(root))
    stray = rng.choice(
        [
            root / "notes.txt",
            root / "readings" / "all.parquet",
            one.path.with_name("copy of " + one.path.name),
            one.path.with_name(dataclasses.replace(one.name, seq=one.name.seq + 50).file_name),
            root / one.table / "2026-12" / one.path.name,
            segment.rows_path.with_name("all.parquet"),
            segment.rows_path.parent / one.path.name,
            root / "folded" / "inspections.parquet",
        ]
    )
    stray.parent.mkdir(exist_ok=True)
    shutil.copy(one.path, stray)
    return Touched(f"{stray.relative_to(root)} added", (stray.name,))


def _segment_copied(root: Path, rng: random.Random) -> Touched:
    segment = rng.choice(_segments(root))
    copy = dataclasses.replace(segment, id=f"{rng.randrange(16**16):016x}")
    for path, to in zip(segment.paths, copy.paths, strict=True):
        shutil.copy(path, to)
    return Touched(f"{segment.manifest_path.name} copied under another id", tuple(path.name for path in copy.paths))


def _row_changed_single(root: Path, rng: random.Random) -> Touched:
    one = rng.choice(_singles(root))
    rows = parquet.read(COMMITTED[one.table], one.path)
    record = json.loads(stored.record_text(one))
    rows = _changed_row(rows, one.table, rng.randrange(rows.num_rows))
    record["content_sha256"] = content_sha256(rows)
    _write_single(one.path, record, rows)
    return Touched(f"a row of {one.path.name} changed, with its hashes", (one.path.name,), (one.name,))


def _row_changed_folded(root: Path, rng: random.Random) -> Touched:
    segment = rng.choice(_segments(root))
    how = rng.choice(("files", "record", "id"))
    rows = pq.read_table(segment.rows_path)
    records = records_of(segment).to_pylist()
    one = rng.choice([r for r in records if r["rows"]])
    rows = _changed_row(rows, segment.table, one["first_row"] + rng.randrange(one["rows"]))
    if how != "files":
        said = json.loads(one["record"])
        said["content_sha256"] = content_sha256(rows.slice(one["first_row"], one["rows"]))
        one["record"] = canonical(said)
    _write_files(segment, records, rows, how == "id")
    name = parse(one["file_name"])
    return Touched(f"a row of {one['file_name']} in its segment changed, {how} made to fit", (), _there(name))


def _record_edited(root: Path, rng: random.Random) -> Touched:
    one = rng.choice([s for s in _singles(root) if s.table == "readings"])
    record = json.loads(stored.record_text(one))
    _edit(record, rng)
    _write_single(one.path, record, parquet.read(COMMITTED[one.table], one.path))
    return Touched(f"the record of {one.path.name} edited", (one.path.name,), (one.name,))


def _record_edited_folded(root: Path, rng: random.Random) -> Touched:
    segment = rng.choice(_segments(root, "readings"))
    new_id = rng.random() < 0.5
    records = records_of(segment).to_pylist()
    one = rng.choice(records)
    said = json.loads(one["record"])
    _edit(said, rng)
    one["record"] = canonical(said)
    segment = _write_files(segment, records, pq.read_table(segment.rows_path), new_id)
    name = parse(one["file_name"])
    what = f"the record of {one['file_name']} in its segment edited{', id made to fit' if new_id else ''}"
    return Touched(what, () if new_id else (segment.records_path.name,), _there(name))


def _edit(record: dict[str, Any], rng: random.Random) -> None:
    field, value = rng.choice(
        [
            ("conformity", "FAIL"),
            ("customer", "Otherby Rail"),
            ("sealed_by", "XX"),
            ("lot", "L-0"),
            ("superseded_why", "no reason"),
        ]
    )
    record["facts"][field] = value


def _truncated(root: Path, rng: random.Random) -> Touched:
    bench = rng.choice(("bench1", "bench2"))
    own = sorted((one for one in _singles(root) if one.name.bench == bench), key=lambda one: one.name.seq)
    gone = own[-rng.randrange(1, len(own) + 1) :]
    for one in gone:
        one.path.unlink()
    return Touched(f"the last {len(gone)} commits of {bench} removed", (), tuple(one.name for one in gone))


def _truncated_folded(root: Path, rng: random.Random) -> Touched:
    """Remove all of one bench from a month on, the segments written anew without it."""
    bench = rng.choice(("bench1", "bench2"))
    month = rng.choice(("2026-09", "2026-10"))
    gone: list[CommitName] = []
    for one in _singles(root):
        if one.name.bench == bench:
            one.path.unlink()
            gone.append(one.name)
    for segment in _segments(root):
        if segment.month >= month:
            gone += [name for name in _names(segment) if name.bench == bench]
            _without(root, segment, lambda name: name.bench == bench)
    return Touched(f"all of {bench} from {month} on removed, manifests made to fit", (), tuple(gone))


def _without(root: Path, segment: Segment, leave_out: Callable[[CommitName], bool]) -> None:
    contract = COMMITTED[segment.table]
    rows = pq.read_table(segment.rows_path)
    kept = [
        (one, rows.slice(one["first_row"], one["rows"]))
        for one in records_of(segment).to_pylist()
        if (name := parse(one["file_name"])) is not None and not leave_out(name)
    ]
    for path in segment.paths:
        path.unlink()
    if kept:
        commits = [(str(one["file_name"]), str(one["record"])) for one, _ in kept]
        write_segment(root, contract, segment.month, commits, pa.concat_tables([part for _, part in kept]))


def _swapped(root: Path, rng: random.Random) -> Touched:
    one, other = rng.sample([s for s in _singles(root) if s.table == "readings"], 2)
    first, second = one.path.read_bytes(), other.path.read_bytes()
    one.path.write_bytes(second)
    other.path.write_bytes(first)
    return Touched(f"{one.path.name} and {other.path.name} exchanged", (one.path.name, other.path.name), ())


def _swapped_folded(root: Path, rng: random.Random) -> Touched:
    segment = rng.choice(_segments(root, "readings"))
    records = records_of(segment).to_pylist()
    one, other = rng.sample(records, 2)
    fields = rng.choice((("record",), ("first_row", "rows"), ("record", "first_row", "rows")))
    for field in fields:
        one[field], other[field] = other[field], one[field]
    _write_files(segment, records, pq.read_table(segment.rows_path), new_id=False)
    names = [name for r in (one, other) if (name := parse(r["file_name"])) is not None]
    return Touched(f"{' and '.join(fields)} of two commits in a segment exchanged", (), tuple(names))


def _manifest_edited(root: Path, rng: random.Random) -> Touched:
    segment = rng.choice(_segments(root))
    said = json.loads(segment.manifest_path.read_text())
    field = rng.choice(sorted(said))
    said[field] = said[field] + 1 if isinstance(said[field], int) else said[field][:-1] + "x"
    segment.manifest_path.write_text(canonical(said))
    # A hash that was changed there is told of the file that does not fit it any more.
    names = tuple(path.name for path in segment.paths)
    return Touched(f"{field} in {segment.manifest_path.name} changed", names)


def _older_segment(root: Path, rng: random.Random) -> Touched:
    """Put a segment's place a whole one that was folded before the last commits of that month came."""
    segment = rng.choice([one for one in _segments(root) if len(_names(one)) > 1])
    names = sorted(_names(segment), key=lambda name: name.file_name)
    gone = set(names[-rng.randrange(1, len(names)) :])
    _without(root, segment, lambda name: name in gone)
    return Touched(f"{segment.rows_path.name} replaced by one that lacks {len(gone)} commits", (), tuple(gone))


def _moved(root: Path, rng: random.Random) -> Touched:
    one = rng.choice(_singles(root))
    month, table = rng.choice((("2026-12", one.table), ("2026-11", _other(one.table, rng)), ("2026-10", one.table)))
    to = root / table / month / one.path.name
    to.parent.mkdir(parents=True, exist_ok=True)
    one.path.rename(to)
    return Touched(f"{one.path.name} moved to {table}/{month}", (one.path.name,), (one.name,))


def _other(table: str, rng: random.Random) -> str:
    return rng.choice([one for one in TABLE_FOLDERS if one != table])


def _moved_folded(root: Path, rng: random.Random) -> Touched:
    """Move one commit, record and rows, from one month's segment to the other's, both made to fit."""
    one, other = rng.sample(_segments(root, "readings"), 2)
    moved = rng.choice(records_of(one).to_pylist())
    rows = pq.read_table(one.rows_path).slice(moved["first_row"], moved["rows"])
    name = parse(moved["file_name"])
    _without(root, one, lambda held: held == name)
    before = pq.read_table(other.rows_path)
    records = [*records_of(other).to_pylist(), {**moved, "first_row": before.num_rows}]
    _write_files(other, records, pa.concat_tables([before, rows]), new_id=True)
    return Touched(f"{moved['file_name']} moved to the segment of {other.month}", (moved["file_name"],), _there(name))


def _there(name: CommitName | None) -> tuple[CommitName, ...]:
    return () if name is None else (name,)


KINDS: Final[dict[str, Callable[[Path, random.Random], Touched]]] = {
    "byte flipped": _byte_flipped,
    "file removed": _file_removed,
    "file added": _file_added,
    "segment copied": _segment_copied,
    "row changed, single": _row_changed_single,
    "row changed, folded": _row_changed_folded,
    "record edited, single": _record_edited,
    "record edited, folded": _record_edited_folded,
    "ledger truncated": _truncated,
    "ledger truncated, folded": _truncated_folded,
    "two swapped, single": _swapped,
    "two swapped, folded": _swapped_folded,
    "manifest edited": _manifest_edited,
    "older segment": _older_segment,
    "record moved, single": _moved,
    "record moved, folded": _moved_folded,
}


# ---- the campaign ---------------------------------------------------------------------------


def campaign(times: int, seed: int = 1, kinds: Iterable[str] = tuple(KINDS)) -> dict[str, object]:
    """Tamper *times* times with copies of one archive, the kinds in turn.

    Returns:
        name, what, times; by: of each kind how many there were, were found, and were named; failed: each that was not
        found, or not named, with what was found instead.
    """
    wanted = list(kinds)
    rng = random.Random(seed)  # noqa: S311 - places, not secrets; the seed makes a failure repeatable
    by = {kind: {"times": 0, "found": 0, "named": 0} for kind in wanted}
    failed: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        plain, root = Path(scratch) / "plain", Path(scratch) / "archive"
        anchor = scenario.three_months(plain).head()
        fold(plain, scenario.FOLDED_AT)
        if (found := Archive(plain, "reader").check([anchor])) != []:
            failed.append(f"untouched: {found[0].sentence}")
        for number in range(times):
            kind = wanted[number % len(wanted)]
            shutil.copytree(plain, root)
            touched = KINDS[kind](root, rng)
            by[kind]["times"] += 1
            troubles = _found(root, anchor)
            by[kind]["found"] += bool(troubles)
            if any(touched.named_in(trouble.sentence) for trouble in troubles):
                by[kind]["named"] += 1
            else:
                told = "; ".join(trouble.sentence for trouble in troubles) or "nothing was found"
                failed.append(f"{kind}: {touched.what}: {told}")
            shutil.rmtree(root)
    return {
        "name": "an archive tampered with",
        "what": f"{times} tamperings of {len(wanted)} kinds with an archive of single files and two folded months",
        "times": times,
        "by": by,
        "lost": [],
        "half_visible": [],
        "failed": failed,
    }


def _found(root: Path, anchor: str) -> list[Trouble]:
    try:
        return [trouble for trouble in Archive(root, "reader").check([anchor]) if not trouble.harmless]
    except FilmtallyError as wrong:
        return [Trouble(root, "changed", f"the check gave up: {wrong.sentence}")]


def table_of(found: dict[str, Any]) -> str:
    """Return the kinds of *found*, what :func:`campaign` returned, as a table."""
    rows = [f"{'kind':28}{'times':>7}{'found':>7}{'named':>7}"]
    rows += [f"{kind:28}{n['times']:7}{n['found']:7}{n['named']:7}" for kind, n in found["by"].items()]
    return "\n".join(rows)


if __name__ == "__main__":
    result = campaign(int(sys.argv[1]) if len(sys.argv) > 1 else 224)
    print(table_of(result))
    print(json.dumps(result["failed"], indent=1))
