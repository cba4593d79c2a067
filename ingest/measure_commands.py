"""The command `measure`: take the readings of one lot.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

from ingest.command_line import answers_json, counts_said, new_id, path_said, resumed, shop_folder_of, tell
from ingest.seal_commands import seal_open

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from archive.draws import DrawRecord
    from archive.shop_folder import ShopFolder
    from ingest.facts import InspectionFacts
    from ingest.inspection import Outcome, Slot
    from ingest.open_inspection import OpenInspection
    from schemas.job import Job

_TEXT_FACTS = ("purchase_order", "work_order", "rack", "rack_position", "powder", "powder_batch", "sprayer")
_MOST_PIECES = 100_000


def register(commands: Any) -> None:
    measure = commands.add_parser(
        "measure",
        help="take an inspection: from a capture file, or typed",
        description="Take the readings of one lot. Without --from they are typed, one a line; "
        "words that begin with @ (@undo, @exclude REASON, @piece NAME, @location NAME, @base NAME, @coated, "
        "@skip REASON, @note TEXT) steer. What is shown as taken is on disk.",
    )
    measure.add_argument("job", nargs="?", metavar="JOB", help="name of the job file")
    measure.add_argument("--lot", help="the lot: the parts judged together")
    measure.add_argument("--inspector", metavar="CODE")
    measure.add_argument("--gauge", metavar="SERIAL")
    measure.add_argument(
        "--from",
        dest="captures",
        type=path_said,
        action="append",
        metavar="FILE",
        help="a capture file; may be repeated",
    )
    measure.add_argument("--profile", metavar="NAME", help="line profile (default: the gauge's)")
    measure.add_argument("--measured-at", metavar="TIME", help="when, for a capture whose lines do not say")
    measure.add_argument("--pieces", type=int, metavar="N", help="how many pieces are measured, called 1 to N")
    measure.add_argument("--piece", action="append", metavar="NAME", help="a piece to be measured; may be repeated")
    measure.add_argument("--lot-size", type=int, metavar="N")
    measure.add_argument("--coats", type=int, default=1, metavar="N", help="coats on the parts, this one included")
    measure.add_argument("--bakes", type=int, metavar="N", help="bakes, the last one included (default: as the coats)")
    for fact in _TEXT_FACTS:
        measure.add_argument(f"--{fact.replace('_', '-')}")
    measure.add_argument(
        "--accept", action="append", metavar="LINE=REASON", help="take a line although something speaks against it"
    )
    measure.add_argument("--set-aside", action="append", metavar="LINE=REASON", help="keep a line as no reading")
    measure.add_argument(
        "--again", metavar="REASON", help="take a capture although the very same bytes were taken before"
    )
    measure.add_argument(
        "--resume",
        nargs="?",
        const="",
        metavar="INSPECTION",
        help="go on with an open inspection (without a name: the only one)",
    )
    measure.add_argument("--keep-open", action="store_true", help="do not seal when the plan is complete")
    measure.add_argument("--dry-run", action="store_true", help="show how the capture reads, and keep nothing")
    answers_json(measure)
    measure.set_defaults(run=_measure, takes_readings=True)


def _measure(args: argparse.Namespace) -> int:
    from schemas.errors import BadInput

    if args.resume is None and args.job is None:
        raise BadInput(
            "name the job, as in 'filmtally measure JOB --lot LOT --inspector CODE --gauge SERIAL', or go on with --resume"
        )
    if args.captures:
        return _measure_from_files(args)
    if args.dry_run or args.accept or args.set_aside or args.measured_at:
        raise BadInput("--dry-run, --accept, --set-aside and --measured-at go with a capture; name it with --from")
    return _measure_typed(args)


def _measure_from_files(args: argparse.Namespace) -> int:
    from ingest.capture_store import keep
    from ingest.open_inspection import OpenInspection, SaidOfLines, taken_as
    from ingest.said import moment, numbered, plain_text

    folder = shop_folder_of(args)
    if args.again is not None:
        plain_text(args.again, "--again")
    facts = _new_facts(args, folder) if args.resume is None else None
    kept = [keep(path, folder.captures) for path in args.captures]
    # A reason to take again what was never taken would be an untrue word in the record.
    again = args.again if any(taken_as(folder, k.sha256) for k in kept) else None
    said = SaidOfLines(numbered(args.accept, "--accept"), numbered(args.set_aside, "--set-aside"), again)
    if _already_taken(args, folder, [k.sha256 for k in kept], facts):
        return 0
    inspection_id = facts.inspection_id if facts else resumed(args, folder)
    with OpenInspection(folder, inspection_id, args.now(), facts) as inspection:
        zone = inspection.facts.shop.time_zone
        stated_at = moment(args.measured_at, zone) if args.measured_at else None
        if args.dry_run:
            for capture in kept:
                _show_dry_run(inspection, capture.path, stated_at, said)
            return 0
        inspection.take_captures(kept, stated_at, said, args.now())
        if args.keep_open:
            counted = inspection.taking.counted
            told = f"inspection {inspection_id}: {counts_said(inspection)}; still open"
            return tell(args, told, inspection_id=inspection_id, sealed=False, readings_counted=counted)
        if not args.json:
            print(f"inspection {inspection_id}: {counts_said(inspection)}")
        return seal_open(args, folder, inspection, None)


def _show_dry_run(inspection: OpenInspection, path: Path, stated_at: datetime | None, said: Any) -> None:
    from ingest.inspection import OtherLine, Problem, TakenReading, Told
    from ingest.links import LINKS

    for line in LINKS["file"](path, inspection.facts.profile.max_line_bytes, stated_at):
        outcome = inspection.taking.feed(
            line, path.name, accept=said.accept.get(line.line_no), set_aside=said.set_aside.get(line.line_no)
        )
        match outcome:
            case TakenReading():
                what = f"{outcome.decoded.shown} {outcome.decoded.unit.symbol} -> piece {outcome.piece}, {outcome.location}, spot {outcome.spot}"
            case OtherLine():
                what = f"no reading: {outcome.why}"
            case Problem():
                what = f"PROBLEM: {outcome.sentence}"
            case Told():
                what = outcome.answer
            case _:
                what = "blank"
        print(f"line {line.line_no}: {what}")


def _measure_typed(args: argparse.Namespace) -> int:
    from ingest.inspection import Problem
    from ingest.links import LINKS
    from ingest.open_inspection import OpenInspection

    folder = shop_folder_of(args)
    facts = _new_facts(args, folder, typed=True) if args.resume is None else None
    inspection_id = facts.inspection_id if facts else resumed(args, folder)
    interactive = sys.stdin.isatty()
    with OpenInspection(folder, inspection_id, args.now(), facts, prompted=interactive) as inspection:
        print(
            f"inspection {inspection_id}: {counts_said(inspection)}; what is shown as taken is on disk, end with an empty input (Ctrl-D)"
        )
        doubted: bytes | None = None
        problems = 0
        for line in LINKS["typed"](sys.stdin, args.now, lambda: _prompt(inspection, interactive=interactive)):
            inspection.taking.now = args.now()
            again = doubted is not None and line.frame.data.strip() == doubted
            outcome = inspection.take_line(line, "typed", "typed twice by the inspector" if again else None)
            doubted = None
            print(_answer(outcome), flush=True)
            if isinstance(outcome, Problem):
                problems += 1
                doubted = line.frame.data.strip() if outcome.can_be_accepted else None
        if interactive:
            print()
        if args.keep_open:
            return 0
        if problems and not interactive:
            print(f"filmtally: {problems} of the lines above were not taken; see the sentences", file=sys.stderr)
        return seal_open(args, folder, inspection, None)


def _prompt(inspection: OpenInspection, *, interactive: bool) -> None:
    if interactive:
        slot = inspection.taking.next_slot()
        print(f"{_place(slot) if slot else 'all taken; Ctrl-D seals'} > ", end="", flush=True)


def _place(slot: Slot) -> str:
    spot = f", spot {slot.spot}" if slot.location.spots > 1 else ""
    of = f" ({slot.nth} of {slot.location.readings_per_spot})" if slot.location.readings_per_spot > 1 else ""
    return f"piece {slot.piece}, {slot.location.name}{spot}{of}"


def _answer(outcome: Outcome) -> str:
    from ingest.inspection import OtherLine, Problem, TakenReading, Told

    match outcome:
        case TakenReading():
            return f"  taken {outcome.reading_no}: {outcome.decoded.shown} {outcome.decoded.unit.symbol} at {outcome.location}, piece {outcome.piece}"
        case OtherLine():
            return f"  no reading: {outcome.why}"
        case Problem():
            again = "; type it again to take it as it is" if outcome.can_be_accepted else ""
            return f"  NOT TAKEN: line {outcome.line_no}: {outcome.sentence}{again}"
        case Told():
            return f"  {outcome.answer}"
        case _:
            return "  nothing typed"


def _new_facts(args: argparse.Namespace, folder: ShopFolder, *, typed: bool = False) -> InspectionFacts:
    from ingest.facts import InspectionFacts, typed_profile
    from ingest.said import plain_text
    from schemas.errors import BadInput

    shop = folder.shop()
    job = folder.job(args.job)
    for option in ("lot", "inspector", "gauge"):
        if not getattr(args, option):
            raise BadInput(f"--{option} is missing; say which {option} this is")
    for option in ("lot", *_TEXT_FACTS):
        if (value := getattr(args, option)) is not None:
            plain_text(value, f"--{option.replace('_', '-')}")
    for name in args.piece or ():
        plain_text(name, "--piece")
    shop.find_inspector(args.inspector)
    gauge = shop.find_gauge(args.gauge)
    if job.probe_mode not in gauge.probe_modes:
        raise BadInput(
            f"gauge {gauge.serial!r} has no mode {job.probe_mode}, which job {args.job!r} asks for; take another gauge"
        )
    if args.piece and args.pieces is not None:
        raise BadInput("--piece and --pieces exclude each other; name the pieces or count them")
    if args.pieces is not None and not 1 <= args.pieces <= _MOST_PIECES:
        raise BadInput(f"--pieces {args.pieces}: from 1 to {_MOST_PIECES} pieces are measured; correct the number")
    drawn = _drawn(args, folder)
    if args.piece:
        pieces = tuple(args.piece)
    elif drawn is not None and args.pieces is None:
        pieces = tuple(map(str, drawn.pieces))
    else:
        pieces = tuple(str(n) for n in range(1, (args.pieces or 1) + 1))
    if len(set(pieces)) < len(pieces):
        raise BadInput("a piece is named twice; give each its own name")
    for option in ("lot_size", "coats", "bakes"):
        value = getattr(args, option)
        if value is not None and value < 1:
            raise BadInput(f"--{option.replace('_', '-')} {value}: must be 1 or more")
    if args.lot_size is not None and args.lot_size < len(pieces):
        raise BadInput(
            f"--lot-size {args.lot_size} is less than the {len(pieces)} pieces measured; correct one of them"
        )
    if job.sampling is not None and args.lot_size is None:
        raise BadInput(
            f"job {args.job!r} samples its lots, so the plan needs the number of pieces: say --lot-size, or draw the "
            f"pieces first with 'filmtally assess --plan {args.job} --lot {args.lot} --lot-size N'"
        )
    if job.sampling is not None:
        _has_a_plan(args, job)
    name = args.profile or ("typed" if typed else gauge.profile)
    if name is None:
        raise BadInput(
            f"gauge {gauge.serial!r} has no line profile in shop.toml; name one with --profile (there are: {', '.join(folder.names('profiles')) or 'none'})"
        )
    profile = typed_profile(job.unit, shop.decimal_mark) if name == "typed" else folder.profile(name)
    return InspectionFacts(
        inspection_id=new_id(args.now()),
        job_name=args.job,
        job=job,
        shop=shop,
        profile_name=name,
        profile=profile,
        inspector=args.inspector,
        gauge_serial=args.gauge,
        lot=args.lot,
        lot_size=args.lot_size,
        pieces=pieces,
        coats=args.coats,
        bakes=args.bakes if args.bakes is not None else args.coats,
        purchase_order=args.purchase_order,
        work_order=args.work_order,
        rack=args.rack,
        rack_position=args.rack_position,
        powder=args.powder,
        powder_batch=args.powder_batch,
        sprayer=args.sprayer,
        notes=_notes_of(drawn),
    )


def _drawn(args: argparse.Namespace, folder: ShopFolder) -> DrawRecord | None:
    """Return the sample that was drawn for this lot, the last one where there are several; fills in the lot's size.

    Raises:
        BadInput: It was drawn from another number of pieces than is said now.
    """
    from archive.draws import draws_of
    from schemas.errors import BadInput

    draws = draws_of(folder.draws, args.job, args.lot)
    if not draws:
        return None
    if args.lot_size is None:
        args.lot_size = draws[-1].lot_size
    if args.lot_size != draws[-1].lot_size:
        raise BadInput(
            f"--lot-size {args.lot_size}: the sample of lot {args.lot!r} was drawn from {draws[-1].lot_size} pieces; "
            f"correct the number, or draw again with 'filmtally assess --plan {args.job} --lot {args.lot} --draw-again REASON'"
        )
    return draws[-1]


def _has_a_plan(args: argparse.Namespace, job: Job) -> None:
    """Raise BadInput where no plan holds for the lot, before anything is measured for it."""
    from rules.lot_judgement import LotTerms, state_plan
    from schemas.errors import BadInput

    assert job.sampling is not None  # noqa: S101 - the caller looks
    try:
        state_plan(job.sampling, LotTerms(args.lot_size))
    except ValueError as without:
        raise BadInput(f"job {args.job!r}, [sampling]: {without}") from None


def _notes_of(drawn: DrawRecord | None) -> tuple[str, ...]:
    """Return what a new inspection notes about its sample: enough to draw it again."""
    from rules.lots import Drawn

    if drawn is None:
        return ()
    again = () if drawn.why is None else (f"the sample was drawn again: {drawn.why}",)
    return (Drawn(drawn.seed, drawn.lot_size, drawn.n).as_note(), *again)


def _already_taken(
    args: argparse.Namespace, folder: ShopFolder, hashes: list[str], facts: InspectionFacts | None
) -> bool:
    """Say so and return True where these captures were taken for this very lot before.

    Raises:
        BadInput: They were taken for another lot.
    """
    from ingest.open_inspection import open_ids, taken_as
    from schemas.errors import BadInput

    if args.dry_run or args.again:
        return False
    before = [taken_as(folder, h) for h in hashes]
    found = next((t for t in before if t is not None), None)
    if found is None:
        return False
    if None in before:
        raise BadInput(
            f"{args.captures[before.index(found)]}: this capture was taken already, as inspection {found.inspection_id}, "
            "and another of those named was not; name the new ones alone"
        )
    if facts is not None and (found.job, found.lot) != (facts.job_name, facts.lot):
        raise BadInput(
            f"{args.captures[0]}: this capture was taken already, as inspection {found.inspection_id} for job "
            f"{found.job!r}, lot {found.lot!r}; name the capture of this lot, or say with --again REASON why the very "
            "same lines are right"
        )
    state = "is still open" if found.inspection_id in open_ids(folder) else "is sealed"
    told = f"this capture was taken already, as inspection {found.inspection_id}, which {state}; nothing is added"
    tell(args, told, inspection_id=found.inspection_id, sealed=state == "is sealed", taken_before=True)
    return True
