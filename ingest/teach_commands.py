"""The command `teach`: a line profile from lines of a gauge and what its display showed.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

from ingest.command_line import answers_json, path_said, shop_folder_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any
    from zoneinfo import ZoneInfo

    from archive.shop_folder import ShopFolder
    from ingest.teaching import SeenLine, Taught
    from ingest.teaching_sources import LiveSource
    from schemas.profile import Profile

#: So long is waited for lines of all readings that --shown names.
_WAIT_S = 60.0


def register(commands: Any) -> None:
    teach = commands.add_parser(
        "teach",
        help="make a line profile for a gauge from two or three readings",
        description="Make profiles/NAME.toml from lines of a gauge and what its display shows for two or three of them. "
        "The lines come live (--link), from a file (--from) or are pasted. Without --shown the command asks.",
    )
    teach.add_argument("name", metavar="NAME", help="name of the line profile")
    teach.add_argument(
        "--link", metavar="ADDRESS", help="listen to a gauge: serial:/dev/ttyUSB0, COM3, socket://HOST:PORT, ble:..."
    )
    teach.add_argument("--from", dest="capture", type=path_said, metavar="FILE", help="lines of the gauge in a file")
    teach.add_argument(
        "--shown",
        action="append",
        metavar="[LINE=]READING",
        help='what the display showed, such as "82.5 um", for the next line that holds it, or for the line with this number; repeat it',
    )
    teach.add_argument(
        "--answer", action="append", metavar="QUESTION=CHOICE", help="answer a question that was left open"
    )
    teach.add_argument(
        "--not-reading", action="append", metavar="LINE=MEANING", help="say what a line means that is no reading"
    )
    teach.add_argument("--baud", type=int, metavar="N", help="baud rate of a serial line (default 9600)")
    teach.add_argument("--title", metavar="TEXT", help="title of the profile (default: its name)")
    teach.add_argument("--replace", action="store_true", help="write over a profile that is there")
    teach.add_argument("--dry-run", action="store_true", help="show the proposal, and write nothing")
    answers_json(teach)
    teach.set_defaults(run=_teach)


def _teach(args: argparse.Namespace) -> int:
    from zoneinfo import ZoneInfo

    from ingest.teaching_talk import Talk, check_settings

    folder = shop_folder_of(args)
    shop = folder.shop()
    path = _path(args, folder)
    zone = ZoneInfo(shop.time_zone)
    settings: dict[str, Any] = {"serial": {"baud": args.baud}} if args.baud is not None else {}
    check_settings(settings)
    if args.link is not None:
        return _with_link(args, path, zone, settings)
    lines = _lines_given(args, settings)
    if args.shown is None and sys.stdin.isatty():
        taught = Talk(args.title or args.name, _answer_words(args), zone, settings, lines).lesson()
    else:
        taught = _from_words(args, zone, settings, lines)
    return _end(args, path, taught)


def _path(args: argparse.Namespace, folder: ShopFolder) -> Path:
    import re

    from schemas.errors import BadInput

    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,59}", args.name):
        raise BadInput(
            f"{args.name!r} is no name for a profile; write letters, digits, points and dashes, such as bench-2"
        )
    path = folder.root / "profiles" / f"{args.name}.toml"
    if path.exists() and not args.replace and not args.dry_run:
        raise BadInput(f"{path}: this profile is there already; take another name, or say --replace")
    if args.link is not None and args.capture is not None:
        raise BadInput("--link and --from exclude each other; the lines come from one of them")
    return path


def _lines_given(args: argparse.Namespace, settings: dict[str, Any]) -> list[bytes]:
    from ingest.teaching_sources import OTHER_ENDS, lines_of
    from schemas.errors import BadInput

    if args.capture is not None:
        lines = _capture_lines(args, settings)
        where = str(args.capture)
    else:
        if sys.stdin.isatty():
            print("Paste or type lines of the gauge; an empty line ends them.")
            pasted = []
            for line in sys.stdin:
                if not line.strip():
                    break
                pasted.append(line)
            data = "".join(pasted).encode()
        else:
            stdin = getattr(sys.stdin, "buffer", None)
            data = stdin.read() if stdin is not None else sys.stdin.read().encode()
        lines, end = lines_of(data)
        if end is not None:
            settings["line_end"] = end
        where = "standard input"
    if not any(line.strip() for line in lines):
        raise BadInput(f"{where}: there are no lines; give some that the gauge wrote")
    if "line_end" in settings and not args.json:
        print(f"The lines end with {OTHER_ENDS[settings['line_end']]}; the profile says so.")
    return lines


def _capture_lines(args: argparse.Namespace, settings: dict[str, Any]) -> list[bytes]:
    """Return the lines of a file: of a capture of ours, without their times and without words of the inspector."""
    from ingest.links.file import HEADER, lines
    from ingest.teaching_sources import MOST_LINE_BYTES, lines_of

    raw = list(lines(args.capture, MOST_LINE_BYTES))
    data = args.capture.read_bytes()
    if data.removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].rstrip() == HEADER:
        return [line.frame.data for line in raw if not line.directive]
    found, end = lines_of(data)
    if end is not None:
        settings["line_end"] = end
    return found


def _from_words(args: argparse.Namespace, zone: ZoneInfo, settings: dict[str, Any], lines: list[bytes]) -> Taught:
    """Return what is learnt without asking anybody."""
    from ingest.said import numbered
    from ingest.teaching import teach

    named = {number - 1: meaning for number, meaning in numbered(args.not_reading, "--not-reading").items()}
    return teach(
        lines,
        _shown_words(args, lines),
        answers=_answer_words(args),
        named=named,
        title=args.title or args.name,
        zone=zone,
        settings=settings,
    )


def _shown_words(args: argparse.Namespace, lines: list[bytes]) -> dict[int, Any]:
    import re

    from ingest.teaching import Shown
    from ingest.teaching_sources import holds
    from schemas.errors import BadInput

    shown = {}
    after = -1
    for said in args.shown or ():
        match = re.fullmatch(r"\s*([0-9]{1,6})\s*=(.*)", said)
        reading = Shown.of(match[2] if match else said)
        if match:
            at = int(match[1]) - 1
            if not 0 <= at < len(lines):
                raise BadInput(f"--shown {said}: there is no line {match[1]}; {len(lines)} lines came")
        else:
            found = next((i for i in range(after + 1, len(lines)) if holds(lines[i], reading)), None)
            if found is None:
                where = f"no line after line {after + 1}" if after >= 0 else "no line"
                raise BadInput(
                    f"--shown {said}: {where} holds these figures; look again, or name the line as in --shown 3={said}"
                )
            at = found
        if at in shown:
            raise BadInput(f"--shown {said}: line {at + 1} has a reading already; say each line once")
        shown[at] = reading
        after = at
    return shown


def _answer_words(args: argparse.Namespace) -> dict[str, str]:
    from schemas.errors import BadInput

    answers = {}
    for said in args.answer or ():
        key, equals, choice = said.rpartition("=")
        if not equals or not key:
            raise BadInput(f"--answer {said}: write it as QUESTION=CHOICE, as the question is printed")
        answers[key] = choice
    return answers


# Live


def _with_link(args: argparse.Namespace, path: Path, zone: ZoneInfo, settings: dict[str, Any]) -> int:
    from ingest.links.address import address_of
    from ingest.teaching_sources import LiveSource
    from ingest.teaching_talk import Talk

    address = address_of(args.link)
    source = LiveSource(address, settings, zone, lambda note: print(f"  {note}", file=sys.stderr))
    source.start()
    talk = (
        Talk(args.title or args.name, _answer_words(args), zone, settings, source.lines, source)
        if args.shown is None
        else None
    )
    try:
        taught = talk.lesson() if talk is not None else _listen_for_words(args, zone, settings, source)
    finally:
        source.close()
        if talk is not None:
            talk.close()
    return _end(args, path, taught)


def _listen_for_words(args: argparse.Namespace, zone: ZoneInfo, settings: dict[str, Any], source: LiveSource) -> Taught:
    """Listen until a line of every reading that --shown names has come."""
    from ingest.teaching import Shown
    from ingest.teaching_sources import holds

    wanted = [Shown.of(said.rpartition("=")[2]) for said in args.shown]

    def all_came() -> bool:
        at = 0
        for shown in wanted:
            at = next((i + 1 for i in range(at, len(source.lines)) if holds(source.lines[i], shown)), -1)
            if at < 0:
                return False
        return True

    source.wait(_WAIT_S, all_came)
    return _from_words(args, zone, settings, source.lines)


# The end


def _end(args: argparse.Namespace, path: Path, taught: Taught) -> int:
    from ingest.profile_toml import profile_toml
    from ingest.teaching_sources import is_garbage

    lines = list(taught.given.lines)
    if taught.profile is None:
        return _stays_open(args, taught, garbage=is_garbage(lines))
    text = profile_toml(taught.profile, (f"Taught from {len(taught.given.shown)} readings.", *taught.notes))
    _reads_back(path, text, taught)
    if not args.dry_run:
        _write(path, text)
    if args.json:
        _print_json(taught, written=None if args.dry_run else str(path))
        return 0
    _show(taught)
    if args.dry_run:
        print(text, end="")
        return 0
    print(f"written: {path}")
    print(f'To use it for a gauge, add to its entry under [[gauge]] in shop.toml: profile = "{args.name}"')
    return 0


def _show(taught: Taught) -> None:
    from ingest.teaching_talk import visible

    for line in taught.lines:
        if line.text.strip():
            print(f"line {line.index + 1}: {visible(line.text)}  ->  {_read_as(line)}")
    for note in taught.notes:
        print(f"note: {note}")


def _read_as(line: SeenLine) -> str:
    from ingest.decoding import DecodedReading, NotAReading, Rejected

    said = line.said
    if isinstance(said, DecodedReading):
        parts = [f"{said.shown} {said.unit.symbol}"]
        if said.counter is not None:
            parts.append(f"counter {said.counter}")
        if said.taken_at is not None:
            parts.append(f"taken {said.taken_at:%Y-%m-%d %H:%M:%S} UTC")
        if said.mode is not None:
            parts.append(str(said.mode))
        return ", ".join(parts) + (f" (the display showed {line.shown})" if line.shown else "")
    if isinstance(said, NotAReading):
        return f"no reading: {said.meaning}"
    if isinstance(said, Rejected):
        return f"not understood: {said.why}"
    return "open" if said is None else "blank"


def _stays_open(args: argparse.Namespace, taught: Taught, *, garbage: bool) -> int:
    count = len(taught.questions)
    if args.json:
        _print_json(taught, written=None)
    else:
        if taught.draft is not None:
            print("As far as it is known, the lines are read so:")
            _show(taught)
        for question in taught.questions:
            print(f"open: {question.sentence}")
            for choice in question.choices:
                print(f"      --answer '{question.key}={choice.key}'  {choice.text}")
    why = f"{count} {'thing is' if count == 1 else 'things are'} open, and nothing was written; answer what is asked above"
    if garbage:
        why = "most of what came is no text, and nothing was written; try another rate with --baud, such as 19200 or 115200"
    print(f"filmtally: {args.name}: {why}", file=sys.stderr)
    return 2


def _print_json(taught: Taught, written: str | None) -> None:
    import json

    from ingest.decoding import Blank, DecodedReading, NotAReading, Rejected

    kinds = {DecodedReading: "reading", NotAReading: "not-a-reading", Rejected: "not-understood", Blank: "blank"}
    answer = {
        "written": written,
        "profile": json.loads(taught.profile.to_json()) if taught.profile is not None else None,
        "questions": [
            {"key": q.key, "kind": q.kind, "sentence": q.sentence, "choices": {c.key: c.text for c in q.choices}}
            for q in taught.questions
        ],
        "lines": [
            {"line": s.index + 1, "text": s.text, "is": kinds.get(type(s.said), "open"), "read_as": _read_as(s)}
            for s in taught.lines
        ],
        "notes": list(taught.notes),
    }
    print(json.dumps(answer, ensure_ascii=False))


def _reads_back(path: Path, text: str, taught: Taught) -> None:
    """Raise where the file would not be the profile that was shown: what is written is what was looked at."""
    import tomllib
    from decimal import Decimal

    from ingest.teaching import read_by
    from schemas.profile import Profile

    profile: Profile = Profile.checked(tomllib.loads(text, parse_float=Decimal), str(path))
    if profile != taught.profile or read_by(taught.given, profile) != taught.lines:
        raise AssertionError(f"{path}: the file reads otherwise than the proposal")


def _write(path: Path, text: str) -> None:
    from archive.commit import make_folder, write_over

    make_folder(path.parent)
    write_over(path, text.encode())
