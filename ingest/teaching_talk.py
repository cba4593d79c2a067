"""The talk in which an inspector teaches a gauge at the terminal: readings, choices, and what other lines mean."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.decoding import Rejected
from ingest.teaching import Question, Shown, Taught, teach
from ingest.teaching_sources import OTHER_ENDS, USUAL_BAUDS, LiveSource, end_of, holds, is_garbage
from schemas.errors import BadInput
from schemas.transport import Serial

_SHOW: Final = 40
#: So long is waited for the line of a reading that was just taken.
_WAIT_S: Final = 20.0
#: Once some line came, its own comes within this time.
_LATE_S: Final = 3.0


def check_settings(settings: Mapping[str, Any]) -> None:
    """Raise BadInput where the settings of the serial line are none."""
    if "serial" in settings:
        Serial.checked(settings["serial"], "--baud")


def visible(text: str) -> str:
    """Return *text* with its control characters in hex."""
    return "".join(c if c.isprintable() else f"<{ord(c):02X}>" for c in text)


class Talk:
    """A lesson in which a person is asked at the terminal."""

    def __init__(
        self,
        title: str,
        answers: Mapping[str, str],
        zone: ZoneInfo,
        settings: dict[str, Any],
        lines: list[bytes],
        source: LiveSource | None = None,
    ) -> None:
        self._title = title
        self._answers = dict(answers)
        self._lines = lines
        self._source = source
        self._settings = settings
        self._zone = zone
        self._known = 0 if source is not None else len(lines)
        self._taught = teach(
            lines[: self._known],
            {},
            title=title,
            zone=zone,
            settings=settings,
            answers=answers,
        )
        self._put_off: set[str] = set()

    def lesson(self) -> Taught:
        """Ask until nothing is open, or nothing more can be said."""
        if self._source is not None:
            print(f"Listening to {self._source.address.name}. Take a reading with the gauge.")
        while self._taught.profile is None:
            question = next((q for q in self._ordered() if q.key not in self._put_off), None)
            if question is None:
                return self._taught
            if not (self._reading(question) if question.kind == "reading" else self._choice(question)):
                return self._taught
        self._name_others()
        return self._taught

    def close(self) -> None:
        """Let go of the gauge; the link may be another than the one that was begun with."""
        if self._source is not None:
            self._source.close()

    def _ordered(self) -> list[Question]:
        """Return what can be answered, words first: they are quicker than readings."""
        return sorted((q for q in self._taught.questions if q.kind != "dead end"), key=lambda q: q.kind == "reading")

    def _asked(self, sentence: str) -> str | None:
        print(sentence, end=" ", flush=True)
        line = sys.stdin.readline()
        if not line:
            print()
            return None
        return line.strip()

    def _choice(self, question: Question) -> bool:
        print(f"{question.sentence}")
        for number, choice in enumerate(question.choices, 1):
            print(f"  {number}  {choice.text}")
        said = self._asked("Number (Enter: leave it open):")
        if said is None:
            return False
        if not said:
            self._put_off.add(question.key)
            return True
        if not said.isdigit() or not 1 <= int(said) <= len(question.choices):
            print(f"  {said!r} is none of these; write a number from 1 to {len(question.choices)}")
            return True
        try:
            self._taught = self._taught.answer(question, question.choices[int(said) - 1].key)
        except BadInput as wrong:
            print(f"  {wrong.sentence}")
        return True

    def _reading(self, question: Question) -> bool:
        print(question.sentence[0].upper() + question.sentence[1:])
        for number, choice in enumerate(question.choices, 1):
            print(f"  ={number}  {choice.text}")
        if self._source is None:
            self._list_lines()
            said = self._asked("Line and what the display showed, as in 3=82.5 um (Enter: leave it open):")
        else:
            said = self._asked("The display shows, as in 82.5 um (Enter: leave it open):")
        if said is None:
            return False
        try:
            self._said_of_reading(question, said)
        except BadInput as wrong:
            print(f"  {wrong.sentence}")
        return True

    def _said_of_reading(self, question: Question, said: str) -> None:
        """Take the answer to what a reading settles: one of the choices, or a reading.

        Raises:
            BadInput: It is neither.
        """
        number, equals, reading = said.partition("=")
        if not said:
            self._put_off.add(question.key)
        elif equals and not number and reading.isdigit() and 1 <= int(reading) <= len(question.choices):
            self._taught = self._taught.answer(question, question.choices[int(reading) - 1].key)
        elif self._source is not None:
            self._take(Shown.of(said))
        elif not equals or not number.strip().isdigit():
            raise BadInput(f"{said!r}: write the number of the line and the reading, as in 3=82.5 um")
        else:
            self._taught = self._taught.with_reading([], {int(number) - 1: Shown.of(reading)})

    def _list_lines(self) -> None:
        for line in self._taught.lines[:_SHOW]:
            print(f"  {line.index + 1:>3}  {visible(line.text)}" + (f"   = {line.shown}" if line.shown else ""))

    def _take(self, shown: Any) -> None:
        """Find the line of a reading that was just taken."""
        source = self._source
        if source is None:
            return
        taken = self._taught.given.shown

        def fitting() -> list[int]:
            return [i for i in range(len(source.lines)) if i not in taken and holds(source.lines[i], shown)]

        if not source.wait(_WAIT_S, lambda: bool(source.lines[self._known :] or fitting())) and self._no_end():
            self._take(shown)
            return
        source.wait(_LATE_S, lambda: bool(fitting()) or is_garbage(source.lines[self._known :]))
        found = fitting()
        new = source.lines[self._known :]
        if not found and is_garbage(new):
            self._other_baud()
            return
        if not found:
            print(
                f"  no line holds {shown}; these came since:" if new else f"  nothing came for {shown}; take it again"
            )
            for i, data in enumerate(new, self._known + 1):
                print(f"  {i:>3}  {visible(data.decode('utf-8', 'backslashreplace'))}")
            return
        at = found[0]
        if len(found) > 1 and len({source.lines[i] for i in found}) > 1:
            for i in found:
                print(f"  {i + 1:>3}  {visible(source.lines[i].decode('utf-8', 'backslashreplace'))}")
            said = self._asked("More than one line holds it. Which is the reading?")
            at = int(said) - 1 if said and said.isdigit() and int(said) - 1 in found else -1
        if at < 0:
            print("  none was taken; say again what the display shows")
            return
        print(f"  line {at + 1}: {visible(source.lines[at].decode('utf-8', 'backslashreplace'))}")
        more = source.lines[self._known :]
        self._known = len(source.lines)
        self._taught = self._taught.with_reading(more, {at: shown}, source.arrived)

    def _other_baud(self) -> None:
        """Offer another baud rate where what comes is no text."""
        source = self._source
        if source is None:
            return
        now = self._settings.get("serial", {}).get("baud", 9600)
        if source.address.scheme not in ("serial", "rfc2217"):
            print("  what comes is no text; look at the settings of the gauge and of the device between")
            return
        rates = ", ".join(str(rate) for rate in USUAL_BAUDS)
        said = self._asked(f"  What comes at {now} baud is no text. Which rate shall be tried ({rates})?")
        if not said or not said.isdigit():
            return
        self._settings["serial"] = {"baud": int(said)}
        check_settings(self._settings)
        source.close()
        self._listen_anew(source, [])
        print(f"  Listening at {said} baud. Take the reading again.")

    def _no_end(self) -> bool:
        """Look whether something came that nothing ended; if so, listen on with the end that the gauge has."""
        source = self._source
        if source is None or self._known:
            return False
        tail = source.tail()
        if not tail:
            self._listen_anew(source, [])
            return False
        ends, lines = end_of(tail)
        self._settings |= ends
        named = OTHER_ENDS[ends["line_end"]] if "line_end" in ends else f"a pause of {ends['idle_end_ms']} ms"
        print(f"  The gauge ends its lines with neither CR nor LF; {named} is taken for the end.")
        self._listen_anew(source, lines)
        return True

    def _listen_anew(self, before: LiveSource, lines: list[bytes]) -> None:
        """Open the link again, with other settings; *lines* came before."""
        self._source = LiveSource(before.address, self._settings, self._zone, before.tell, lines=list(lines))
        self._lines = self._source.lines
        self._source.start()
        self._known = 0
        self._taught = teach(
            [],
            {},
            title=self._title,
            zone=self._zone,
            settings=self._settings,
            answers=self._answers,
        )

    def _name_others(self) -> None:
        """Ask what the lines say that are not understood."""
        passed: set[int] = set()
        while True:
            line = next((s for s in self._taught.lines if isinstance(s.said, Rejected) and s.index not in passed), None)
            if line is None:
                return
            passed.add(line.index)
            said = self._asked(
                f"Line {line.index + 1}, {visible(line.text)!r}, is not understood. What does it mean (Enter: leave it)?"
            )
            if said is None:
                return
            if said:
                try:
                    self._taught = self._taught.with_name(line.index, said)
                except BadInput as wrong:
                    print(f"  {wrong.sentence}")
