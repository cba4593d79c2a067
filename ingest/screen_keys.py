"""Key presses to what a person means. Pure: no terminal, no clock; times come with the presses.

A plain letter acts only when nothing follows it for a moment. Letters that come as fast as no fingers type are a scanner or
a gauge that types: ended by Enter they are one text, otherwise nothing; never keys one by one. The same key held down,
or pressed again at once, acts once. So a glove that slides over the keys does no harm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, NamedTuple

from ingest.capture_state import Act, Doubt, Shown
from ingest.framing import Frame
from ingest.links.key_lines import Entered, Key, KeyLine, KeyLines
from ingest.screen_entry import HELP_HINT, KEYS, Asked, Entry, KeyHint

#: Characters closer than this are one burst. Scanners type a character in 1 to 20 ms (from memory); fingers take about 100.
BURST_GAP_NS: Final = 80_000_000
#: While a text is typed on a keyboard that is the link: a burst has at least so many characters, and so little time for each.
_BURST_IN_TEXT: Final = 3
_BURST_IN_TEXT_NS: Final = 30_000_000
#: The same key within this time is a key held down or a finger that trembled. Longer than the usual delay before a
#: keyboard repeats (half a second, common practice, no source).
AGAIN_NS: Final = 700_000_000
_LONGEST_TEXT: Final = 200
_LONGEST_LINE_BYTES: Final = 1024
_A_PAGE: Final = 9

# Usual reasons: common practice, no source.
EXCLUDE_REASONS: Final = (
    "probe slipped",
    "on an edge",
    "dirt under the probe",
    "surface damaged",
    "wrong place measured",
    "part still warm",
)
SKIP_REASONS: Final = ("cannot be reached", "masked", "surface damaged", "not coated here", "piece taken away")
#: By what the question is about: one key press must not say what has nothing to do with it.
ACCEPT_REASONS: Final = {
    Doubt.LINK: ("the display shows this reading",),
    Doubt.COUNTER: ("the display shows this reading", "one reading was deleted on the gauge"),
    Doubt.UNIT: ("unit looked at, it is right",),
    Doubt.GATE: ("only to set up; no certificate is wanted", "the check is made right after"),
    Doubt.DEVICE: ("same gauge, its maker's number",),
}
_ACCEPT_TITLES: Final = {
    Doubt.GATE: "Why is it measured although no check covers the gauge?",
    Doubt.DEVICE: "Why are the readings of this device taken?",
}
#: Ctrl-U: what a line that is typed is cleared with.
_CLEARS: Final = b"\x15"
_OWN_WORDS: Final = "another reason"

_BY_KEY: Final = {hint.key.lower(): act for act, hint in KEYS}
_BY_LETTER: Final = {hint.letter: act for act, hint in KEYS}
_BY_CONTROL: Final = {f"c-{hint.letter}": act for act, hint in KEYS}
_ONCE: Final = frozenset({Act.UNDO, Act.NEXT_PIECE, Act.PAUSE, Act.REQUEST, Act.LEAVE_OUT})


class Press(NamedTuple):
    """A key press: name as prompt_toolkit has it ("f3", "c-u", "a"), its data as it came, monotonic time."""

    key: str
    data: str
    at_ns: int


class Leave(StrEnum):
    """How a person wants to go."""

    FINISH = "finish"
    LATER = "later"
    SUSPEND = "suspend"


@dataclass(frozen=True, slots=True)
class Do:
    """An act is to be carried out."""

    act: Act
    text: str | None = None


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A line was typed, or came from a gauge that types, and goes the way of every line."""

    line: KeyLine


@dataclass(frozen=True, slots=True)
class Go:
    """The person wants to go."""

    how: Leave


Step = Do | TypedLine | Go


class PlaceKind(StrEnum):
    """What a name names."""

    PIECE = "piece"
    LOCATION = "location"


def go_to_text(kind: PlaceKind, name: str) -> str:
    """Return the text that comes with Act.GO_TO: the word of an inspector, "@piece NAME" or "@location NAME"."""
    return f"@{kind.value} {name}"


#: Comes with Act.GO_TO where readings on the finished part follow those before coating.
ON_COATED: Final = "@coated"


def before_coating_text(location: str | None) -> str:
    """Return the text that comes with Act.GO_TO where what follows is read before coating; None: for every location."""
    return f"@base {'*' if location is None else location}"


def _always(shown: Shown) -> bool:
    return True


class _Text(NamedTuple):
    title: str
    done: Callable[[str], list[Step]]
    still: Callable[[Shown], bool] = _always


class _Pick(NamedTuple):
    title: str
    choices: tuple[str, ...]
    picked: Callable[[int], list[Step]]
    detail: str = ""
    still: Callable[[Shown], bool] = _always


@dataclass(slots=True)
class ScreenKeys:
    """What the keys mean, from press to press.

    Args:
        keyboard_is_link: Letters and digits are data; only function keys and Ctrl- keys act.
        can_request: Whether the gauge can be asked for a reading.
        pieces: Names of the pieces, in order.
        lines: Makes lines of what comes where the keyboard is the link, by the gauge's profile.
    """

    keyboard_is_link: bool
    can_request: bool
    pieces: tuple[str, ...]
    lines: KeyLines = field(default_factory=lambda: KeyLines(_LONGEST_LINE_BYTES))
    said: str = ""
    _text: str = ""
    _asking: _Text | _Pick | None = None
    _first: int = 0
    _digit_ns: tuple[str, int] | None = None
    _help: bool = False
    _pending: list[Press] = field(default_factory=list)
    _last_ns: dict[str, int] = field(default_factory=dict)

    def press(self, press: Press, shown: Shown) -> list[Step]:
        """Return what *press* brings about."""
        self._look_whether_it_still_holds(shown)
        steps = self.tick(press.at_ns, shown)
        if press.key in ("<cursor-position-response>", "<vt100-mouse-event>", "<windows-mouse-event>", "<ignore>"):
            return steps
        if press.key == "<bracketed-paste>":
            for letter in press.data:
                steps += self.press(Press("c-m" if letter in "\r\n" else letter, letter, press.at_ns), shown)
            return steps
        if self._is_data(press):
            heard = self.lines.feed(press.data.encode("utf-8", "surrogateescape"), press.at_ns)
            return [*steps, *self._heard(heard, press.at_ns, shown)]
        if press.key == "c-c":
            return [*steps, *self._flushed(shown), Go(Leave.LATER)]
        if press.key == "c-z":
            return [*steps, *self._flushed(shown), Go(Leave.SUSPEND)]
        if self._is_letter(press):
            if isinstance(self._asking, _Text) and not self.keyboard_is_link:
                self._text = (self._text + press.data)[:_LONGEST_TEXT]
                return steps
            self._pending.append(press)
            return steps
        if press.key in ("c-m", "c-j"):
            return [*steps, *self._enter(press, shown)]
        return [*steps, *self._flushed(shown), *self._special(press, shown)]

    def tick(self, now_ns: int, shown: Shown) -> list[Step]:
        """Return what has come about by *now_ns* with no further press."""
        self._look_whether_it_still_holds(shown)
        steps = self._heard(self.lines.tick(now_ns), now_ns, shown) if self.keyboard_is_link else []
        if self._pending and now_ns - self._pending[-1].at_ns >= BURST_GAP_NS:
            steps += self._flushed(shown)
        return steps

    def _look_whether_it_still_holds(self, shown: Shown) -> None:
        """What is asked about a reading or a place must not hit another one that has come meanwhile."""
        if self._asking is not None and not self._asking.still(shown):
            self._asking, self._text = None, ""
            self.said = "Meanwhile another reading came, so nothing was done; press the key again"

    @property
    def pending(self) -> bool:
        """Return whether letters wait for what follows them."""
        return bool(self._pending)

    @property
    def deadline_ns(self) -> int | None:
        """Return the time at which :meth:`tick` is wanted, or None."""
        due = [self._pending[-1].at_ns + BURST_GAP_NS] if self._pending else []
        if self.keyboard_is_link and (line_due := self.lines.due_ns()) is not None:
            due.append(line_due)
        return min(due, default=None)

    def entry(self, shown: Shown) -> Entry:
        """Return what of this is to be seen."""
        asked = None
        match self._asking:
            case _Text():
                asked = Asked(title=self._asking.title, text=self._text)
            case _Pick():
                asked = Asked(
                    title=self._asking.title,
                    choices=self._asking.choices,
                    first=self._first,
                    detail=self._asking.detail,
                )
        return Entry(
            typed=self.lines.text.decode("utf-8", "surrogateescape") if self.keyboard_is_link else None,
            asked=asked,
            said=self.said,
            hints=self._hints(shown),
            help=self._help,
        )

    def _hints(self, shown: Shown) -> tuple[KeyHint, ...]:
        by_act = dict(KEYS)
        if shown.question is not None:
            return (HELP_HINT, by_act[Act.NOTE], by_act[Act.FINISH])  # the answers stand beside the question
        left_out = {Act.ACCEPT, Act.LEAVE_OUT} | (set() if self.can_request else {Act.REQUEST})
        return (HELP_HINT, *[hint for act, hint in KEYS if act not in left_out])

    @staticmethod
    def _is_letter(press: Press) -> bool:
        return len(press.key) == 1 and press.key >= " "

    # where the keyboard is the link

    def _is_data(self, press: Press) -> bool:
        return self.keyboard_is_link and self._asking is None and not self._help and bool(press.data)

    def _heard(self, heard: list[KeyLine | Key], at_ns: int, shown: Shown) -> list[Step]:
        """Return what lines and keys bring about that are told apart by their pace (ingest/links/key_lines.py)."""
        steps: list[Step] = []
        for one in heard:
            if isinstance(one, KeyLine):
                self.said = ""
                if one.frame.data.strip() or one.entered is Entered.MIXED:
                    steps += self._line(one, shown)
            elif one.name == "ctrl-c":
                steps.append(Go(Leave.LATER))
            elif one.name == "ctrl-z":
                steps.append(Go(Leave.SUSPEND))
            else:
                name = one.name.replace("ctrl-", "c-").replace("backspace", "c-h")
                steps += self._special(Press(name, "", at_ns), shown)
        return steps

    def _line(self, line: KeyLine, shown: Shown) -> list[Step]:
        text = line.frame.data.decode("utf-8", "surrogateescape")
        if line.entered is Entered.MIXED or not any(letter.isalpha() for letter in text):
            return [TypedLine(line)]  # it may as well be a reading, or nobody knows what it is
        steps = self._named(text, shown)
        return [TypedLine(line)] if steps is None else steps

    # letters that waited

    def _flushed(self, shown: Shown) -> list[Step]:
        """Take the letters that waited for what they are: a key, typing, or a burst that nothing ended."""
        waited, self._pending = self._pending, []
        if not waited:
            return []
        if isinstance(self._asking, _Text):
            self._text = (self._text + "".join(p.data for p in waited))[:_LONGEST_TEXT]
            return []
        if len(waited) > 1:
            if {p.key for p in waited} == {waited[0].key}:  # one key, held down
                return self._letter(waited[0], shown)
            self._say_unknown("".join(p.data for p in waited))
            return []
        return self._letter(waited[0], shown)

    def _enter(self, press: Press, shown: Shown) -> list[Step]:
        waited = self._pending
        if isinstance(self._asking, _Text):
            if self.keyboard_is_link and _is_fast([*waited, press]):
                self._pending = []
                return self._whole("".join(p.data for p in waited), shown)
            self._flushed(shown)
            text = self._text.strip()
            if not text:
                self.said = "Nothing was written yet; write it and press Enter, or go back with Esc"
                return []
            asking, self._asking, self._text = self._asking, None, ""
            return asking.done(text)
        if waited:
            self._pending = []
            return self._whole("".join(p.data for p in waited), shown)
        if self._help:
            self._help = False
        return []

    def _whole(self, text: str, shown: Shown) -> list[Step]:
        """Take a text that came whole and as fast as no fingers type: from a scanner, or from a gauge that types."""
        self._help = False
        if self.keyboard_is_link:
            data = text.encode("utf-8", "surrogateescape")
            return self._line(KeyLine(Frame(data, len(data)), Entered.WEDGE), shown)
        steps = self._named(text, shown)
        if steps is None:
            self._say_unknown(text)
        return steps or []

    def _named(self, text: str, shown: Shown) -> list[Step] | None:
        """Return how to go to the piece or location that *text* names, nothing where it names both, None where neither."""
        name = text.strip()
        kinds = [PlaceKind.PIECE] if name in self.pieces else []
        if any(count.location == name for count in shown.locations):
            kinds.append(PlaceKind.LOCATION)
        if not kinds:
            return None
        if len(kinds) > 1:
            self.said = (
                f"{name!r} is a piece and a location as well; press {_key_of(Act.GO_TO)} and pick the one you mean"
            )
            return []
        self._asking = None
        self.said = ""
        return [Do(Act.GO_TO, go_to_text(kinds[0], name))]

    def _say_unknown(self, text: str) -> None:
        cut = text if len(text) <= 40 else text[:40] + "…"
        self.said = f"{cut!r} was scanned or typed and is no piece and no location here; nothing was done"

    # keys

    def _letter(self, press: Press, shown: Shown) -> list[Step]:
        letter = press.key.lower()
        self.said = ""
        if self._help:
            self._help = False
            return []
        if isinstance(self._asking, _Pick):
            before, self._digit_ns = self._digit_ns, (letter, press.at_ns)
            if before is not None and before[0] == letter and press.at_ns - before[1] < AGAIN_NS and letter != "0":
                return []
            return self._digit(letter)
        if letter in (HELP_HINT.letter, "?"):
            self._help = True
            return []
        act = _BY_LETTER.get(letter)
        return self._act(act, press.at_ns, shown) if act else []

    def _special(self, press: Press, shown: Shown) -> list[Step]:
        key = press.key
        self.said = ""
        if key == "c-h":
            if isinstance(self._asking, _Text):
                self._text = self._text[:-1]
            return []
        if self._help:
            self._help = False
            return []
        if key == "f1":
            self._help = True
            return []
        if key == "escape":
            if self._asking is not None:
                self._asking, self._text = None, ""
            elif self.keyboard_is_link and self.lines.text:
                return self._heard(self.lines.feed(_CLEARS, press.at_ns), press.at_ns, shown)
            return []
        if key in ("pagedown", "down", "right") and isinstance(self._asking, _Pick):
            return self._digit("0")
        act = _BY_KEY.get(key) or _BY_CONTROL.get(key)
        if act is None:
            return []
        if self._asking is not None:
            self._asking, self._text = None, ""
        return self._act(act, press.at_ns, shown)

    def _digit(self, digit: str) -> list[Step]:
        asking = self._asking
        assert isinstance(asking, _Pick)  # noqa: S101 - the callers look
        if digit == "0" and len(asking.choices) > _A_PAGE:
            self._first = self._first + _A_PAGE if self._first + _A_PAGE < len(asking.choices) else 0
            return []
        if len(digit) != 1 or digit not in "123456789":
            return []
        index = self._first + int(digit) - 1
        if index >= len(asking.choices):
            self.said = f"There is no number {digit}"
            return []
        self._asking = None
        return asking.picked(index)

    # acts

    def _act(self, act: Act, at_ns: int, shown: Shown) -> list[Step]:
        before = self._last_ns.get(act)
        self._last_ns[act] = at_ns
        if act in _ONCE and before is not None and at_ns - before < AGAIN_NS:
            return []
        if shown.question is not None and act not in (*shown.question.acts, Act.FINISH, Act.NOTE):
            self.said = "Answer the question first"
            return []
        if shown.question is None and act is Act.LEAVE_OUT:
            self.said = "Nothing is asked"
            return []
        match act:
            case Act.EXCLUDE:
                if shown.last is None:
                    self.said = "There is no reading yet that could be excluded"
                    return []
                said = f"{shown.last.shown} {shown.last.unit} at {shown.last.location}, piece {shown.last.piece}"
                number = shown.last.number
                return self._ask_reason(
                    act,
                    f"Why does {said} not count?",
                    EXCLUDE_REASONS,
                    lambda now: now.last is not None and now.last.number == number,
                )
            case Act.SKIP:
                if shown.next is None:
                    self.said = "Nothing is left that could be skipped"
                    return []
                where = f"{shown.next.location} on piece {shown.next.piece}"
                place = (shown.next.piece, shown.next.location)
                return self._ask_reason(
                    act,
                    f"Why is {where} skipped?",
                    SKIP_REASONS,
                    lambda now: now.next is not None and (now.next.piece, now.next.location) == place,
                )
            case Act.ACCEPT:
                question, message = shown.question, shown.message
                about = question.about if question is not None else Doubt.LINK
                if question is not None:
                    title = _ACCEPT_TITLES.get(about, "Why is it taken in although something speaks against it?")
                else:  # the capture knows whether the last line, one cut short, can still be accepted
                    title = "Why is the last line taken in although it was none?"
                return self._ask_reason(
                    act, title, ACCEPT_REASONS[about], lambda now: (now.question, now.message) == (question, message)
                )
            case Act.NOTE:
                return self._ask_text("What is to be noted?", lambda text: [Do(Act.NOTE, text)])
            case Act.GO_TO:
                return self._ask_place(shown)
            case Act.FINISH:
                return self._ask_finish(shown)
            case Act.REQUEST if not self.can_request:
                self.said = "This gauge cannot be asked; press its own key to send a reading"
                return []
        return [Do(act)]

    def _ask_text(
        self, title: str, done: Callable[[str], list[Step]], still: Callable[[Shown], bool] = _always
    ) -> list[Step]:
        self._asking, self._text = _Text(title, done, still), ""
        return []

    def _ask(self, pick: _Pick, first: int = 0) -> list[Step]:
        self._asking, self._first = pick, first // _A_PAGE * _A_PAGE
        return []

    def _ask_reason(self, act: Act, title: str, reasons: tuple[str, ...], still: Callable[[Shown], bool]) -> list[Step]:
        def picked(index: int) -> list[Step]:
            if index < len(reasons):
                return [Do(act, reasons[index])]
            return self._ask_text(title, lambda text: [Do(act, text)], still)

        return self._ask(_Pick(title, (*reasons, _OWN_WORDS), picked, still=still))

    def _ask_place(self, shown: Shown) -> list[Step]:
        ways: list[tuple[str, Callable[[], list[Step]]]] = [
            ("another location on this piece", lambda: self._ask_location(shown))
        ]
        if len(self.pieces) > 1:
            ways.append(("another piece", lambda: self._ask_piece(shown)))
        if shown.base is not None:
            if shown.next is not None and shown.next.before_coating:
                ways.append(("on the finished part again", lambda: [Do(Act.GO_TO, ON_COATED)]))
            ways.append(("before coating, everywhere", lambda: [Do(Act.GO_TO, before_coating_text(None))]))
            ways += [
                (f"before coating, {count.location}", _before_coating(count.location)) for count in shown.locations
            ]
        if len(ways) == 1:
            return self._ask_location(shown)
        return self._ask(_Pick("Where to?", tuple(said for said, _ in ways), lambda index: ways[index][1]()))

    def _ask_location(self, shown: Shown) -> list[Step]:
        names = tuple(count.location for count in shown.locations)
        lines = tuple(f"{c.location} ({c.counted} of {c.planned})" for c in shown.locations)
        here = names.index(shown.next.location) if shown.next is not None and shown.next.location in names else 0
        return self._ask(
            _Pick("Which location?", lines, lambda i: [Do(Act.GO_TO, go_to_text(PlaceKind.LOCATION, names[i]))]), here
        )

    def _ask_piece(self, shown: Shown) -> list[Step]:
        pieces = self.pieces
        here = pieces.index(shown.next.piece) if shown.next is not None and shown.next.piece in pieces else 0
        lacking = {count.piece: count.lacking for count in shown.pieces}
        lines = tuple(_piece_line(piece, lacking.get(piece)) for piece in pieces)
        return self._ask(
            _Pick("Which piece?", lines, lambda i: [Do(Act.GO_TO, go_to_text(PlaceKind.PIECE, pieces[i]))]), here
        )

    def _ask_finish(self, shown: Shown) -> list[Step]:
        """Ask once where something is missing, and offer to finish only where that will not be refused afterwards."""
        missing = max(0, shown.planned - shown.counted)
        lacking = sum(count.lacking for count in shown.pieces) if shown.pieces else missing if shown.next else 0
        no_base = _measured_without_base(shown)
        if not missing and not no_base and shown.question is None:
            return [Go(Leave.FINISH)]
        skipped = max(0, missing - lacking)
        said = []
        if lacking:
            said.append(f"{lacking} of {shown.planned} {'reading is' if lacking == 1 else 'readings are'} missing.")
        if skipped:
            said.append(
                f"{skipped} {'reading was' if skipped == 1 else 'readings were'} skipped; the verdict will be undecided."
            )
        if no_base:
            said.append(f"Nothing was read before coating for {no_base}, so it cannot be sealed and stays open.")
        if shown.question is not None:
            said.append("A question is not answered: answer it first, or stop for now, and it stays open.")
        ways: list[tuple[str, list[Step]]] = [
            ("go on measuring", []),
            ("stop for now; it stays open, go on later", [Go(Leave.LATER)]),
        ]
        if lacking:
            said.append(
                "To finish without them, skip what cannot be measured, or stop for now and seal it undecided: "
                "'filmtally seal --as-is REASON'."
            )
        elif shown.counted and not no_base and shown.question is None:
            ways.append(("finish now, undecided", [Go(Leave.FINISH)]))
        return self._ask(
            _Pick("Finish?", tuple(words for words, _ in ways), lambda index: ways[index][1], " ".join(said))
        )


def _measured_without_base(shown: Shown) -> str:
    """Return the first location with readings that lack the one before coating, as far as it is in sight; else nothing."""
    missing = shown.base.missing if shown.base is not None else ()
    return next((count.location for count in shown.locations if count.counted and count.location in missing), "")


def _before_coating(location: str) -> Callable[[], list[Step]]:
    return lambda: [Do(Act.GO_TO, before_coating_text(location))]


def _piece_line(piece: str, lacking: int | None) -> str:
    if lacking is None:
        return piece
    return f"{piece} (lacks {lacking})" if lacking else f"{piece} (lacks none)"


def _key_of(act: Act) -> str:
    return dict(KEYS)[act].key


def _is_fast(presses: list[Press]) -> bool:
    """Return whether *presses*, the last of them Enter, came faster than anyone types."""
    if len(presses) <= _BURST_IN_TEXT:
        return False
    return (presses[-1].at_ns - presses[0].at_ns) / (len(presses) - 1) <= _BURST_IN_TEXT_NS
