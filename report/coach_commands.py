"""The command that says what to change while the rack still cools: coach.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from report.at_hand import archive_of, folder_of, path_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from decimal import Decimal
    from typing import Any
    from zoneinfo import ZoneInfo

    from archive.store import Archive
    from report.coaching_answer import Answer, PowderInputs
    from report.coaching_data import CoachingCase


def register(commands: Any) -> None:
    """Add the command `coach` to *commands*, an argparse subparsers action."""
    coach = commands.add_parser(
        "coach",
        help="what to change on the next rack: one thing at the most, with its evidence",
        description="Compare a rack with its target bands and with earlier racks like it, and say the one thing to change, or that "
        "there is nothing to change. What the gauge alone explains is never blamed on the spraying. "
        "Exit codes: 0 answered, 3 the gauge was not shown to be right.",
    )
    coach.add_argument(
        "inspection",
        nargs="?",
        metavar="INSPECTION",
        help="its number, the beginning of one, or its lot (default: the one sealed last)",
    )
    coach.add_argument("--rack", metavar="NAME", help="the inspection of this rack that was sealed last")
    coach.add_argument("--part", metavar="NUMBER", help="instead of one rack: all racks of this part in a period")
    coach.add_argument("--from", dest="since", metavar="DAY", help="with --part: taken on this day or later")
    coach.add_argument("--to", dest="until", metavar="DAY", help="with --part: taken on this day or before")
    coach.add_argument("--powder", metavar="NAME", help="with --part: racks with this powder")
    coach.add_argument("--location", metavar="NAME", help="this location alone")
    coach.add_argument("--area", metavar="AREA", help="area coated, in m² (parts in µm) or ft² (parts in mil)")
    coach.add_argument("--specific-gravity", metavar="NUMBER", help="of the powder, from its data sheet")
    coach.add_argument(
        "--transfer-efficiency",
        metavar="LOW-HIGH",
        help="share of the powder that stays on the parts, in percent, as 55-70",
    )
    coach.add_argument("--json", action="store_true", help="answer as JSON")
    coach.add_argument(
        "--html",
        type=path_of,
        metavar="FILE",
        help="write a page with charts to FILE, for any browser, without a network",
    )
    coach.add_argument("--replace", action="store_true", help="with --html: write over a file that is there")
    coach.set_defaults(run=_coach)


def _coach(args: argparse.Namespace) -> int:
    import json
    from zoneinfo import ZoneInfo

    from report.coaching_answer import answer_of, coach_json, coach_lines, said_first
    from report.terminal_text import width
    from schemas.errors import BadInput

    folder = folder_of(args)
    zone = ZoneInfo(folder.shop().time_zone)
    _demand_sense(args)
    if args.html is not None:
        from archive.targets import demand_target
        from report.history_page_file import PAGE

        demand_target(args.html, PAGE, replace=args.replace)
    inputs = _powder_inputs(args)
    case, period = _asked(args, archive_of(args), zone)
    try:
        answer = answer_of(case, inputs, period)
    except ValueError as wrong:
        raise BadInput(f"--area, --specific-gravity, --transfer-efficiency: {wrong}") from None
    if args.html is not None:
        from report.coaching_page_file import write_coaching_page

        write_coaching_page(folder, answer, args.now(), args.html, replace=args.replace)
    if args.json:
        print(json.dumps(coach_json(answer), ensure_ascii=False))
    elif args.html is not None:
        print(said_first(answer))
        print(f"{args.html}: {_made_from(answer)}")
    else:
        print("\n".join(coach_lines(answer, zone, width())))
    return 0 if answer.holds else 3


def coaching_of(args: argparse.Namespace, inspection_id: str) -> str:
    """Return the one line of coaching of an inspection that was sealed just now, or why there is none.

    What goes wrong here is said and never raised: the inspection is sealed already.
    """
    from report.coaching_answer import PowderInputs, answer_of, said_first
    from report.coaching_data import rack_of
    from schemas.errors import FilmtallyError

    try:
        said = said_first(answer_of(rack_of(archive_of(args), inspection_id), PowderInputs()))
    except FilmtallyError as wrong:
        return f"coaching: none; {wrong.sentence}"
    return f"coaching: {said} See 'filmtally coach {inspection_id}'."


def _made_from(answer: Answer) -> str:
    from rules.wording import counted

    return f"{counted(answer.found.n, 'reading')} on {counted(answer.found.pieces, 'piece')}"


def _demand_sense(args: argparse.Namespace) -> None:
    from schemas.errors import BadInput

    named = [
        word for word, value in (("INSPECTION", args.inspection), ("--rack", args.rack), ("--part", args.part)) if value
    ]
    if len(named) > 1:
        raise BadInput(f"{' and '.join(named)} each say what to look at; name one of them")
    if args.part is None:
        for name in ("since", "until", "powder"):
            if getattr(args, name) is not None:
                option = {"since": "--from", "until": "--to"}.get(name, "--powder")
                raise BadInput(f"{option} asks about a period of one part; say --part NUMBER with it")


def _asked(args: argparse.Namespace, archive: Archive, zone: ZoneInfo) -> tuple[CoachingCase, str | None]:
    from archive.naming import inspection_named
    from report.coaching_answer import period_words
    from report.coaching_data import newest_inspection, newest_of_lot, rack_of, racks_between
    from report.named_days import begin_and_end, first_and_last

    if args.part is not None:
        first, last = first_and_last(args)
        since, until = begin_and_end(first, last, zone)
        case = racks_between(archive, args.part, since, until, location=args.location, powder=args.powder)
        return case, period_words(first, last)
    if args.inspection is not None:
        of_lot = None if archive.listed(number=args.inspection) else newest_of_lot(archive, args.inspection)
        number = of_lot or inspection_named(args.inspection, archive).inspection_id
    else:
        number = newest_inspection(archive, args.now(), args.rack)
    return rack_of(archive, number, args.location), None


def _powder_inputs(args: argparse.Namespace) -> PowderInputs:
    from report.coaching_answer import PowderInputs
    from schemas.errors import BadInput

    transfer = None
    if args.transfer_efficiency is not None:
        low, dash, high = args.transfer_efficiency.replace("%", "").partition("-")
        shares = [_positive("--transfer-efficiency", share) / 100 for share in (low, high if dash else low)]
        if not shares[0] <= shares[1] <= 1:
            raise BadInput(
                f"--transfer-efficiency {args.transfer_efficiency!r}: write the lower and the higher share in percent, as 55-70"
            )
        transfer = (shares[0], shares[1])
    area = None if args.area is None else _positive("--area", args.area)
    gravity = None if args.specific_gravity is None else _positive("--specific-gravity", args.specific_gravity)
    return PowderInputs(area, gravity, transfer)


def _positive(option: str, text: str) -> Decimal:
    from decimal import Decimal, InvalidOperation

    from schemas.errors import BadInput

    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        number = Decimal("NaN")
    # Bounded, so that a figure that nobody can mean takes no memory.
    if not number.is_finite() or not Decimal("1e-6") <= number <= Decimal("1e9"):
        raise BadInput(f"{option} {text!r}: write a number above zero, as 1.5")
    return number
