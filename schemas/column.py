"""A table of the contract, declared once: the fields of its record type.

A record type is a frozen dataclass whose fields are annotated with a Column:

    thickness_um: Annotated[Decimal, Column(pa.decimal128(9, 4), "Film build as read.", unit="µm")]

Arrow schema, file metadata and schemas/README.md are all printed from that declaration. A field may
be null in the file when its type allows None, and only then.
"""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import pyarrow as pa

#: The key of the one JSON document of ours in a Parquet file's metadata, readable by any reader.
FILE_KEY: Final = b"filmtally"


@dataclass(frozen=True)
class Column:
    """What one field is: its Arrow type, its meaning in a sentence, its unit where it has one."""

    type: pa.DataType
    meaning: str
    unit: str | None = None


@dataclass(frozen=True)
class NamedColumn:
    """A column in its place in a table."""

    name: str
    column: Column
    nullable: bool

    def arrow(self) -> pa.Field[Any]:
        """Return the Arrow field, with meaning and unit in its metadata."""
        notes = {"meaning": self.column.meaning}
        if self.column.unit is not None:
            notes["unit"] = self.column.unit
        return pa.field(self.name, self.column.type, nullable=self.nullable, metadata=notes)


@dataclass(frozen=True)
class Table:
    """One table of the contract.

    Attributes:
        name: Name of the table and of its folder in the archive.
        version: Version of the schema; a change of columns raises it and brings a migration.
        meaning: What one row is.
        record: The frozen dataclass whose annotated fields are the columns.
    """

    name: str
    version: int
    meaning: str
    record: type[Any]

    @cached_property
    def columns(self) -> tuple[NamedColumn, ...]:
        """Return the columns in file order."""
        hints = typing.get_type_hints(self.record, include_extras=True)
        return tuple(_named(field.name, hints[field.name]) for field in dataclasses.fields(self.record))

    @cached_property
    def arrow_schema(self) -> pa.Schema:
        """Return the Arrow schema: field metadata, and the file-level document under FILE_KEY."""
        return pa.schema([c.arrow() for c in self.columns]).with_metadata(self.file_metadata())

    def file_metadata(self) -> dict[bytes, bytes]:
        """Return the file-level metadata: one JSON document with name, version, units and meanings."""
        document = {
            "schema": self.name,
            "version": self.version,
            "meaning": self.meaning,
            "columns": {
                c.name: {"meaning": c.column.meaning, "unit": c.column.unit, "nullable": c.nullable}
                for c in self.columns
            },
        }
        return {FILE_KEY: json.dumps(document, ensure_ascii=False).encode()}

    def markdown(self) -> str:
        """Return the table's section of schemas/README.md."""
        lines = [
            f"## {self.name}, version {self.version}",
            "",
            self.meaning,
            "",
            "| column | type | unit | null | meaning |",
            "|---|---|---|---|---|",
        ]
        for c in self.columns:
            unit = c.column.unit or ""
            null = "may be" if c.nullable else ""
            lines.append(f"| `{c.name}` | {c.column.type} | {unit} | {null} | {c.column.meaning} |")
        return "\n".join(lines) + "\n"


def _named(name: str, hint: Any) -> NamedColumn:
    inner, column = typing.get_args(hint)[:2]
    if not isinstance(column, Column):
        raise TypeError(f"{name} is not annotated with a Column")
    optional = isinstance(inner, types.UnionType) and type(None) in typing.get_args(inner)
    return NamedColumn(name, column, optional)
