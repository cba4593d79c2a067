"""Write and read one table of the contract, strictly.

pyarrow by itself drops a column it was not asked for, fills a missing one with null, and takes a
time without a zone for UTC; all three are refused here.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Final, Literal, TypeAlias

import pyarrow as pa
import pyarrow.parquet as pq

from schemas.column import FILE_KEY, Table
from schemas.errors import BadInput, IntegrityFailed

#: Rows in one group: measured as the balance of size and of the time to find one inspection.
ROW_GROUP_ROWS: Final = 16_384
#: The same for the rows of many commits, where a look-up reads a whole group for one of them: half the time of the above,
#: for a tenth more bytes. Half as many again gain nothing, since then the columns cost the time and not the rows.
FOLDED_ROW_GROUP_ROWS: Final = 8_192
#: Columns of folded readings in which nearly every value is another. They take nine tenths of the bytes and are compressed
#: well; to set up the slow decompressor for the others too would make up half of the time to read a row group, for a
#: twentieth of the bytes.
_DENSE: Final = frozenset({"raw_line", "shown", "taken_at"})
_ZSTD_LEVEL: Final = 3
#: Those that pyarrow writes, as its stub has them.
_Codec: TypeAlias = Literal["gzip", "brotli", "lz4", "zstd", "snappy", "none"]
#: Under this, a table is written uncompressed.
_SMALL_ROWS: Final = 1_000


def _with_code(rows: pa.Table) -> pa.Table:
    """Add the short code, which certificates issued before carry none of."""
    return rows.append_column("code", pa.nulls(rows.num_rows, pa.string()))


#: What turns a table of an older version into the next one: {(name, version): step}.
MIGRATIONS: Final[dict[tuple[str, int], Callable[[pa.Table], pa.Table]]] = {("certificates", 1): _with_code}


def table_of(contract: Table, records: Iterable[Any]) -> pa.Table:
    """Return *records*, instances of the table's record type, as an Arrow table.

    Raises:
        BadInput: A record holds what the contract does not allow: another type, a null, more
            decimals than are kept, or a time without a zone.
    """
    rows = list(records)
    columns = []
    for named in contract.columns:
        values = [getattr(row, named.name) for row in rows]
        columns.append(column_of(contract, named.name, values))
    return pa.table(columns, schema=contract.arrow_schema)


def column_of(contract: Table, name: str, values: list[Any]) -> pa.Array[Any]:
    """Return *values* as the column *name*.

    Raises:
        BadInput: As :func:`table_of`.
    """
    named = next(c for c in contract.columns if c.name == name)
    if pa.types.is_timestamp(named.column.type) and any(v is not None and v.tzinfo is None for v in values):
        raise BadInput(f"{contract.name}.{name}: a time without a time zone; give it its zone")
    try:
        column = pa.array(values, type=named.column.type)
    except (pa.ArrowInvalid, pa.ArrowTypeError, OverflowError, UnicodeEncodeError) as wrong:
        raise BadInput(f"{contract.name}.{name}: not what the column takes: {wrong}") from None
    if column.null_count and not named.nullable:
        raise BadInput(
            f"{contract.name}.{name}: row {_first_null(column) + 1} has nothing, and this column may not be empty"
        )
    return column


def write(
    contract: Table,
    table: pa.Table,
    target: Any,
    footer: Mapping[str, str] | Callable[[], Mapping[str, str]] | None = None,
) -> None:
    """Write *table* to *target*, a path or an open binary file, as one Parquet file.

    Args:
        contract: The table's declaration; *table* must have exactly its columns.
        table: The rows.
        target: Where to.
        footer: Further file-level entries, such as a commit's record; or what gives them, asked when the rows are written.

    Raises:
        BadInput: *table* is not what *contract* declares.
    """
    wanted = contract.arrow_schema
    if not table.schema.equals(wanted, check_metadata=False):
        raise BadInput(f"{contract.name}: the columns are not those of version {contract.version}")
    _demand_full(contract, wanted, table)
    # Compressing a few rows costs more than the whole encoding and gains nothing; folding compresses them.
    with _writer(target, wanted, "none" if table.num_rows < _SMALL_ROWS else "zstd") as writer:
        # The same columns, with what the contract says of each; a cast would look at each anew.
        writer.write_table(pa.Table.from_arrays(table.columns, schema=wanted), row_group_size=ROW_GROUP_ROWS)
        # Beside the schema, not in it: what stands in the schema, Arrow writes into the file twice.
        if footer:
            writer.add_key_value_metadata(dict(footer() if callable(footer) else footer))


def write_folded(contract: Table, table: pa.Table, target: Any, commits: Iterable[int]) -> None:
    """Write the rows of many commits to *target*, an open binary file or a path, compressed however few they are.

    A row group ends where a commit does, so that whoever looks one up reads one of them, unless the commit alone is larger.

    Args:
        contract: The table's declaration; *table* may have the columns of an older version of it, with the document that
            says so in its schema's metadata, as pyarrow reads them.
        table: The rows.
        target: Where to.
        commits: Of each commit in turn the number of its rows; together they are those of *table*.

    Raises:
        BadInput: *table* is not what *contract* declares.
    """
    wanted = schema_as_written(contract, table.schema)
    _demand_full(contract, wanted, table)
    codec: _Codec | dict[str, _Codec] = "zstd"
    if contract.name == "readings":
        codec = {field.name: "zstd" if field.name in _DENSE else "snappy" for field in wanted}
    rows = pa.Table.from_arrays(table.columns, schema=wanted)
    with _writer(target, wanted, codec) as writer:
        begin = end = 0
        for count in (*commits, table.num_rows + FOLDED_ROW_GROUP_ROWS):
            if end > begin and end + count - begin > FOLDED_ROW_GROUP_ROWS:
                writer.write_table(rows.slice(begin, end - begin), row_group_size=FOLDED_ROW_GROUP_ROWS)
                begin = end
            end += count


def write_parts(contract: Table, parts: Iterable[pa.Table], target: Any) -> None:
    """Write *parts*, of the newest version of *contract*, to *target* as one Parquet file; a row group of them is held at a time.

    Raises:
        BadInput: A part is not what *contract* declares.
    """
    wanted = contract.arrow_schema
    with _writer(target, wanted, "zstd") as writer:
        held: list[pa.Table] = []
        rows = 0
        for part in parts:
            if not part.schema.equals(wanted, check_metadata=False):
                raise BadInput(f"{contract.name}: the columns are not those of version {contract.version}")
            _demand_full(contract, wanted, part)
            held.append(pa.Table.from_arrays(part.columns, schema=wanted))
            rows += part.num_rows
            if rows >= ROW_GROUP_ROWS:
                writer.write_table(pa.concat_tables(held), row_group_size=ROW_GROUP_ROWS)
                held, rows = [], 0
        if held:
            writer.write_table(pa.concat_tables(held), row_group_size=ROW_GROUP_ROWS)


def _demand_full(contract: Table, wanted: pa.Schema, table: pa.Table) -> None:
    for field in wanted:
        if not field.nullable and table.column(field.name).null_count:
            raise BadInput(f"{contract.name}.{field.name}: this column may not be empty")


def _writer(target: Any, wanted: pa.Schema, codec: _Codec | dict[str, _Codec]) -> pq.ParquetWriter:
    slow = (
        {name: _ZSTD_LEVEL for name, of_column in codec.items() if of_column == "zstd"}
        if isinstance(codec, dict)
        else {}
    )
    return pq.ParquetWriter(
        target,
        wanted,
        compression=codec,
        compression_level=slow or (_ZSTD_LEVEL if codec == "zstd" else None),
        store_decimal_as_integer=True,
        version="2.6",
        use_dictionary=[field.name for field in wanted if not _delta(field.type)],  # type: ignore[arg-type]  # the stub forgets the list
        column_encoding={field.name: "DELTA_BINARY_PACKED" for field in wanted if _delta(field.type)},
    )


def schema_as_written(contract: Table, schema: pa.Schema) -> pa.Schema:
    """Return *schema*, of this version of *contract* or an older one, with our document alone in its metadata.

    Raises:
        BadInput: It is of neither.
    """
    if schema.equals(contract.arrow_schema, check_metadata=False):
        return contract.arrow_schema
    try:
        older = _version(contract, Path(contract.name), schema) < contract.version
    except IntegrityFailed:
        older = False
    if not older:
        raise BadInput(f"{contract.name}: the columns are those of no version up to {contract.version}")
    return schema.with_metadata({FILE_KEY: (schema.metadata or {})[FILE_KEY]})


def version_of(contract: Table, schema: pa.Schema) -> int:
    """Return which version of *contract* the columns of *schema* are.

    Raises:
        BadInput: Of none.
    """
    return _version(contract, Path(contract.name), schema_as_written(contract, schema))


def read(contract: Table, path: Path, columns: list[str] | None = None) -> pa.Table:
    """Read *path*, of this version or an older one.

    Read from a path and never from memory: pyarrow may abort at exit after the latter
    (apache/arrow issues 33975 and 34314).

    Raises:
        IntegrityFailed: The file is not Parquet, is not this table, or has other columns than its
            version declares.
        BadInput: The file is of a newer version than this program knows.
    """
    try:
        with pq.ParquetFile(path) as file:
            version = _version(contract, path, file.schema_arrow)
            table = file.read(columns=columns if version == contract.version else None)
    except (FileNotFoundError, PermissionError):
        raise
    except (pa.ArrowException, OSError, UnicodeDecodeError) as wrong:
        raise IntegrityFailed(
            f"{path}: cannot be read as Parquet ({_first_line(wrong)}); restore it from a copy"
        ) from None
    return _in_newest_version(contract, path, table, version, columns)


def newest(contract: Table, path: Path, table: pa.Table) -> pa.Table:
    """Return *table*, which was read from *path* by pyarrow alone, in the newest version of *contract*.

    Raises:
        IntegrityFailed, BadInput: As :func:`read`.
    """
    return _in_newest_version(contract, path, table, _version(contract, path, table.schema), None)


def _in_newest_version(
    contract: Table, path: Path, table: pa.Table, version: int, columns: list[str] | None
) -> pa.Table:
    for step in range(version, contract.version):
        table = MIGRATIONS[contract.name, step](table)
    wanted = contract.arrow_schema
    if columns is not None:
        table = table.select(columns)
        wanted = pa.schema([wanted.field(name) for name in columns])
    if not table.schema.equals(wanted, check_metadata=False):
        raise IntegrityFailed(f"{path}: the columns are not those of {contract.name} version {version}")
    return table


def records(contract: Table, table: pa.Table) -> list[Any]:
    """Return the rows of *table* as instances of the table's record type."""
    names = [field.name for field in dataclasses.fields(contract.record)]
    lists = [table.column(name).to_pylist() for name in names]
    return [contract.record(**dict(zip(names, row, strict=True))) for row in zip(*lists, strict=True)]


def row_count(path: Path) -> int:
    """Return how many rows a Parquet file says that it has.

    Raises:
        IntegrityFailed: The file is not Parquet.
    """
    try:
        return pq.read_metadata(path).num_rows
    except (pa.ArrowException, OSError) as wrong:
        raise IntegrityFailed(f"{path.name}: cannot be read as Parquet ({_first_line(wrong)})") from None


def footer(path: Path) -> dict[str, str]:
    """Return the file-level entries of *path*, ours and a commit's.

    Raises:
        IntegrityFailed: The file is not Parquet.
    """
    try:
        metadata = pq.read_metadata(path).metadata or {}
        return {k.decode(): v.decode() for k, v in metadata.items() if k != b"ARROW:schema"}
    except (FileNotFoundError, PermissionError):
        raise
    except (pa.ArrowException, OSError, UnicodeDecodeError) as wrong:
        raise IntegrityFailed(
            f"{path}: cannot be read as Parquet ({_first_line(wrong)}); restore it from a copy"
        ) from None


def _version(contract: Table, path: Path, schema: pa.Schema) -> int:
    document = (schema.metadata or {}).get(FILE_KEY)
    if document is None:
        raise IntegrityFailed(f"{path}: has no filmtally document in its metadata; it is not a file of the archive")
    try:
        said = json.loads(document)
        name, version = said["schema"], int(said["version"])
    except (ValueError, KeyError, TypeError):
        raise IntegrityFailed(f"{path}: its filmtally document is damaged; restore it from a copy") from None
    if name != contract.name:
        raise IntegrityFailed(f"{path}: holds {name}, not {contract.name}")
    if version > contract.version:
        raise BadInput(
            f"{path}: is {contract.name} version {version}; this program knows up to {contract.version}, use a newer one"
        )
    return version


def _delta(kind: pa.DataType) -> bool:
    return bool(pa.types.is_timestamp(kind))


def _first_null(column: pa.Array[Any]) -> int:
    return next(i for i, empty in enumerate(column.is_null().to_pylist()) if empty)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
