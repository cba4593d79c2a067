"""The command `check`: what shows that a gauge can be trusted, or that it may not be.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

from ingest.command_line import (
    answers_json,
    archive_of,
    new_id,
    path_said,
    probe_mode_said,
    shop_and_moment,
    shop_folder_of,
    tell,
)

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from decimal import Decimal
    from typing import Any

    from archive.store import Archive
    from ingest.look_back_due import LookBackDue
    from schemas.errors import FilmtallyError
    from schemas.gauge_checks import GaugeCheck
    from schemas.profile import Profile
    from schemas.shop import Shop

_OCCASIONS = ("opening", "closing", "drop", "battery", "probe", "mode", "temperature", "other")
_MINUS = "\u2212"
_MODES = ("magnetic", "eddy-current")


def register(commands: Any) -> None:
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
    answers_json(calibrate)
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
        type=path_said,
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
    answers_json(parser)


def _check_verification(args: argparse.Namespace) -> int:
    import json

    from ingest import checking
    from ingest.said import figures, pairs
    from schemas.units import Unit
    from schemas.vocabulary import Occasion

    shop, done_at = shop_and_moment(args)
    measured = [
        checking.StandardReadings(serial, tuple(figures(r, f"standard {serial!r}") for r in readings.split(",")))
        for serial, readings in pairs(args.standard, "--standard").items()
    ]
    temperature = _temperature(args)
    rows = checking.verification(
        shop,
        check_id=new_id(done_at),
        gauge_serial=args.gauge,
        probe_mode=probe_mode_said(shop, args),
        occasion=Occasion(args.occasion),
        measured=measured,
        unit=Unit(args.unit),
        done_at=done_at,
        done_by=args.by,
        temperature_c=temperature,
        note=args.note,
    )
    archive = archive_of(args)
    archive.commit_checks(rows, args.now())
    passed = all(row.within for row in rows)
    due, fault = (None, None) if passed else _look_back_due(archive, shop, rows[0])
    if args.json:
        told = {"check_id": rows[0].check_id, "passed": passed, "standards": [_row_json(r) for r in rows]}
        counts = (
            {} if due is None else {"look_back": {"inspections": due.inspections, "certificates": due.certificates}}
        )
        print(json.dumps({**told, **counts}))
    else:
        for row in rows:
            print(
                f"{row.standard_id}: certified {_um(row.certified_um)} µm, mean {_um(row.mean_um)} µm, "
                f"{_error_said(row)}: {'within' if row.within else 'OUT'}"
            )
        print(f"check {rows[0].check_id}: {'passed' if passed else 'FAILED'}")
    if fault is not None:
        raise fault
    if due is not None:
        print(f"filmtally: {due.sentence}", file=sys.stderr)
    return 0 if passed else 1


def _look_back_due(
    archive: Archive, shop: Shop, failed: GaugeCheck
) -> tuple[LookBackDue | None, FilmtallyError | None]:
    """Return what the failed check touches, or why that cannot be told: it failed all the same, and that is said first."""
    from ingest.look_back_due import look_back_due
    from schemas.errors import FilmtallyError

    try:
        return look_back_due(archive, shop, failed), None
    except FilmtallyError as fault:
        return None, fault


def _check_adjustment(args: argparse.Namespace) -> int:
    from ingest import checking

    shop, done_at = shop_and_moment(args)
    rows = checking.adjustment(
        shop,
        check_id=new_id(done_at),
        gauge_serial=args.gauge,
        probe_mode=probe_mode_said(shop, args),
        standards=args.standard or [],
        done_at=done_at,
        done_by=args.by,
        note=args.note,
    )
    return _record(args, rows, "adjustment recorded; verify the gauge before the next reading")


def _check_calibration(args: argparse.Namespace) -> int:
    from ingest import checking
    from ingest.said import day, moment

    shop = shop_folder_of(args).shop()
    rows = checking.calibration(
        shop,
        check_id=new_id(args.now()),
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

    shop, done_at = shop_and_moment(args)
    rows = checking.incident(
        shop,
        check_id=new_id(done_at),
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

    shop, done_at = shop_and_moment(args)
    mode = probe_mode_said(shop, args)
    studying.known(shop, args.gauge, mode, args.by)
    temperature = _temperature(args)
    note = plain_text(args.note, "--note") if args.note is not None else None
    unit = Unit(args.unit) if args.unit else None
    taking = studying.StudyTaking(shop, mode, lambda: _study_profile(args, shop, unit), unit)
    check_id = new_id(done_at)
    captures = shop_folder_of(args).captures
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
    archive = archive_of(args)
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

    folder = shop_folder_of(args)
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
    archive_of(args).commit_checks(rows, args.now())
    return tell(args, f"check {rows[0].check_id}: {answer}", check_id=rows[0].check_id, kind=rows[0].kind)


def _row_json(row: GaugeCheck) -> dict[str, Any]:
    names = ("standard_id", "certified_um", "mean_um", "error_um", "tolerance_um", "tolerance_rule")
    return {**{n: str(getattr(row, n)) for n in names}, "within": row.within}


def _error_said(row: Any) -> str:
    """Return the error and the tolerance of a standard that was measured; what is not equal never looks so."""
    from fractions import Fraction

    from rules.wording import apart

    size, tolerance = apart(abs(Fraction(row.error_um)), Fraction(row.tolerance_um), 2)
    return f"error {_MINUS if row.error_um < 0 else ''}{size} µm, tolerance ±{tolerance} µm"


def _um(value: Any) -> str:
    return f"{value:.2f}".replace("-", _MINUS)
