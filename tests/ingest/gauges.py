"""Gauges of our own invention, for the tests of teaching: each writes lines of one shape, and knows what they say.

Nothing here is taken from what is tested: lines are put together field by field, and what a line says is kept beside it.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import reduce

from ingest.teaching import Question, Shown, Taught, teach
from schemas.check_digit import CRCS
from schemas.units import Unit
from schemas.vocabulary import ProbeMode


@dataclass(frozen=True)
class Said:
    """What a line of the gauge says; thickness_um is None for a line that is no reading."""

    data: bytes
    thickness_um: Decimal | None = None
    figures: str = ""
    unit: Unit = Unit.UM
    counter: int | None = None
    taken_at: datetime | None = None
    mode: ProbeMode | None = None


def _exclusive_or(data: bytes) -> int:
    return reduce(lambda a, b: a ^ b, data, 0)


CHECKS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "sum": (2, lambda d: sum(d) % 256),
    "negated": (2, lambda d: -sum(d) % 256),
    "xor": (2, _exclusive_or),
    **{name: (crc.bits // 4, crc.of) for name, crc in CRCS.items()},
}

TIME_FORMATS = (
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%dT%H:%M:%S",
    "%d.%m.%Y %H:%M:%S",
    "%d/%m/%Y{d}%H:%M:%S",
    "%m/%d/%Y %H:%M",
    "%m/%d/%y{d}%I:%M:%S %p",
    "%d-%b-%Y %H:%M:%S",
    "%H:%M:%S{d}%d.%m.%y",
    "%y/%m/%d %H:%M:%S",
    "%Y%m%d%H%M%S",
    "%Y%m%d{d}%H%M%S",
    "%d%m%y{d}%H%M%S",
)


class Gauge:
    """A gauge whose lines have a shape drawn by *seed*."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = random.Random(seed)
        self.json = rng.random() < 0.12
        self.delimiter = rng.choice([";", ",", "\t", "|", " ", ", ", "  ", "; "])
        self.mark = rng.choice([".", ".", ","]) if "," not in self.delimiter and not self.json else "."
        self.units = rng.choice([(Unit.UM,), (Unit.UM,), (Unit.MIL,), (Unit.UM, Unit.MIL)])
        self.unit_written = rng.random() < 0.7 or len(self.units) > 1
        self.words = {
            Unit.UM: rng.choice(["um", "µm", "microns", "UM", "\u03bcm"]),
            Unit.MIL: rng.choice(["mil", "mils", "MIL"]),
        }
        self.latin = rng.random() < 0.3 and self.words[Unit.UM] != "\u03bcm"
        self.unit_apart = rng.choice(["", " ", "field"])
        self.value_form = rng.choice(
            ["plain", "plain", "padded", "zeros", "signed", "places", "whole over 100", "whole", "left"]
        )
        self.label = rng.choice(["", "", "", "D=", "THK:", "t = ", "d: "])
        self.with_counter = rng.random() < 0.5
        self.counter_form = rng.choice(["{}", "{:04d}", "#{}", "{:>4}", "No.{}", "D{}"])
        self.with_time = rng.random() < 0.4
        self.time_format = rng.choice(TIME_FORMATS).replace("{d}", self.delimiter if not self.json else " ")
        self.modes = rng.choice([None, None, ("Fe", "NFe"), ("F", "N"), ("Fe",), ("MAG", "EDDY"), ("Non-Fe", "Fe")])
        self.first_is_magnetic = self.modes is None or self.modes[0] != "Non-Fe"
        self.constant = rng.choice([None, None, None, "SN4711", "OK", "0", "CH1", "a"])
        self.second = rng.choice([None, None, None, "temperature", "mil", "mean"])
        self.status = rng.random() < 0.1
        self.framed = rng.random() < 0.15 and not self.json
        self.check = rng.choice([None, *CHECKS]) if rng.random() < 0.4 and not self.json else None
        self.check_mark = rng.choice(["*", ";", " ", "", ","])
        self.check_form = rng.choice(["X", "x", "X"])
        self.check_skip = rng.choice([0, 1]) if self.framed else 0
        self.check_with_mark = rng.random() < 0.5
        self.swapped = rng.random() < 0.3
        self.others = rng.random() < 0.5
        self.json_spaces = rng.choice([(", ", ": "), (",", ":")])
        self.fields = ["value"]
        for name, there in (
            ("counter", self.with_counter),
            ("time", self.with_time),
            ("mode", self.modes is not None),
            ("constant", self.constant is not None),
            ("status", self.status),
        ):
            if there:
                self.fields.insert(rng.randrange(len(self.fields) + 1), name)
        at = self.fields.index("value")
        if self.unit_written and (self.unit_apart == "field" or self.json):
            self.fields.insert(at + 1, "unit")
        if self.second is not None:
            self.fields.append("second")
        self.n = rng.choice([0, 7, 98, 411])
        self.at = datetime(2026, rng.randint(1, 12), rng.randint(1, 28), rng.randint(0, 22), 10, 5, tzinfo=UTC)
        self.total = Decimal(0)
        self.values = 0
        # What the inspector means to measure next.
        self.next_mode: str | None = None
        self.next_unit: Unit | None = None

    def lines(self) -> Iterator[Said]:
        """Yield line after line, for ever."""
        while True:
            if self.others and self.rng.random() < 0.15:
                yield self._other()
            else:
                yield self._reading()

    def _figures(self, unit: Unit) -> tuple[str, str, Decimal]:
        """Return what the display shows, what the line has, and the value."""
        um = Decimal(str(round(10 ** self.rng.uniform(0.7, 3.1), 3)))
        if self.rng.random() < 0.03:
            um = -um / 100
        value = um if unit is Unit.UM else um / Decimal("25.4")
        decimals = 1 if unit is Unit.UM else 2
        if self.value_form == "whole" or (self.value_form == "whole over 100" and abs(um) >= 100 and unit is Unit.UM):
            decimals = 0
        value = round(value, decimals)
        if value == 0:
            value = abs(value)
        shown = f"{value:.{decimals}f}"
        if self.value_form == "places" and not self.json:
            places = 1 if unit is Unit.UM else 2
            return (
                shown,
                f"{int(value.scaleb(places)):05d}" if self.first_is_magnetic else f"{int(value.scaleb(places))}",
                value,
            )
        if self.json:
            return shown, shown, value
        line = {
            "padded": f"{shown:>7}",
            "zeros": f"{value:08.{decimals}f}",
            "signed": f"{value:+.{decimals}f}",
            "left": f"{shown:<7}",
        }.get(self.value_form, shown)
        return shown, line.replace(".", self.mark), value

    def _reading(self) -> Said:
        rng = self.rng
        unit = self.next_unit or rng.choice(self.units)
        shown, figures, value = self._figures(unit)
        self.n += 1
        self.at += timedelta(seconds=rng.randint(2, 90))
        if rng.random() < 0.02:
            self.at += timedelta(days=rng.randint(1, 20))
        mode = self.next_mode or (rng.choice(self.modes) if self.modes else None)
        word = self.words[unit]
        self.values += 1
        self.total += value
        stamp = self.at.strftime(self.time_format)
        text = {
            "counter": self.counter_form.format(self.n),
            "time": stamp,
            "mode": mode or "",
            "constant": self.constant or "",
            "status": "0",
            "unit": word,
            "value": self.label + figures,
            "second": self._second(unit, value),
        }
        if self.unit_written and "unit" not in self.fields:
            text["value"] += (" " if self.unit_apart == " " else "") + word
        counter = self.n if self.with_counter else None
        taken_at = None
        if self.with_time:
            taken_at = datetime.strptime(stamp, self.time_format).replace(tzinfo=UTC)
        said_mode = None
        if mode is not None:
            assert self.modes is not None
            said_mode = (
                ProbeMode.MAGNETIC if (mode == self.modes[0]) == self.first_is_magnetic else ProbeMode.EDDY_CURRENT
            )
        um = value if unit is Unit.UM else value * Decimal("25.4")
        return Said(self._line(text, number=figures), um, shown, unit, counter, taken_at, said_mode)

    def _second(self, unit: Unit, value: Decimal) -> str:
        if self.second == "temperature":
            return f"{self.rng.uniform(18, 25):.1f}".replace(".", self.mark)
        if self.second == "mil":
            return f"{value / Decimal('25.4'):.2f}".replace(".", self.mark) + " mil"
        return f"{self.total / self.values:.1f}".replace(".", self.mark)

    def _line(self, text: dict[str, str], number: str | None = None) -> bytes:
        if self.json:
            found: dict[str, object] = {}
            for name in self.fields:
                found[
                    {"value": "film", "unit": "in", "counter": "n", "time": "at", "mode": "probe"}.get(name, name)
                ] = text[name]
            if number is not None:
                found["film"] = _Raw(number)
            if "n" in found:
                found["n"] = _Raw(str(self.n))
            parts = [
                f"{json.dumps(k)}{self.json_spaces[1]}{v if isinstance(v, _Raw) else json.dumps(v)}"
                for k, v in found.items()
            ]
            return ("{" + self.json_spaces[0].join(parts) + "}").encode()
        body = self.delimiter.join(text[name] for name in self.fields)
        return self._closed(body)

    def _closed(self, body: str) -> bytes:
        encoding = "latin-1" if self.latin else "utf-8"
        data = body.encode(encoding)
        if self.framed:
            data = b"\x02" + data
        if self.check is not None:
            width, of = CHECKS[self.check]
            covered = data + (self.check_mark.encode() if self.check_with_mark else b"")
            number = of(covered[self.check_skip :])
            piece = f"{number:0{width}{self.check_form}}"
            if self.swapped and width == 4:
                piece = piece[2:] + piece[:2]
            data += self.check_mark.encode() + piece.encode()
        return data + (b"\x03" if self.framed else b"")

    def _other(self) -> Said:
        rng = self.rng
        kind = rng.choice(["over", "battery", "mean", "header", "damaged"])
        if kind == "damaged" and self.check is not None:
            data = bytearray(self._reading().data)
            at = [i for i, c in enumerate(data) if 48 <= c <= 57]
            i = rng.choice(at)
            data[i] = 48 + (data[i] - 48 + rng.randint(1, 9)) % 10
            return Said(bytes(data))
        if kind == "over":
            text = {
                "counter": self.counter_form.format(self.n),
                "time": self.at.strftime(self.time_format),
                "mode": self.modes[0] if self.modes else "",
                "constant": self.constant or "",
                "status": "1",
                "unit": self.words[self.units[0]],
                "value": self.label + rng.choice(["----", "OVER", ">>>"]),
                "second": "----",
            }
            return Said(self._line(text))
        if self.json:
            return Said(json.dumps({"state": kind, "charge": rng.randint(1, 99)}).encode())
        if kind == "mean":
            return Said(self._closed(f"MEAN {rng.uniform(10, 99):.1f} um N={rng.randint(2, 30)}"))
        if kind == "header":
            return Said(self._closed("--- block 3 ---"))
        return Said(self._closed(f"BATTERY {rng.randint(1, 99)} %"))


class _Raw(str):
    """A number as JSON has it, without quotes."""

    __slots__ = ()


class Inspector:
    """Somebody who teaches a gauge, and answers truly what is asked."""

    def __init__(self, gauge: Gauge) -> None:
        self.gauge = gauge
        self.source = gauge.lines()
        self.came: list[Said] = []
        self.shown: dict[int, Shown] = {}
        self.asked = 0

    def lesson(self) -> Taught:
        """Return what is learnt once all is answered, or what stays open."""
        gauge = self.gauge
        taught = teach([], {})
        for _ in range(60):
            open_ones = [q for q in taught.questions if q.kind != "dead end"]
            if taught.profile is not None or not open_ones or len(open_ones) < len(taught.questions):
                return taught
            choices = [q for q in open_ones if q.kind == "choice" and self.choice(q) is not None]
            if choices:
                answer = self.choice(choices[0])
                assert answer is not None
                taught = taught.answer(choices[0], answer)
            elif open_ones[0].kind == "reading":
                if (answer := self.choice(open_ones[0])) is not None:
                    taught = taught.answer(open_ones[0], answer)
                    continue
                self.prepare(open_ones)
                taught = self.take(taught)
                gauge.next_mode = gauge.next_unit = None
            else:
                return taught
        raise AssertionError("asked without end: " + repr(taught.questions))

    def prepare(self, questions: list[Question]) -> None:
        """Set the gauge up for the reading that is asked for."""
        gauge = self.gauge
        keys = {q.key for q in questions}
        last = next((s for s in reversed(self.came) if s.thickness_um is not None), None)
        if last is None:
            return
        if "other-mode" in keys and gauge.modes and len(gauge.modes) > 1:
            was_first = (last.mode is ProbeMode.MAGNETIC) == gauge.first_is_magnetic
            gauge.next_mode = gauge.modes[1] if was_first else gauge.modes[0]
        if "other-unit" in keys and len(gauge.units) > 1:
            gauge.next_unit = next(u for u in gauge.units if u is not last.unit)

    def take(self, taught: Taught) -> Taught:
        """Take a reading, with whatever else the gauge writes before it."""
        self.asked += 1
        lines: list[bytes] = []
        while True:
            said = next(self.source)
            self.came.append(said)
            lines.append(said.data)
            if said.thickness_um is not None:
                at = len(self.came) - 1
                return taught.with_reading(lines, {at: Shown(said.figures, said.unit)})

    def choice(self, question: Question) -> str | None:
        """Return the true answer to *question*; None where there is none among its choices."""
        gauge = self.gauge
        kind, _, rest = question.key.partition(":")
        keys = [c.key for c in question.choices]
        if kind == "word":
            word = rest.partition(":")[2]
            if gauge.modes is not None and word in gauge.modes and gauge.constant != word:
                magnetic = (word == gauge.modes[0]) == gauge.first_is_magnetic
                return "magnetic" if magnetic else "eddy-current"
            return "fixed" if "fixed" in keys else "not-a-reading"
        if kind == "number":
            number = rest.partition(":")[2]
            return "fixed" if number == "0" or number in (gauge.constant or "") else "free"
        if kind == "counter":
            if not keys:
                return None
            asked = [int(n) for n in re.findall(r"[0-9]+", question.sentence)]
            counted = [s.counter for s in self.came if s.counter is not None]
            return "counter" if set(asked) <= set(counted) else "free"
        if kind == "other-mode":
            return "none" if gauge.modes is not None and len(gauge.modes) == 1 else None
        if kind == "other-unit":
            return "none" if len(gauge.units) == 1 else None
        if kind == "decimals":
            return "none" if gauge.value_form == "whole" else gauge.mark if gauge.mark in keys else None
        if kind == "day-order":
            order = re.sub(" +", " ", gauge.time_format)
            return order if order in keys else "none"
        if kind == "places":
            return "always" if gauge.value_form == "places" and keys else None
        if kind == "moment-apart":
            return None if gauge.with_time else "leave-out"
        if kind == "unread-check":
            return "no-check" if gauge.check is None else None
        if kind == "unit-place":
            return "no" if not gauge.unit_written else "yes" if gauge.second != "mil" else None
        if kind == "check" and not rest:
            return next(
                (k for k in keys if {"X": "HEX", "x": "hex"}[gauge.check_form] == k.split(", ")[-1].split(" ")[0]), None
            )
        if kind == "check":
            return "yes" if gauge.check is not None else "no"
        if kind == "comma":
            return "decimal"
        return None
