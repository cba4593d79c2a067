"""How a kind of gauge is reached: the transport settings of a line profile."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Final, Literal, Self
from uuid import UUID

from pydantic import Field, StringConstraints, field_validator, model_validator

from schemas.model import Exact, Model

#: UART over GATT: not a Bluetooth SIG standard, but what most radio modules that carry a serial line offer
#: (source: bleak's example uart_service.py).
UART_SERVICE: Final = "6e400001-b5a3-f393-e0a9-e50e24dcca9e"
UART_WRITE: Final = "6e400002-b5a3-f393-e0a9-e50e24dcca9e"
UART_NOTIFY: Final = "6e400003-b5a3-f393-e0a9-e50e24dcca9e"

#: What the Bluetooth SIG assigned: Length (0x2C0A) and Linear Position (0x2C08) of the Industrial Measurement Device
#: service (0x185A).
MEASUREMENT_SERVICE: Final = "0000185a-0000-1000-8000-00805f9b34fb"
LENGTH: Final = "00002c0a-0000-1000-8000-00805f9b34fb"
LINEAR_POSITION: Final = "00002c08-0000-1000-8000-00805f9b34fb"


class Serial(Model):
    """Settings of a serial line."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal["1", "1.5", "2"] = "1"
    flow: Literal["none", "rts-cts", "dsr-dtr", "xon-xoff"] = "none"
    dtr: bool | None = Field(None, description="State of the line DTR after opening; some gauges are powered by it.")
    rts: bool | None = Field(None, description="State of the line RTS after opening.")


class Bluetooth(Model):
    """How a gauge's readings come over Bluetooth LE. *service* is not asked for in form measurement: there it is 0x185A."""

    form: Literal["uart", "measurement", "described"] = Field(
        "uart",
        description="uart: text, in pieces; measurement: the Industrial Measurement Device service of the Bluetooth SIG "
        "(Length 2C0A, Linear Position 2C08; notify says which where the gauge has both); described: the characteristic "
        'that notify names, which has a presentation format (0x2904). The two last go with form = "characteristic".',
    )
    service: str = UART_SERVICE
    notify: str = Field(UART_NOTIFY, description="Characteristic that the readings come from.")
    write: str | None = Field(UART_WRITE, description="Characteristic that requests are written to.")
    subscribe: Literal["as-bleak-does", "start-notify", "acquire-notify"] = Field(
        "as-bleak-does",
        description="How notifications are asked for on Linux; try the others where readings come twice.",
    )
    doubled_within_ms: Annotated[int, Field(ge=0, le=1000)] = Field(
        5, description="The same bytes again within this time are flagged as perhaps sent twice; 0 never does."
    )
    silent_after_s: Annotated[Exact, Field(ge=0, le=3600)] | None = Field(
        Decimal(30),
        description="A link that says nothing is asked something now and then; one that answers nothing for so long is taken for lost. 0 never asks.",
    )

    @property
    def chosen(self) -> str | None:
        """Return the characteristic that a person named for the readings, or None where *notify* was left alone."""
        return self.notify if "notify" in self.model_fields_set and self.notify != UART_NOTIFY else None

    @field_validator("service", "notify", "write")
    @classmethod
    def _is_a_uuid(cls, text: str | None) -> str | None:
        if text is None:
            return None
        if re.fullmatch(r"(0x)?[0-9A-Fa-f]{4}", text):
            return f"0000{text[-4:].lower()}-0000-1000-8000-00805f9b34fb"
        try:
            return str(UUID(text))
        except ValueError:
            raise ValueError(
                "is not a UUID; write one such as 6e400001-b5a3-f393-e0a9-e50e24dcca9e, or four hex digits of an assigned number"
            ) from None

    @model_validator(mode="after")
    def _names_what_it_reads(self) -> Self:
        if self.form == "measurement" and self.chosen not in (None, LENGTH, LINEAR_POSITION):
            raise ValueError(
                'form measurement reads notify = "2C0A" (Length) or "2C08" (Linear Position), or leaves it out'
            )
        if self.form == "described" and self.chosen is None:
            raise ValueError("form described needs notify: the characteristic that the readings come from")
        return self


class Request(Model):
    """What a gauge is sent so that it answers with a reading."""

    text: Annotated[str, StringConstraints(strip_whitespace=False)] | None = Field(
        None, description='What is sent, as text; "\\r\\n" ends it where the gauge wants that.'
    )
    hex: str | None = Field(None, description="What is sent, as bytes in hex.")
    on: Literal["key", "interval"] = Field(
        "key", description="Sent when the inspector presses the key, or again and again."
    )
    every_s: Annotated[Exact, Field(ge=Decimal("0.05"), le=3600)] | None = Field(
        None, description="on interval: how far apart the requests are."
    )
    timeout_s: Annotated[Exact, Field(gt=0, le=600)] = Field(Decimal(2), description="How long an answer may take.")
    answer: str | None = Field(
        None, description="Regular expression of a line that is an answer; any line is one where it is not given."
    )

    @property
    def data(self) -> bytes:
        """Return the bytes that are sent."""
        return bytes.fromhex(self.hex) if self.hex is not None else (self.text or "").encode()

    @model_validator(mode="after")
    def _is_one_thing(self) -> Self:
        if (self.text is None) == (self.hex is None):
            raise ValueError("needs text or hex, and not both: what is sent")
        if self.hex is not None and not re.fullmatch(r"\s*(?:[0-9A-Fa-f]{2}\s*)+", self.hex):
            raise ValueError('hex is not bytes in hex; write it as "02 52 03"')
        if not self.data:
            raise ValueError("sends nothing; write what the gauge answers to")
        if (self.on == "interval") != (self.every_s is not None):
            raise ValueError('every_s goes with on = "interval", and that needs it')
        try:
            re.compile(self.answer or "")
        except re.error as wrong:
            raise ValueError(f"answer is not a regular expression: {wrong}") from None
        return self
