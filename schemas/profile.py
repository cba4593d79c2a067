"""profiles/NAME.toml: how one kind of gauge writes a reading as a line of text."""

from __future__ import annotations

import re
from typing import Annotated, Final, Literal, Self

from pydantic import Field, StringConstraints, field_validator, model_validator

from schemas.check_digit import CheckDigit
from schemas.model import Model, Text
from schemas.transport import Bluetooth, Request, Serial
from schemas.units import UNIT_WORDS, unit_of
from schemas.vocabulary import ProbeMode

#: The named groups that a reading's expression may have; thickness is the one it must have.
GROUPS: Final = ("thickness", "unit", "counter", "time", "mode", "piece", "location", "spot", "check")
#: Control characters that a line may be framed or parted with: those for transmission and for separation of ISO/IEC 646.
FRAMING: Final = frozenset("\x01\x02\x03\x04\x05\x06\x10\x15\x16\x17\x1c\x1d\x1e\x1f")


class NotAReading(Model):
    """A line that the gauge writes and that is no reading: kept, shown, never counted."""

    pattern: str
    meaning: Text = Field(description="What the line says, in words for the inspector.")

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        _compiled(pattern)
        return pattern


class Profile(Model):
    """A line profile. A line matches as a whole or not at all."""

    title: Text
    form: Literal["pattern", "json", "characteristic"] = Field(
        "pattern",
        description="pattern: a regular expression with named groups; json: one JSON object per line; characteristic: "
        "the value of a Bluetooth characteristic, for bluetooth.form measurement and described.",
    )
    reading: str | None = Field(
        None,
        description="form pattern: the expression, with the group thickness and any of: unit, counter, time, mode, piece, location, spot, check.",
    )
    keys: dict[str, str] = Field(
        default_factory=dict,
        description="form json: which key of the object holds thickness, unit, counter, and so on.",
    )
    other_keys: tuple[str, ...] | None = Field(
        None,
        description="form json: which keys every reading has beside those; an object with others, or without one of all these, is rejected.",
    )
    fixed_keys: dict[str, str] = Field(
        default_factory=dict, description="form json: keys that have this value in every reading."
    )
    not_a_reading: tuple[NotAReading, ...] = ()
    decimal_mark: Literal[".", ","] = "."
    places: Annotated[int, Field(ge=1, le=4)] | None = Field(
        None,
        description="How many of the last figures are decimals, for a gauge that writes no mark: 1 where 0825 means 82.5.",
    )
    unit: str | None = Field(None, description="Unit where the line names none.")
    time_format: str | None = Field(None, description="How the group time is written, in the codes of C's strftime.")
    modes: dict[str, ProbeMode] = Field(
        default_factory=dict, description="What the group mode writes, and the probe mode that it means."
    )
    check: CheckDigit | None = Field(None, description="What the group check is, and what it covers.")
    control: Annotated[str, StringConstraints(strip_whitespace=False)] = Field(
        "",
        description='Control characters that the lines have, such as "\\u0002\\u0003"; a line with any other is rejected.',
    )
    max_line_bytes: Annotated[int, Field(ge=16, le=65536)] = 1024
    line_end: Annotated[str, StringConstraints(strip_whitespace=False, min_length=1, max_length=8)] | None = Field(
        None,
        description='What ends a line beside CR, LF and CRLF: "\\t" for a gauge that types and ends with Tab.',
    )
    idle_end_ms: Annotated[int, Field(ge=20, le=10_000)] | None = Field(
        None,
        description="A pause of so long ends a line too, for a gauge that sends no end; a slow line may be cut in two by it.",
    )
    serial: Serial = Serial()
    bluetooth: Bluetooth = Bluetooth()
    request: Request | None = None

    @field_validator("unit")
    @classmethod
    def _unit_is_known(cls, word: str | None) -> str | None:
        if word is not None and unit_of(word) is None:
            raise ValueError(f"unknown unit; write one of: {', '.join(UNIT_WORDS)}")
        return word

    @field_validator("control")
    @classmethod
    def _frames(cls, control: str) -> str:
        if not FRAMING.issuperset(control):
            known = ", ".join(f"{ord(c):02X}" for c in sorted(FRAMING))
            raise ValueError(f"not control characters that frame a line; in hex those are: {known}")
        return control

    @field_validator("line_end")
    @classmethod
    def _is_an_end_of_its_own(cls, end: str | None) -> str | None:
        if end is not None and end.strip("\r\n") not in ("", end):
            raise ValueError("has CR or LF beside other characters; those end a line anyway, so leave them out")
        return end

    @model_validator(mode="after")
    def _reads_a_thickness(self) -> Self:
        if (self.form == "characteristic") != (self.bluetooth.form != "uart"):
            raise ValueError(
                'form = "characteristic" goes with bluetooth.form = "measurement" or "described", and they with it'
            )
        if self.form == "characteristic":
            if self.reading is not None or self.keys or self.decimal_mark != ".":
                raise ValueError(
                    "form characteristic needs no reading, no keys and no decimal_mark: the value says all"
                )
            return self
        if self.form == "json":
            groups = set(self.keys)
            if self.reading is not None or "thickness" not in groups:
                raise ValueError("form json needs keys.thickness, and no reading")
        else:
            if self.reading is None or self.keys:
                raise ValueError("form pattern needs reading, a regular expression, and no keys")
            if self.other_keys is not None or self.fixed_keys:
                raise ValueError("other_keys and fixed_keys go with form json")
            groups = set(_compiled(self.reading).groupindex)
        if "thickness" not in groups:
            raise ValueError("reading has no group (?P<thickness>...); mark where the figures stand")
        unknown = sorted(groups - set(GROUPS))
        if unknown:
            raise ValueError(f"group {unknown[0]!r} means nothing here; the groups are: {', '.join(GROUPS)}")
        if "unit" not in groups and self.unit is None:
            raise ValueError(
                'neither a group unit nor the key unit says what the figures are in; add unit = "um" or "mil"'
            )
        if "time" in groups and self.time_format is None:
            raise ValueError('the group time needs time_format, for instance "%Y-%m-%d %H:%M:%S"')
        if self.check is not None and self.form == "json":
            raise ValueError("check goes with form pattern; a JSON object has no place for one")
        if ("check" in groups) != (self.check is not None):
            raise ValueError("the group check and the table [check] go together: where it stands, and what it is")
        return self


def _compiled(pattern: str) -> re.Pattern[str]:
    try:
        return re.compile(pattern)
    except re.error as wrong:
        raise ValueError(f"not a regular expression: {wrong}") from None
