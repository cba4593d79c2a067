"""The check digit of the lines that are taught: found, or asked about."""

from collections.abc import Sequence

from ingest.teaching_checks import FoundCheck, checks_that_fit, tail_of
from ingest.teaching_lesson import Lesson
from ingest.teaching_questions import (
    Choice,
    Question,
    another_reading,
    dead_end,
)
from schemas.units import unit_of


def find_check(lesson: Lesson) -> bool:
    """Find the check digit; return False where that must be settled first."""
    given = lesson.given
    shown = [lesson.texts[i] for i in lesson.shown]
    if len(shown) < 2:
        return True
    others = [t for i, t in lesson.texts.items() if i not in given.shown]
    beyond = [given.lines[i] for i in lesson.shown if not given.lines[i].isascii()]
    encoding = None if not beyond else "utf-8" if all(_is_utf8(data) for data in beyond) else "latin-1"
    fits = [f for f in checks_that_fit(shown, others, encoding) if given.answers.get(f"check:{_check_name(f)}") != "no"]
    sure = _as_most_lines_write_it([f for f in fits if f.is_sure])
    if len(sure) == 1 or (len(sure) > 1 and (answer := given.answers.get("check"))):
        lesson.check = sure[0] if len(sure) == 1 else next((f for f in sure if _check_name(f) == answer), sure[0])
        lesson.tail = _tail_pattern(lesson.check)
        return True
    if fits and lesson.may_take_another:
        lesson.questions.append(
            another_reading(
                "check",
                f"{_check_name(fits[0])} fits the end of the lines, and may do so by chance; take one more reading",
            )
        )
        return False
    if len(sure) > 1:
        lesson.ask(
            Question(
                "check",
                "choice",
                "more than one check digit fits the lines; which does the gauge's manual name?",
                tuple(Choice(_check_name(f), _check_name(f)) for f in sure),
            )
        )
        return False
    for fit in fits:
        key = f"check:{_check_name(fit)}"
        answer = lesson.ask(
            Question(
                key,
                "choice",
                f"{_check_name(fit)} fits the end of the lines, and may do so by chance; is it a check digit?",
                (Choice("yes", "yes"), Choice("no", "no")),
            )
        )
        if answer == "yes":
            lesson.check = fit
            lesson.tail = _tail_pattern(fit)
        return answer == "yes"
    return _no_check_unread(lesson, shown)


def _as_most_lines_write_it(sure: Sequence[FoundCheck]) -> list[FoundCheck]:
    """Leave out of a check in capital and in small letters the one that fits fewer of the lines."""
    best: dict[object, float] = {}
    for found in sure:
        best[_but_for_letters(found)] = min(found.chance, best.get(_but_for_letters(found), 1.0))
    return [f for f in sure if f.chance == best[_but_for_letters(f)]]


def _but_for_letters(found: FoundCheck) -> object:
    return found.check.model_copy(update={"written": found.check.written.lower()})


def _tail_pattern(found: FoundCheck) -> str:
    free = found.check.width is None
    return f"(?<![0-9A-Za-z]){found.pattern}" if free else found.pattern


def _no_check_unread(lesson: Lesson, shown: Sequence[str]) -> bool:
    """Ask where the lines end with what looks like a check that none of the usual kinds explains."""
    for pattern in (
        "(?<![0-9A-Za-z])[0-9A-F]{4}",
        "(?<![0-9A-Za-z])[0-9A-F]{2}",
        "(?<![0-9A-Za-z])[0-9a-f]{4}",
        "(?<![0-9A-Za-z])[0-9a-f]{2}",
    ):
        tails = [tail_of(text, pattern) for text in shown]
        pieces = {t.piece for t in tails if t is not None}
        if None in tails or len(pieces) < 2 or not _looks_hex(pieces):
            continue
        answer = lesson.ask(
            Question(
                "unread-check",
                "choice",
                f"the lines end with {', '.join(sorted(pieces))}, which may be a check digit and fits none of the usual kinds; "
                "read the lines without checking them?",
                (
                    Choice("unchecked", "yes: a line that was damaged on its way may then be read wrong"),
                    Choice("no-check", "it is no check digit"),
                    Choice("stop", "no: make no profile"),
                ),
            )
        )
        if answer == "stop":
            lesson.questions.append(dead_end("unread-check", "no profile is made, as you said"))
        if answer == "unchecked":
            lesson.tail = pattern
        return answer in ("unchecked", "no-check")
    return True


def _looks_hex(pieces: set[str]) -> bool:
    joined = "".join(pieces)
    mixed = any(c.isdigit() for c in joined) and any(c.isalpha() for c in joined)
    return mixed and not any(unit_of(p) for p in pieces)


def _check_name(found: FoundCheck) -> str:
    check = found.check
    span = "the whole line before it"
    if check.skip_first or check.skip_last:
        left_out = []
        if check.skip_first:
            left_out.append("the first character")
        if check.skip_last:
            left_out.append(
                f"the last {check.skip_last} before it" if check.skip_last > 1 else "the character before it"
            )
        span = f"the line without {' and without '.join(left_out)}"
    order = ", low byte first" if check.low_byte_first else ""
    return f"{check.kind} of {span}, {check.written}{order}"


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
