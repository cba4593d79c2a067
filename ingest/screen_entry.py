"""What a person is about to do on the capture screen: what is being typed, what is asked, which keys there are. Pure values."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.capture_state import Act


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyHint:
    """A key and what it does, as it is written at the bottom of the screen."""

    key: str
    letter: str
    does: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the screen itself asks before it does something.

    Attributes:
        title: The question.
        choices: What can be picked by number; all of them.
        first: Index of the first choice that is shown; at most nine are, then 0 shows more.
        text: What has been typed so far, where a text is asked for; None where a number is.
        detail: More about it.
    """

    title: str
    choices: tuple[str, ...] = ()
    first: int = 0
    text: str | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """All that the screen shows beside what the capture says.

    Attributes:
        typed: The line that is being typed, where the keyboard is the link; None where it is not.
        asked: What the screen asks; None where it asks nothing.
        said: What became of the last key or scan, where the capture knows nothing of it.
        hints: The keys, most needed first.
        help: Whether the whole list of keys is shown.
    """

    typed: str | None = None
    asked: Asked | None = None
    said: str = ""
    hints: tuple[KeyHint, ...] = ()
    help: bool = False


#: The keys, by what they do: function key, letter (with Ctrl where letters are data), words on the screen.
#: Those most needed with gloves on come first.
KEYS: tuple[tuple[Act, KeyHint], ...] = (
    (Act.REQUEST, KeyHint(key="F2", letter="r", does="read now")),
    (Act.UNDO, KeyHint(key="F3", letter="u", does="undo")),
    (Act.EXCLUDE, KeyHint(key="F4", letter="x", does="exclude")),
    (Act.SKIP, KeyHint(key="F5", letter="s", does="skip")),
    (Act.NEXT_PIECE, KeyHint(key="F6", letter="n", does="next piece")),
    (Act.GO_TO, KeyHint(key="F7", letter="g", does="go to")),
    (Act.NOTE, KeyHint(key="F8", letter="t", does="note")),
    (Act.PAUSE, KeyHint(key="F9", letter="p", does="pause")),
    (Act.FINISH, KeyHint(key="F10", letter="f", does="finish")),
    (Act.ACCEPT, KeyHint(key="F11", letter="a", does="take it in")),
    (Act.LEAVE_OUT, KeyHint(key="F12", letter="l", does="leave it out")),
)
HELP_HINT = KeyHint(key="F1", letter="h", does="help")

#: What each key does, at length.
EXPLAINED: dict[Act, str] = {
    Act.REQUEST: "ask the gauge for a reading",
    Act.UNDO: "do not count the last reading; it is kept, and its place is measured again",
    Act.EXCLUDE: "do not count the last reading, with a reason",
    Act.SKIP: "leave out the rest of this location, with a reason",
    Act.NEXT_PIECE: "go on with the next piece; what is missing here can be measured later (go to)",
    Act.GO_TO: "measure at another location or piece; or scan its name",
    Act.NOTE: "keep a note beside the readings",
    Act.PAUSE: "pause: what comes is kept and is no reading; the same key goes on",
    Act.FINISH: "finish, or stop and go on later; nothing that was taken is lost",
    Act.ACCEPT: "take in the line that is asked about, with a reason",
    Act.LEAVE_OUT: "keep the line that is asked about as no reading",
}
