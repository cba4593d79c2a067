"""Line profile and line: a reading, not a reading, or rejected. No I/O and no clock."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.framing import Frame
from ingest.gatt_values import Measured, NoValue, Unreadable, Words, scaled, value_of
from schemas.profile import Profile
from schemas.units import UNIT_WORDS, Unit, to_um, unit_of
from schemas.vocabulary import ProbeMode

#: What the archive keeps of a thickness in µm.
_LAST_PLACE_UM: Final = Decimal("0.0001")
_MOST_UM: Final = Decimal(100_000)
_REMEMBERED_LINES: Final = 10_000
#: Signs that instruments write as single bytes beyond ASCII (ISO 8859-1).
_LATIN_SIGNS: Final = frozenset("µ°±")


@dataclass(frozen=True, slots=True)
class DecodedReading:
    """What a line says: a thickness, and whatever else the gauge wrote beside it.

    Attributes:
        thickness_um: The thickness, exact, in µm.
        shown: The figures as written, with a point as decimal mark.
        unit: Unit of shown.
        counter, taken_at, mode, piece, location, spot: None where the line does not say.
    """

    thickness_um: Decimal
    shown: str
    unit: Unit
    counter: int | None = None
    taken_at: datetime | None = None
    mode: ProbeMode | None = None
    piece: str | None = None
    location: str | None = None
    spot: int | None = None


@dataclass(frozen=True, slots=True)
class NotAReading:
    """A line that the profile knows and that is no reading."""

    meaning: str


@dataclass(frozen=True, slots=True)
class Rejected:
    """A line that the profile cannot read; *why* goes on after the words "line N"."""

    why: str


@dataclass(frozen=True, slots=True)
class Blank:
    """A line with nothing on it."""


Decoded = DecodedReading | NotAReading | Rejected | Blank


def text_of(frame: Frame, control: str = "") -> str | Rejected:
    """Return the frame as text, or why it is none.

    Args:
        frame: The line.
        control: The control characters that it may have (Profile.control).
    """
    if frame.data.isascii() and not frame.overlong:
        plain = frame.data.decode("ascii")
        if plain.isprintable():
            return plain
    if frame.overlong:
        return Rejected(
            f"is {frame.length:,} bytes long, and no gauge writes such a reading; look at what was captured"
        )
    try:
        text = frame.data.decode("utf-8")
    except UnicodeDecodeError:
        text = frame.data.decode("latin-1")
        if any(ord(c) > 126 and c not in _LATIN_SIGNS for c in text):
            return Rejected("is not text; look at the baud rate, or at what was captured")
    text = text.removeprefix("\ufeff")
    if "\x00" in text:
        halves = (frame.data[::2], frame.data[1::2])
        if len(frame.data) > 2 and any(half.count(0) == len(half) for half in halves):
            return Rejected("has a NUL byte in every other place, as UTF-16 has; export it as UTF-8 or plain text")
        return Rejected("has a NUL byte; look at the baud rate, or export the capture as plain text")
    if any(ord(c) < 32 and c != "\t" and c not in control for c in text):
        return Rejected("has control characters; look at what was captured")
    return text


def escaped(data: bytes) -> str:
    """Return *data* as text that can be shown and kept anywhere, nothing lost."""
    return data.decode("utf-8", errors="backslashreplace").replace("\x00", "\\x00")


class LineDecoder:
    """Reads lines by one profile.

    Args:
        profile: The line profile.
        zone: Time zone of the gauge's clock.
    """

    def __init__(self, profile: Profile, zone: ZoneInfo) -> None:
        self._profile = profile
        self._zone = zone
        self._reading = re.compile(profile.reading) if profile.reading else None
        self._others = [(re.compile(o.pattern), o.meaning) for o in profile.not_a_reading]
        mark = re.escape(profile.decimal_mark)
        # Gauges repeat themselves: what a line without counter or clock says, it says each time.
        self._remembered: dict[str, Decoded] = {}
        decimals = "" if profile.places else rf"(?:{mark}[0-9]{{1,6}})?"
        self._figures = re.compile(rf"(?:[-+] *)?[0-9]{{1,7}}{decimals}")

    @property
    def control(self) -> str:
        """Return the control characters that the lines may have; :func:`text_of` asks for them."""
        return self._profile.control

    @property
    def profile(self) -> Profile:
        """Return the line profile."""
        return self._profile

    @property
    def zone(self) -> ZoneInfo:
        """Return the time zone of the gauge's clock."""
        return self._zone

    def decode(self, text: str) -> Decoded:
        """Return what *text*, one line without its end, says. Never raises."""
        known = self._remembered.get(text)
        if known is None:
            known = self._decode(text)
            if len(self._remembered) < _REMEMBERED_LINES:
                self._remembered[text] = known
        return known

    def _decode(self, text: str) -> Decoded:
        line = text.strip()
        if not line:
            return Blank()
        for pattern, meaning in self._others:
            if pattern.fullmatch(line):
                return NotAReading(meaning)
        if self._profile.form == "characteristic":
            return self._value(line)
        said = self._said(line)
        if isinstance(said, Rejected):
            return said
        if self._profile.check is not None:
            damaged = self._damaged(text, line, said.pop("check", ""))
            if damaged is not None:
                return damaged
        return self._read(said)

    def _value(self, line: str) -> Decoded:
        value = value_of(line)
        if isinstance(value, Unreadable):
            return Rejected(f"{_cut(line)!r} {value.why}")
        if isinstance(value, NoValue):
            return NotAReading(value.meaning)
        if isinstance(value, Words):
            for pattern, meaning in self._others:
                if pattern.fullmatch(value.text):
                    return NotAReading(meaning)
            if not re.fullmatch(r"[-+]?[0-9]{1,7}(?:\.[0-9]{1,12})?", value.text):
                return Rejected(f"{_cut(value.text)!r} is not a number; set it aside or use the right profile")
            value = Measured(scaled(Decimal(value.text), value.scale), value.unit)
        unit = value.unit or unit_of(self._profile.unit or "")
        if unit is None:
            return Rejected(
                f'{_cut(line)!r} comes without a unit, and the profile gives none; add unit = "um" or "mil" to it'
            )
        shown = f"{value.figures:f}"
        # A nothing that came with an absurd resolution is still a nothing.
        return self._exactly({}, value.figures, shown if value.figures or len(shown) <= 20 else "0", unit)

    def _damaged(self, text: str, line: str, given: str) -> Rejected | None:
        """Return what speaks against a line whose check is *given*, or None where the check fits."""
        check = self._profile.check
        match = self._reading.fullmatch(line) if self._reading is not None else None
        if check is None or match is None or match.start("check") < 0:
            return Rejected(f"{_cut(line)!r} has no check, and profile {self._profile.title!r} asks for one")
        # What is covered is the line as it came: blanks at its ends were stripped to find the check.
        before = len(text) - len(text.lstrip()) + match.start("check")
        right = check.wrong(text[:before], match["check"])
        if right is None:
            return None
        return Rejected(
            f"{_cut(line)!r} was damaged on the way: check says {right}, the line gives {given or 'none'}; take this reading again"
        )

    def _said(self, line: str) -> dict[str, str] | Rejected:
        if self._reading is None:
            return self._said_in_json(line)
        match = self._reading.fullmatch(line)
        if match is not None:
            return {name: value.strip() for name, value in match.groupdict().items() if value is not None}
        swapped = line.translate(str.maketrans(",.", ".,"))
        if swapped != line and self._reading.fullmatch(swapped):
            return Rejected(self._other_mark(line))
        return Rejected(
            f"{_cut(line)!r} is not how profile {self._profile.title!r} writes a reading; set it aside or use the right profile"
        )

    def _said_in_json(self, line: str) -> dict[str, str] | Rejected:
        try:
            found = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
        except (ValueError, RecursionError):
            return Rejected(f"{_cut(line)!r} is not a JSON object; set it aside or use the right profile")
        if not isinstance(found, dict):
            return Rejected(f"{_cut(line)!r} is JSON but not an object; set it aside or use the right profile")
        keys = self._profile.keys
        strange = self._strange(found)
        if strange is not None:
            return Rejected(f"{_cut(line)!r} {strange}; set it aside or use the right profile")
        said = {name: _plain(found[key]) for name, key in keys.items() if found.get(key) is not None}
        if "thickness" not in said:
            return Rejected(f"{_cut(line)!r} has no key {keys['thickness']!r}; set it aside or use the right profile")
        return said

    def _strange(self, found: dict[str, Any]) -> str | None:
        """Return what no reading of this gauge has, or None."""
        for key, value in self._profile.fixed_keys.items():
            if key in found and _plain(found[key]) != value:
                return f"has {_plain(found[key])!r} as {key!r}, and a reading has {value!r}"
        if self._profile.other_keys is None:
            return None
        known = {*self._profile.keys.values(), *self._profile.other_keys, *self._profile.fixed_keys}
        for key in found.keys() - known:
            return f"has the key {key!r}, which no reading has"
        for key in known - found.keys():
            return f"has no key {key!r}, which every reading has"
        return None

    def _read(self, said: dict[str, str]) -> DecodedReading | Rejected:
        figures = said["thickness"]
        if not self._figures.fullmatch(figures):
            if self._profile.places and not figures.strip("+-0123456789., "):
                return Rejected(
                    f"{_cut(figures)!r} is no whole number, and the profile says that the last {self._profile.places} figures are decimals; use the right profile"
                )
            if re.fullmatch(r"[-+]?[0-9]+[.,][0-9]+", figures):
                return Rejected(self._other_mark(figures))
            return Rejected(f"{_cut(figures)!r} is not a number; set it aside or use the right profile")
        word = said.get("unit") or self._profile.unit
        if word is None:
            return Rejected(
                f'{figures!r} comes without a unit, and the profile gives none; add unit = "um" or "mil" to it'
            )
        unit = unit_of(word)
        if unit is None:
            return Rejected(f"unknown unit {_cut(word)!r}; the units are: {', '.join(UNIT_WORDS)}")
        shown = figures.replace(",", ".").replace(" ", "")
        if self._profile.places:
            shown = f"{Decimal(shown).scaleb(-self._profile.places):f}"
        return self._exactly(said, Decimal(shown), shown, unit)

    def _exactly(self, said: dict[str, str], figures: Decimal, shown: str, unit: Unit) -> DecodedReading | Rejected:
        thickness_um = to_um(figures, unit)
        if abs(thickness_um) >= _MOST_UM:
            return Rejected(f"{_cut(shown)} {unit.symbol} is no film build")
        if thickness_um != thickness_um.quantize(_LAST_PLACE_UM):
            return Rejected(
                f"{_cut(shown)} {unit.symbol} has more decimals than the archive keeps exactly (0.0001 µm, 0.001 mil)"
            )
        return self._with_the_rest(said, thickness_um, shown, unit)

    def _with_the_rest(
        self, said: dict[str, str], thickness_um: Decimal, shown: str, unit: Unit
    ) -> DecodedReading | Rejected:
        if len(said) == 1 or said.keys() <= {"thickness", "unit"}:
            return DecodedReading(thickness_um, shown, unit)
        taken_at = mode = None
        for name in ("counter", "spot"):
            if name in said and not re.fullmatch(r"[0-9]{1,9}", said[name]):
                return Rejected(f"{_cut(said[name])!r} is not a {name}; set it aside or use the right profile")
        if "time" in said:
            taken_at = self._time(said["time"])
            if taken_at is None:
                return Rejected(
                    f"{_cut(said['time'])!r} is not a time written as {self._profile.time_format!r}; correct time_format in the profile"
                )
        if "mode" in said:
            mode = self._profile.modes.get(said["mode"])
            if mode is None:
                known = ", ".join(self._profile.modes) or "none"
                return Rejected(
                    f"unknown probe mode {_cut(said['mode'])!r} (the profile's modes: {known}); add it to modes in the profile"
                )
        return DecodedReading(
            thickness_um,
            shown,
            unit,
            counter=int(said["counter"]) if "counter" in said else None,
            taken_at=taken_at,
            mode=mode,
            piece=said.get("piece") or None,
            location=said.get("location") or None,
            spot=int(said["spot"]) if "spot" in said else None,
        )

    def _time(self, text: str) -> datetime | None:
        assert self._profile.time_format is not None  # noqa: S101 - the profile's model says so
        try:
            read = datetime.strptime(text, self._profile.time_format)  # noqa: DTZ007 - the zone is put in below
        except ValueError:
            return None
        local = read if read.tzinfo is not None else read.replace(tzinfo=self._zone)
        return local.astimezone(UTC)

    def _other_mark(self, line: str) -> str:
        has, reads = ("comma", "points") if self._profile.decimal_mark == "." else ("point", "commas")
        mark = "," if has == "comma" else "."
        return (
            f"{_cut(line)!r} has a decimal {has}, and profile {self._profile.title!r} reads {reads}; "
            f'use a profile with decimal_mark = "{mark}"'
        )


def _plain(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value)


def _cut(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."
