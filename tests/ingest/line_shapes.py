"""Line shapes that a gauge might write, from a small grammar and a seed: what `teach` is tried on by somebody else's shapes.

A Shape writes lines for readings, knows the truth of each, and writes lines that are no readings. Written without a look at
the code that teaches. The CRC parameters are those of the public catalogue of parametrised CRC algorithms (from memory;
each is held to its published check value in tests/ingest/test_check_digits.py).
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal

STAMPS = {
    "none": "",
    "iso": "%Y-%m-%d %H:%M:%S",
    "iso-t": "%Y-%m-%dT%H:%M:%S",
    "german": "%d.%m.%Y %H:%M:%S",
    "day-first": "%d/%m/%y %H:%M",
    "month-first": "%m/%d/%y %H:%M:%S",
    "compact": "%Y%m%d%H%M%S",
}
MODES = {
    "none": {},
    "metal": {"FE": "magnetic", "NFE": "eddy-current"},
    "letter": {"F": "magnetic", "N": "eddy-current"},
    "digit": {"1": "magnetic", "2": "eddy-current"},
}


@dataclass(frozen=True)
class Truth:
    """What a line says: None in the fields that the shape does not write."""

    figures: str  # as the display shows them, with a point
    unit: str  # um or mil
    counter: int | None
    taken_at: datetime | None  # the gauge's clock, which stands on UTC here
    mode: str | None


@dataclass(frozen=True)
class Written:
    """A line with its truth; None for a line that is no reading."""

    line: bytes
    truth: Truth | None


class Shape:
    """One kind of gauge, drawn from the grammar by *seed*."""

    def __init__(self, seed: int) -> None:
        rng = self._rng = random.Random(seed)
        self.seed = seed
        self.unit = rng.choice(["um", "mil"])
        self.unit_word = rng.choice({"um": ["um", "µm", "UM"], "mil": ["mil", "mils", "MIL"]}[self.unit])
        self.unit_in_line = rng.random() < 0.6
        self.decimals = rng.choice({"um": [0, 1, 1, 2], "mil": [1, 2, 2]}[self.unit])
        self.mark = rng.choice([".", ".", ","])
        self.form = rng.choice(["delimited", "delimited", "labels", "fixed", "spaces", "json"])
        self.delimiter = rng.choice([d for d in (";", ",", "\t", "|") if d != self.mark])
        self.counter = rng.random() < 0.6
        self.padded_counter = rng.random() < 0.5
        self.stamp = rng.choice([*STAMPS, "none", "none"])
        self.modes = MODES[rng.choice([*MODES, "none", "none"])]
        self.serial = rng.random() < 0.3
        self.check = rng.choice(["none"] * 5 + ["sum", "xor", "CRC-8/SMBUS", "CRC-16/MODBUS", "CRC-16/XMODEM"])
        if self.form == "json":
            self.check = "none"
        self.check_mark = rng.choice(["*", self.delimiter]) if self.form == "delimited" else "*"
        self.framed = self.form in ("delimited", "fixed") and self.check == "none" and rng.random() < 0.15
        self.signed = rng.random() < 0.15
        self.end = rng.choice([b"\r\n", b"\n", b"\r"])
        order = ["counter", "stamp", "mode", "value", "unit", "serial"]
        rng.shuffle(order)
        if order.index("unit") != order.index("value") + 1:  # a unit stands behind its figures
            order.remove("unit")
            order.insert(order.index("value") + 1, "unit")
        self.order = order
        self._count = rng.choice([1, 7, 95, 996])
        self._at = datetime(
            2026, rng.randrange(1, 13), rng.randrange(1, 29), 9, rng.randrange(60), rng.randrange(60), tzinfo=UTC
        )

    def reading(
        self, *, about_um: float | None = None, decimals_differ_from: str | None = None, other_mode: bool = False
    ) -> Written:
        """Return the next reading; *about_um* steers its size, *other_mode* has it read in the second probe mode."""
        rng = self._rng
        while True:
            um = about_um * rng.uniform(0.8, 1.25) if about_um else rng.uniform(35, 140)
            figure = Decimal(um if self.unit == "um" else um / 25.4).quantize(Decimal(1).scaleb(-self.decimals))
            if str(figure) != decimals_differ_from and figure > 0:
                break
        self._at += timedelta(seconds=rng.randrange(1, 130))
        self._count += 1
        mode = rng.choice(list(self.modes)) if self.modes and rng.random() < 0.2 else next(iter(self.modes), None)
        if other_mode:
            mode = list(self.modes)[1]
        at = None
        if self.stamp != "none":
            written = self._at.strftime(STAMPS[self.stamp])
            at = datetime.strptime(written, STAMPS[self.stamp]).replace(tzinfo=UTC)
        truth = Truth(
            str(figure), self.unit, self._count if self.counter else None, at, self.modes[mode] if mode else None
        )
        return Written(self._line(str(figure), mode), truth)

    def no_reading(self) -> Written:
        """Return a line that is none: a state, or a value out of range."""
        rng = self._rng
        over = {"delimited": "over", "labels": "over", "fixed": "------", "spaces": "OVER", "json": "over"}[self.form]
        plain = [b"BATTERY LOW", b"# probe lifted", b"READY"]
        if rng.random() < 0.5:
            self._count += 1
            return Written(self._line(over, next(iter(self.modes), None)), None)
        return Written(rng.choice(plain), None)

    def _line(self, figures: str, mode: str | None) -> bytes:
        shown = figures.replace(".", self.mark)
        if self.signed and shown[:1].isdigit():
            shown = "+" + shown
        parts: dict[str, str] = {"value": shown}
        if self.counter:
            parts["counter"] = f"{self._count:05d}" if self.padded_counter else str(self._count)
        if self.stamp != "none":
            parts["stamp"] = self._at.strftime(STAMPS[self.stamp])
        if mode is not None:
            parts["mode"] = mode
        if self.unit_in_line:
            parts["unit"] = self.unit_word
        if self.serial:
            parts["serial"] = "SN4471"
        there = [name for name in self.order if name in parts]
        body = self._joined(there, parts)
        data = body.encode()
        if self.check != "none":
            separator = self.check_mark.encode()
            return data + separator + CHECKS[self.check](data).encode()
        return b"\x02" + data + b"\x03" if self.framed else data

    def _joined(self, there: list[str], parts: dict[str, str]) -> str:
        match self.form:
            case "json":
                keys = {"value": "val", "counter": "no", "stamp": "ts", "mode": "probe", "unit": "u", "serial": "id"}
                said: dict[str, object] = {keys[n]: parts[n] for n in there}
                return json.dumps(said, ensure_ascii=False)
            case "labels":
                names = {"value": "T", "counter": "N", "stamp": "D", "mode": "P", "serial": "S"}
                words = []
                for n in there:
                    if n == "unit":
                        words[-1] += parts[n] if words else ""
                    else:
                        words.append(f"{names[n]}={parts[n]}")
                return " ".join(words)
            case "fixed":
                widths = {"value": 8, "counter": 6, "stamp": 20, "mode": 4, "unit": 4, "serial": 8}
                return " ".join(parts[n].rjust(widths[n]) for n in there)
            case "spaces":
                return " ".join(parts[n] for n in there)
        return self.delimiter.join(parts[n] for n in there)


def _sum(data: bytes) -> str:
    return f"{sum(data) % 256:02X}"


def _xor(data: bytes) -> str:
    value = 0
    for byte in data:
        value ^= byte
    return f"{value:02X}"


def _crc8_smbus(data: bytes) -> str:
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1) ^ 0x07 if value & 0x80 else value << 1
        value &= 0xFF
    return f"{value:02X}"


def _crc16_modbus(data: bytes) -> str:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return f"{value:04X}"


def _crc16_xmodem(data: bytes) -> str:
    value = 0
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1) ^ 0x1021 if value & 0x8000 else value << 1
        value &= 0xFFFF
    return f"{value:04X}"


CHECKS: dict[str, Callable[[bytes], str]] = {
    "sum": _sum,
    "xor": _xor,
    "CRC-8/SMBUS": _crc8_smbus,
    "CRC-16/MODBUS": _crc16_modbus,
    "CRC-16/XMODEM": _crc16_xmodem,
}
