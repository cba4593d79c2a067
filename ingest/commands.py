"""The commands from a gauge to the archive: check, measure, seal, amend.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from decimal import Decimal
    from pathlib import Path
    from typing import Any

    from archive.draws import DrawRecord
    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from ingest.facts import InspectionFacts
    from ingest.inspection import Outcome, Slot
    from ingest.open_inspection import OpenInspection
    from schemas.gauge_checks import GaugeCheck
    from schemas.inspections import Inspection
    from schemas.job import Job
    from schemas.profile import Profile
    from schemas.shop import Shop

_OCCASIONS = ("opening", "closing", "drop", "battery", "probe", "mode", "temperature", "other")
_TEXT_FACTS = ("purchase_order", "work_order", "rack", "rack_position", "powder", "powder_batch", "sprayer")
_MOST_PIECES = 100_000
_MODES = ("magnetic", "eddy-current")


def register(commands: Any) -> None:
    """Add the commands of this wing to *commands*, an argparse subparsers action."""
    _register_check(commands)
    _register_measure(commands)
    _register_seal(commands)
    _register_amend(commands)


# check


def _register_check(commands: Any) -> None:
    check = commands.add_parser(
        "check",
        help="record a verification, adjustment, calibration, incident or study of a gauge",
        description="Record what shows that a gauge can be trusted, or that it may not be.",
    )
    check.set_defaults(run=lambda _: check.error("the following arguments are required: KIND"))
    kinds = check.add_subparsers(metavar="KIND")

    verify = kinds.add_parser("verification", help="the gauge was read on certified standards")
    _who_and_when(verify)
    verify.add_argument("--mode", choices=_MODES, help="probe mode (needed where the gauge has two)")
    verify.add_argument("--occasion", choices=_OCCASIONS, required=True, help="why it was made")
    verify.add_argument(
        "--standard",
        action="append",
        metavar="SERIAL=R,R,R",
        help="a standard and what the gauge read on it; once for each standard",
    )
    verify.add_argument("--unit", choices=("um", "mil"), default="um", help="unit that the gauge showed (default: um)")
    verify.add_argument("--temperature", metavar="°C", help="temperature of gauge and standards")
    verify.set_defaults(run=_check_verification)

    adjust = kinds.add_parser("adjustment", help="the gauge was set to known thickness")
    _who_and_when(adjust)
    adjust.add_argument("--mode", choices=_MODES, help="probe mode (needed where the gauge has two)")
    adjust.add_argument("--standard", action="append", metavar="SERIAL", help="a standard that it was set on")
    adjust.set_defaults(run=_check_adjustment)

    calibrate = kinds.add_parser("calibration", help="a laboratory calibrated the gauge")
    calibrate.add_argument("--gauge", required=True, metavar="SERIAL")
    calibrate.add_argument("--certificate", required=True, metavar="NUMBER")
    calibrate.add_argument("--laboratory", required=True, metavar="NAME")
    calibrate.add_argument("--at", required=True, metavar="DAY", help="when it was calibrated")
    calibrate.add_argument("--due", required=True, metavar="DAY", help="last day on which it holds")
    calibrate.add_argument("--note", metavar="TEXT")
    _answers_json(calibrate)
    calibrate.set_defaults(run=_check_calibration)

    happened = kinds.add_parser("incident", help="something happened to the gauge; it covers nothing until verified")
    _who_and_when(happened)
    happened.add_argument("--occasion", choices=_OCCASIONS[2:], required=True, help="what happened")
    happened.set_defaults(run=_check_incident)

    _register_study(check, kinds)


def _register_study(check: argparse.ArgumentParser, kinds: Any) -> None:
    study = kinds.add_parser(
        "study",
        help="several operators read the same parts several times: repeatability and reproducibility",
        description="Find how much of what varies is the gauge (repeatability), its hands (reproducibility) and the "
        "parts, by analysis of variance and by average and range. Every operator reads every part equally often, two "
        "times or more, always on one marked spot: elsewhere the film itself differs, and that would count as the "
        "gauge's. Without --from the readings are typed, one a line, below '@operator CODE' and '@part NAME'; '@undo' "
        "leaves the last one out. 'filmtally check --study ...' is the same.",
    )
    _who_and_when(study)
    study.add_argument("--mode", choices=_MODES, help="probe mode (needed where the gauge has two)")
    study.add_argument(
        "--from",
        dest="capture",
        type=_path,
        metavar="FILE",
        help="a capture with the same words, or a table with the columns operator, part and reading (CSV)",
    )
    study.add_argument("--profile", metavar="NAME", help="line profile (default: the gauge's; typed: what one types)")
    study.add_argument("--unit", choices=("um", "mil"), help="unit of typed figures and of a table (default: um)")
    study.add_argument("--temperature", metavar="°C", help="temperature of gauge and parts")
    study.set_defaults(run=_check_study, takes_readings=True)

    class AsStudy(argparse.Action):
        """Take all that follows --study as what follows the kind study."""

        def __call__(self, parser: Any, namespace: argparse.Namespace, values: Any, option: str | None = None) -> None:
            for name, value in vars(study.parse_args(values)).items():
                setattr(namespace, name, value)

    check.add_argument(
        "--study",
        action=AsStudy,
        nargs=argparse.REMAINDER,
        default=argparse.SUPPRESS,
        help="the same as the kind study; what follows is what 'filmtally check study --help' shows",
    )


def _who_and_when(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--gauge", required=True, metavar="SERIAL")
    parser.add_argument("--by", required=True, metavar="CODE", help="code of the inspector")
    parser.add_argument("--at", metavar="TIME", help="when (default: now); without an offset in the shop's time zone")
    parser.add_argument("--note", metavar="TEXT")
    _answers_json(parser)


def _check_verification(args: argparse.Namespace) -> int:
    import json

    from ingest import checking
    from ingest.said import figures, pairs
    from schemas.units import Unit
    from schemas.vocabulary import Occasion

    shop, done_at = _shop_and_moment(args)
    measured = [
        checking.StandardReadings(serial, tuple(figures(r, f"standard {serial!r}") for r in readings.split(",")))
        for serial, readings in pairs(args.standard, "--standard").items()
    ]
    temperature = _temperature(args)
    rows = checking.verification(
        shop,
        check_id=_new_id(done_at),
        gauge_serial=args.gauge,
        probe_mode=_mode(shop, args),
        occasion=Occasion(args.occasion),
        measured=measured,
        unit=Unit(args.unit),
        done_at=done_at,
        done_by=args.by,
        temperature_c=temperature,
        note=args.note,
    )
    archive = _archive(args)
    earlier = archive.checks(args.gauge)
    archive.commit_checks(rows, args.now())
    passed = all(row.within for row in rows)
    if args.json:
        print(json.dumps({"check_id": rows[0].check_id, "passed": passed, "standards": [_row_json(r) for r in rows]}))
    else:
        for row in rows:
            print(
                f"{row.standard_id}: certified {_um(row.certified_um)} µm, mean {_um(row.mean_um)} µm, "
                f"error {_um(row.error_um)} µm, tolerance ±{_um(row.tolerance_um)} µm: {'within' if row.within else 'OUT'}"
            )
        print(f"check {rows[0].check_id}: {'passed' if passed else 'FAILED'}")
    if not passed:
        _say_what_is_in_doubt(archive, rows, earlier)
    return 0 if passed else 1


def _say_what_is_in_doubt(archive: Archive, rows: Sequence[GaugeCheck], earlier: Sequence[GaugeCheck]) -> None:
    from rules.calibration_gate import doubt_interval

    failed = rows[0]
    start, end = doubt_interval([*earlier, *rows], failed.check_id)
    doubtful = [
        i.inspection_id
        for i in archive.inspections()
        if i.gauge_serial == failed.gauge_serial
        and any(
            (start is None or r.taken_at > start) and r.taken_at <= end
            for r in archive.reading_records(i.inspection_id)
        )
    ]
    since = (
        f"since the last good check ({start:%Y-%m-%d %H:%M} UTC)"
        if start
        else "ever, for no good check stands before it"
    )
    print(
        f"filmtally: gauge {failed.gauge_serial}: every reading taken {since} is in doubt: "
        f"{', '.join(doubtful) if doubtful else 'no sealed inspection has any'}",
        file=sys.stderr,
    )


def _check_adjustment(args: argparse.Namespace) -> int:
    from ingest import checking

    shop, done_at = _shop_and_moment(args)
    rows = checking.adjustment(
        shop,
        check_id=_new_id(done_at),
        gauge_serial=args.gauge,
        probe_mode=_mode(shop, args),
        standards=args.standard or [],
        done_at=done_at,
        done_by=args.by,
        note=args.note,
    )
    return _record(args, rows, "adjustment recorded; verify the gauge before the next reading")


def _check_calibration(args: argparse.Namespace) -> int:
    from ingest import checking
    from ingest.said import day, moment

    shop = _folder(args).shop()
    rows = checking.calibration(
        shop,
        check_id=_new_id(args.now()),
        gauge_serial=args.gauge,
        certificate_no=args.certificate,
        laboratory=args.laboratory,
        done_at=moment(args.at, shop.time_zone),
        due=day(args.due),
        note=args.note,
    )
    return _record(args, rows, f"calibration recorded; it holds to {rows[0].due}")


def _check_incident(args: argparse.Namespace) -> int:
    from ingest import checking
    from schemas.vocabulary import Occasion

    shop, done_at = _shop_and_moment(args)
    rows = checking.incident(
        shop,
        check_id=_new_id(done_at),
        gauge_serial=args.gauge,
        occasion=Occasion(args.occasion),
        done_at=done_at,
        done_by=args.by,
        note=args.note,
    )
    return _record(args, rows, "recorded; the gauge covers no reading until it is verified")


def _check_study(args: argparse.Namespace) -> int:
    import json

    from ingest import studying
    from ingest.said import plain_text
    from schemas.units import Unit

    shop, done_at = _shop_and_moment(args)
    mode = _mode(shop, args)
    studying.known(shop, args.gauge, mode, args.by)
    temperature = _temperature(args)
    note = plain_text(args.note, "--note") if args.note is not None else None
    unit = Unit(args.unit) if args.unit else None
    taking = studying.StudyTaking(shop, mode, lambda: _study_profile(args, shop, unit), unit)
    check_id = _new_id(done_at)
    captures = _folder(args).captures
    if args.capture:
        came = studying.from_file(taking, args.capture, captures)
    else:
        again = f"--profile {args.profile or 'typed'}" + (f" --unit {args.unit}" if args.unit else "")
        came = studying.from_typing(taking, sys.stdin, args.now, captures / f"{check_id}.typed", again)
    rows = studying.rows(
        taking,
        check_id=check_id,
        gauge_serial=args.gauge,
        done_at=done_at,
        run_by=args.by,
        temperature_c=temperature,
        note=note,
        capture_sha256=came.capture.sha256,
    )
    archive = _archive(args)
    # What is typed again is another study; a file that is given again is the same one.
    known = archive.checks(args.gauge) if args.capture else []
    before = studying.recorded_before(known, rows, at_any_time=args.at is None)
    if before is None:
        archive.commit_checks(rows, args.now())
    came.drop_draft()
    if args.json:
        told = {"check_id": before or check_id, "kind": rows[0].kind, "recorded_before": before is not None}
        print(json.dumps({**told, **studying.as_json(came.result)}, ensure_ascii=False))
    else:
        what = "this very capture was recorded before; nothing was added" if before else "study recorded"
        print(f"{studying.report(came.result)}\n\ncheck {before or check_id}: {what}")
    return 0


def _study_profile(args: argparse.Namespace, shop: Shop, unit: Any) -> Profile:
    from ingest.facts import typed_profile
    from schemas.errors import BadInput
    from schemas.units import Unit

    folder = _folder(args)
    name = args.profile or (shop.find_gauge(args.gauge).profile if args.capture else "typed")
    if name is None:
        raise BadInput(
            f"gauge {args.gauge!r} has no line profile in shop.toml; name one with --profile "
            f"(there are: {', '.join(['typed', *folder.names('profiles')])})"
        )
    return typed_profile(unit or Unit.UM, shop.decimal_mark) if name == "typed" else folder.profile(name)


def _temperature(args: argparse.Namespace) -> Decimal | None:
    from ingest.said import figures
    from schemas.errors import BadInput

    if not args.temperature:
        return None
    found = figures(args.temperature, "--temperature")
    if found != round(found, 1) or abs(found) >= 1000:
        raise BadInput(f"--temperature {args.temperature}: one decimal is kept of a temperature in °C; correct it")
    return found


def _record(args: argparse.Namespace, rows: list[GaugeCheck], answer: str) -> int:
    _archive(args).commit_checks(rows, args.now())
    return _tell(args, f"check {rows[0].check_id}: {answer}", check_id=rows[0].check_id, kind=rows[0].kind)


def _row_json(row: GaugeCheck) -> dict[str, Any]:
    names = ("standard_id", "certified_um", "mean_um", "error_um", "tolerance_um", "tolerance_rule")
    return {**{n: str(getattr(row, n)) for n in names}, "within": row.within}


def _um(value: Any) -> str:
    return f"{value:.2f}".replace("-", "\u2212")


# measure


def _register_measure(commands: Any) -> None:
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
        "--from", dest="captures", type=_path, action="append", metavar="FILE", help="a capture file; may be repeated"
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
    _answers_json(measure)
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

    folder = _folder(args)
    if args.again is not None:
        plain_text(args.again, "--again")
    facts = _new_facts(args, folder) if args.resume is None else None
    kept = [keep(path, folder.captures) for path in args.captures]
    # A reason to take again what was never taken would be an untrue word in the record.
    again = args.again if any(taken_as(folder, k.sha256) for k in kept) else None
    said = SaidOfLines(numbered(args.accept, "--accept"), numbered(args.set_aside, "--set-aside"), again)
    if _already_taken(args, folder, [k.sha256 for k in kept], facts):
        return 0
    inspection_id = facts.inspection_id if facts else _resumed(args, folder)
    with OpenInspection(folder, inspection_id, args.now(), facts) as inspection:
        zone = inspection.facts.shop.time_zone
        stated_at = moment(args.measured_at, zone) if args.measured_at else None
        if args.dry_run:
            for capture in kept:
                _show_dry_run(inspection, capture.path, stated_at, said)
            return 0
        inspection.take_captures(kept, stated_at, said, args.now())
        if args.keep_open:
            counted = sum(r.counted for r in inspection.taking.readings)
            told = f"inspection {inspection_id}: {_counts(inspection)}; still open"
            return _tell(args, told, inspection_id=inspection_id, sealed=False, readings_counted=counted)
        if not args.json:
            print(f"inspection {inspection_id}: {_counts(inspection)}")
        return _seal_open(args, folder, inspection, None)


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

    folder = _folder(args)
    facts = _new_facts(args, folder, typed=True) if args.resume is None else None
    inspection_id = facts.inspection_id if facts else _resumed(args, folder)
    interactive = sys.stdin.isatty()
    with OpenInspection(folder, inspection_id, args.now(), facts, prompted=interactive) as inspection:
        print(
            f"inspection {inspection_id}: {_counts(inspection)}; what is shown as taken is on disk, end with an empty input (Ctrl-D)"
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
        return _seal_open(args, folder, inspection, None)


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
        inspection_id=_new_id(args.now()),
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
    _tell(args, told, inspection_id=found.inspection_id, sealed=state == "is sealed", taken_before=True)
    return True


# seal and amend


def _register_seal(commands: Any) -> None:
    seal = commands.add_parser("seal", help="turn an open inspection into archived Parquet")
    seal.add_argument("inspection", nargs="?", metavar="INSPECTION", help="the open inspection (default: the only one)")
    seal.add_argument(
        "--as-is", metavar="REASON", help="seal although readings are missing; the verdict will be undecided"
    )
    seal.add_argument(
        "--abandon",
        metavar="REASON",
        help="give the open inspection up: it is kept aside, and its capture may be taken again",
    )
    seal.add_argument("--by", metavar="CODE", help="who seals (default: the inspector)")
    _answers_json(seal)
    seal.set_defaults(run=_seal)


def _seal(args: argparse.Namespace) -> int:
    from ingest.open_inspection import OpenInspection
    from ingest.said import plain_text

    folder = _folder(args)
    folder.shop()
    args.resume = args.inspection or ""
    with OpenInspection(folder, _resumed(args, folder), args.now()) as inspection:
        for option in ("as_is", "abandon"):
            if (reason := getattr(args, option)) is not None:
                plain_text(reason, f"--{option.replace('_', '-')}")
        if args.abandon:
            by = args.by or inspection.facts.inspector
            inspection.facts.shop.find_inspector(by)
            inspection.abandon(args.abandon, by, args.now())
            inspection_id = inspection.facts.inspection_id
            told = f"inspection {inspection_id}: given up ({args.abandon}); kept in {folder.journals / 'abandoned'}"
            return _tell(args, told, inspection_id=inspection_id, sealed=False, abandoned=True)
        return _seal_open(args, folder, inspection, args.as_is)


def _seal_open(args: argparse.Namespace, folder: ShopFolder, inspection: OpenInspection, as_is: str | None) -> int:
    from ingest.open_inspection import put_away
    from ingest.sealing import seal

    archive = _archive(args)
    facts = inspection.facts
    by = getattr(args, "by", None) or facts.inspector
    facts.shop.find_inspector(by)
    if not _is_archived(archive, facts.inspection_id):
        sealed = seal(
            facts,
            inspection.taking,
            archive.checks(facts.gauge_serial),
            capture_sha256=inspection.capture_sha256,
            sealed_at=args.now(),
            sealed_by=by,
            as_is=as_is,
        )
        archive.commit_inspection(sealed.inspection, sealed.readings)
        record = sealed.inspection
        told = (
            f"inspection {facts.inspection_id}: sealed, {record.readings_counted} readings counted, "
            f"{record.readings_excluded} kept but not counted; see the verdict with 'filmtally assess {facts.inspection_id}'"
        )
    else:
        # A kill came between the commit and this point: the archive has it, only the journal is left over.
        record = archive.inspection(facts.inspection_id)
        told = f"inspection {facts.inspection_id}: was sealed already; its journal is put away"
    inspection.close()
    put_away(folder, facts.inspection_id)
    return _tell(args, told, **_sealed_json(record))


def _sealed_json(record: Inspection) -> dict[str, Any]:
    return {
        "inspection_id": record.inspection_id,
        "revision": record.revision,
        "sealed": True,
        "readings_counted": record.readings_counted,
        "readings_excluded": record.readings_excluded,
        "conformity": record.conformity,
    }


def _is_archived(archive: Archive, inspection_id: str) -> bool:
    from schemas.errors import BadInput

    try:
        archive.inspection(inspection_id)
    except BadInput:
        return False
    return True


def _register_amend(commands: Any) -> None:
    amend = commands.add_parser(
        "amend",
        help="correct a sealed inspection by a new revision that names why",
        description="Make the next revision of a sealed inspection. Nothing is overwritten: the old revision stays.",
    )
    amend.add_argument("inspection", metavar="INSPECTION", help="its number, the beginning of one, or its lot")
    amend.add_argument("--exclude", action="append", metavar="NUMBER=REASON", help="keep a reading but do not count it")
    amend.add_argument(
        "--set",
        dest="facts",
        action="append",
        metavar="NAME=VALUE",
        help="correct a fact: lot, purchase_order, work_order, rack, rack_position, powder, powder_batch, sprayer",
    )
    amend.add_argument("--by", required=True, metavar="CODE", help="who says so")
    amend.add_argument("--why", required=True, metavar="REASON", help="why there is a new revision")
    _answers_json(amend)
    amend.set_defaults(run=_amend)


def _amend(args: argparse.Namespace) -> int:
    from archive.naming import inspection_named
    from ingest.said import numbered, pairs, plain_text
    from ingest.sealing import amend

    _folder(args).shop().find_inspector(args.by)
    plain_text(args.why, "--why")
    facts = pairs(args.facts, "--set")
    for name, value in facts.items():
        plain_text(value, f"--set {name}")
    archive = _archive(args)
    before = inspection_named(args.inspection, archive.inspections())
    sealed = amend(
        before,
        archive.reading_records(before.inspection_id),
        numbered(args.exclude, "--exclude"),
        by=args.by,
        why=args.why,
        sealed_at=args.now(),
        facts=facts,
    )
    archive.commit_inspection(sealed.inspection, sealed.readings)
    told = f"inspection {before.inspection_id}: revision {sealed.inspection.revision} supersedes {before.revision}: {args.why}"
    return _tell(args, told, **_sealed_json(sealed.inspection), supersedes=before.revision)


# what they share


def _answers_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="answer as JSON")


def _tell(args: argparse.Namespace, sentence: str, **fields: Any) -> int:
    """Print *sentence*, or *fields* where JSON is asked for, and return 0."""
    import json

    print(json.dumps(fields, ensure_ascii=False) if args.json else sentence)
    return 0


def _folder(args: argparse.Namespace) -> ShopFolder:
    from archive.shop_folder import ShopFolder

    return ShopFolder(args.shop)


def _archive(args: argparse.Namespace) -> Archive:
    from archive.store import Archive

    return Archive(_folder(args).archive, args.bench)


def _shop_and_moment(args: argparse.Namespace) -> tuple[Shop, datetime]:
    from ingest.said import moment
    from schemas.errors import BadInput

    shop = _folder(args).shop()
    done_at = moment(args.at, shop.time_zone) if args.at else args.now()
    if done_at > args.now():
        raise BadInput(f"--at {args.at}: is still to come; correct it")
    return shop, done_at


def _mode(shop: Shop, args: argparse.Namespace) -> Any:
    from schemas.errors import BadInput
    from schemas.vocabulary import ProbeMode

    gauge = shop.find_gauge(args.gauge)
    if args.mode is None and len(gauge.probe_modes) > 1:
        raise BadInput(f"gauge {gauge.serial!r} has the modes {' and '.join(gauge.probe_modes)}; say which with --mode")
    return ProbeMode(args.mode) if args.mode else gauge.probe_modes[0]


def _resumed(args: argparse.Namespace, folder: ShopFolder) -> str:
    from ingest.open_inspection import open_ids
    from schemas.errors import BadInput

    if args.resume:
        return str(args.resume)
    ids = open_ids(folder)
    if len(ids) != 1:
        what = f"{len(ids)} inspections are open ({', '.join(ids)}); name one" if ids else "no inspection is open"
        raise BadInput(f"{folder.journals}: {what}")
    return ids[0]


def _counts(inspection: OpenInspection) -> str:
    taking = inspection.taking
    counted = sum(r.counted for r in taking.readings)
    other = f", {len(taking.other_lines)} lines that are no readings" if taking.other_lines else ""
    return f"{counted} readings counted, {len(taking.readings) - counted} kept but not counted{other}"


def _new_id(at: datetime) -> str:
    import secrets
    from datetime import UTC

    letters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # Crockford's base 32: no letter that reads as a digit
    return f"{at.astimezone(UTC):%Y%m%d-%H%M%S}-" + "".join(secrets.choice(letters) for _ in range(4))


def _path(text: str) -> Path:
    from pathlib import Path

    return Path(text)
