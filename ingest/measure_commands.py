"""The command `measure`: take the readings of one lot.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

from ingest.command_line import answers_json, archive_of, counts_said, path_said, resumed, shop_folder_of, tell
from ingest.seal_commands import seal_open

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from archive.shop_folder import ShopFolder
    from ingest.facts import InspectionFacts
    from ingest.live_session import Sat
    from ingest.open_inspection import OpenInspection

_TEXT_FACTS = ("purchase_order", "work_order", "rack", "rack_position", "powder", "powder_batch", "sprayer")
#: So long it is listened for Bluetooth LE devices.
_SCAN_S = 5.0


def register(commands: Any) -> None:
    measure = commands.add_parser(
        "measure",
        help="take an inspection: live from a gauge, typed, or from a capture file",
        description="Take the readings of one lot: from the gauge's link, typed one a line, or from a file (--from). "
        "Typed words that begin with @ (@undo, @exclude REASON, @next, @piece NAME, @location NAME, @base NAME, @coated, "
        "@skip REASON, @note TEXT, @pause, @request, @accept REASON, @leave-out, @finish) steer. What is shown as taken "
        "is on disk. Without a job it goes on with the open inspection.",
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
    measure.add_argument(
        "--link",
        action="append",
        metavar="ADDRESS",
        help="listen to this link: serial:/dev/ttyUSB0, COM3, socket://HOST:PORT, ble:name=NAME, folder:PATH, keys ...; "
        "may be repeated (default: the gauge's link in shop.toml, else typed as bare figures). With keys a line is read by the gauge's "
        "profile and, where that does not fit, as bare figures",
    )
    measure.add_argument("--list-links", action="store_true", help="list the links that are there, and end")
    measure.add_argument("--plain", action="store_true", help="plain lines instead of the screen")
    measure.add_argument(
        "--sound",
        choices=("auto", "bell", "tones", "off"),
        default="auto",
        help="what is heard on the screen (default: auto)",
    )
    measure.add_argument("--profile", metavar="NAME", help="line profile (default: the gauge's; 'typed': bare figures)")
    measure.add_argument("--measured-at", metavar="TIME", help="when, for a capture whose lines do not say")
    measure.add_argument("--pieces", type=int, metavar="N", help="how many pieces are measured, called 1 to N")
    measure.add_argument("--piece", action="append", metavar="NAME", help="a piece to be measured; may be repeated")
    measure.add_argument("--lot-size", type=int, metavar="N")
    measure.add_argument("--coats", type=int, metavar="N", help="coats on the parts, this one included (default: 1)")
    measure.add_argument("--bakes", type=int, metavar="N", help="bakes, the last one included (default: as the coats)")
    for fact in _TEXT_FACTS:
        measure.add_argument(f"--{fact.replace('_', '-')}")
    measure.add_argument(
        "--accept", action="append", metavar="LINE=REASON", help="take a line although something speaks against it"
    )
    measure.add_argument("--set-aside", action="append", metavar="LINE=REASON", help="keep a line as no reading")
    measure.add_argument(
        "--again",
        metavar="REASON",
        help="take a capture although the very same bytes were taken before, or begin although the lot has an open inspection",
    )
    measure.add_argument(
        "--resume",
        nargs="?",
        const="",
        metavar="INSPECTION",
        help="go on with an open inspection (without a name: the only one)",
    )
    measure.add_argument("--open", action="store_true", help="list the open inspections, and do nothing else")
    measure.add_argument("--keep-open", action="store_true", help="do not seal when the plan is complete")
    measure.add_argument(
        "--coach", action="store_true", help="when it is sealed, say the one thing to change on the next rack"
    )
    measure.add_argument("--dry-run", action="store_true", help="show how the capture reads, and keep nothing")
    answers_json(measure)
    measure.set_defaults(run=_measure, takes_readings=True)


def _measure(args: argparse.Namespace) -> int:
    from ingest.open_inspection import open_ids
    from ingest.start_at_terminal import started
    from schemas.errors import BadInput

    if args.list_links:
        return _list_links(args)
    done = started(args)
    if done is not None:
        return done
    if args.resume is None and args.job is None and (args.captures or not open_ids(shop_folder_of(args))):
        raise BadInput(
            "name the job, as in 'filmtally measure JOB --lot LOT --inspector CODE --gauge SERIAL'; no inspection is open "
            "that could be gone on with"
        )
    if args.captures and args.link:
        raise BadInput("--from and --link exclude each other; take the capture, or listen to the gauge")
    if args.captures:
        return _measure_from_files(args)
    if args.dry_run or args.accept or args.set_aside or args.measured_at:
        raise BadInput("--dry-run, --accept, --set-aside and --measured-at go with a capture; name it with --from")
    return _measure_live(args)


def _measure_from_files(args: argparse.Namespace) -> int:
    from contextlib import ExitStack

    from ingest.capture_store import keep, taking_alone
    from ingest.new_inspection import facts_of
    from ingest.open_inspection import OpenInspection, SaidOfLines, taken_as
    from ingest.said import moment, numbered, plain_text

    folder = shop_folder_of(args)
    if args.again is not None:
        plain_text(args.again, "--again")
    facts = facts_of(args, folder) if args.resume is None else None
    kept = [keep(path, folder.captures) for path in args.captures]
    accept, set_aside = numbered(args.accept, "--accept"), numbered(args.set_aside, "--set-aside")
    with ExitStack() as opened:
        with taking_alone(folder.root):
            # A reason to take again what was never taken would be an untrue word in the record.
            again = args.again if any(taken_as(folder, k.sha256) for k in kept) else None
            said = SaidOfLines(accept, set_aside, again)
            if _already_taken(args, folder, [k.sha256 for k in kept], facts):
                return 0
            inspection_id = facts.inspection_id if facts else resumed(args, folder)
            inspection = opened.enter_context(OpenInspection(folder, inspection_id, args.now(), facts))
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


def _measure_live(args: argparse.Namespace) -> int:
    import os

    from ingest.links.unreachable import refuse_unreachable
    from ingest.live_session import addresses_of, sit
    from ingest.new_inspection import links_said
    from ingest.open_inspection import OpenInspection
    from ingest.plain_lines import Ended
    from ingest.said import number_of
    from ingest.terminal import screen_possible

    folder = shop_folder_of(args)
    facts, inspection_id = _new_or_open(args, folder)
    archive = archive_of(args)
    with OpenInspection(folder, inspection_id, args.now(), facts) as inspection:
        serial = inspection.facts.gauge_serial
        gauge = next((g for g in folder.shop().gauge if g.serial == serial), None)
        said = list(args.link or ()) or (links_said(args, gauge) if gauge is not None else [])
        addresses = addresses_of(said or inspection.live.session_links)
        for address in addresses:
            # A file that was read to its end before may be gone by now, and what it held goes on.
            if address.name not in inspection.live.origins:
                refuse_unreachable(address)
        on_screen = not args.plain and not args.json and screen_possible(sys.stdin, sys.stdout, os.environ)
        shows = sys.stderr if args.json else sys.stdout  # the answer alone is on standard output
        if not on_screen:  # the screen has its own key, and what is counted now would stand there when it is left
            end = ", end with an empty input (Ctrl-D)" if sys.stdin.isatty() else ""
            print(
                f"inspection {inspection_id}: {counts_said(inspection)}; what is shown as taken is on disk{end}",
                file=shows,
                flush=True,
            )
        sat = sit(
            inspection,
            addresses,
            gauge,
            lambda: archive.checks(serial),
            args.now,
            on_screen=on_screen,
            sound=args.sound,
            out=shows,
            also_figures="keys" in said,
        )
        if sat.ended is not Ended.FINISHED or sat.stopped is not None:
            return _left_open(args, inspection, sat)
        if addresses and not inspection.has_begun and not sys.stdin.isatty():
            print("filmtally: nothing was taken, so nothing is kept", file=sys.stderr)
            _answer_open(args, inspection)
            return 2
        if sys.stdin.isatty():
            print(file=shows)
        if args.keep_open:
            return _answer_open(args, inspection)
        refused = sat.problems if not sys.stdin.isatty() else 0
        if refused:
            print(
                f"filmtally: {number_of(refused, 'of the lines above was', 'of the lines above were')} not taken; see the sentences",
                file=sys.stderr,
            )
        return seal_open(args, folder, inspection, None) or int(bool(refused))


def _answer_open(args: argparse.Namespace, inspection: OpenInspection) -> int:
    """Answer with what an inspection that stays open holds, where JSON is asked for, and return 0."""
    asked = inspection.live.question
    if args.json:
        tell(
            args,
            "",
            inspection_id=inspection.facts.inspection_id if inspection.has_begun else None,
            sealed=False,
            readings_counted=inspection.taking.counted,
            lines_waiting=len(inspection.live.waiting),
            question=None if asked is None else asked.sentence,
        )
    return 0


def _left_open(args: argparse.Namespace, inspection: OpenInspection, sat: Sat) -> int:
    """Say that the inspection stays open, and return the exit code: as a program that the signal ended, else 2."""
    import contextlib

    from ingest.plain_lines import Ended
    from ingest.said import number_of

    inspection_id = inspection.facts.inspection_id
    waiting = len(inspection.live.waiting)
    if not inspection.has_begun:
        kept = "nothing was taken, so nothing is kept"
    else:
        kept = (
            f"inspection {inspection_id} stays open with {counts_said(inspection)}; what was shown as taken is on disk"
        )
        if waiting:
            kept += f", and {number_of(waiting, 'line waits', 'lines wait')} there for the answer"
        kept += f", go on with 'filmtally measure --resume {inspection_id}'"
    asked = inspection.live.question
    why = sat.stopped or (f"a question is open: {asked.sentence}" if asked is not None else "left")
    with contextlib.suppress(OSError):  # the terminal may be gone
        print(f"\nfilmtally: {why}; {kept}", file=sys.stderr, flush=True)
    with contextlib.suppress(OSError):
        _answer_open(args, inspection)
    if sat.signal_no is not None:
        return 128 + sat.signal_no
    return 0 if sat.ended is Ended.LATER and sat.stopped is None else 2


def _new_or_open(args: argparse.Namespace, folder: ShopFolder) -> tuple[InspectionFacts | None, str]:
    """Return the facts of a new inspection with its name, or None with the name of the open one that is gone on with.

    A lot that has an open inspection is gone on with: two for one lot are nearly always one that was forgotten.

    Raises:
        BadInput: Something is missing or unknown, or the open one of this lot is by somebody else or another gauge.
    """
    import dataclasses

    from ingest.new_inspection import facts_of
    from ingest.open_inspection import open_for
    from ingest.said import number_of, plain_text
    from schemas.errors import BadInput

    if args.resume is not None or args.job is None:
        return None, resumed(args, folder)
    found = open_for(folder, args.job, args.lot) if args.lot else None
    if found is None:
        facts = facts_of(args, folder)
        return facts, facts.inspection_id
    here = f"lot {found.lot!r} has the open inspection {found.inspection_id}"
    another = "or begin another with --again REASON"
    if args.again is not None:
        plain_text(args.again, "--again")
        facts = facts_of(args, folder)
        note = f"begun although inspection {found.inspection_id} of the same lot was open: {args.again}"
        return dataclasses.replace(facts, notes=(*facts.notes, note)), facts.inspection_id
    for what, theirs, ours in (
        ("gauge", found.gauge_serial, args.gauge),
        ("inspector", found.inspector, args.inspector),
    ):
        if ours and theirs != ours:
            raise BadInput(
                f"{here} with {what} {theirs}, not {ours}; go on with it by 'filmtally measure --resume "
                f"{found.inspection_id}', {another}"
            )
    told = f"{here}: this goes on with it, inspector {found.inspector}, gauge {found.gauge_serial} ({another})"
    if (asked_for := _other_pieces(args, found)) is not None:
        told += (
            f"; it was begun with {number_of(len(found.pieces), 'piece', 'pieces')}, and {asked_for} changes nothing"
        )
    print(told, file=sys.stderr if args.json else sys.stdout)
    return None, found.inspection_id


def _other_pieces(args: argparse.Namespace, found: InspectionFacts) -> str | None:
    """Return the option that asks for other pieces than those with which *found* was begun, or None."""
    if args.piece and tuple(args.piece) != found.pieces:
        return f"--piece {' --piece '.join(args.piece[:3])}{' …' if len(args.piece) > 3 else ''}"
    if args.pieces is not None and args.pieces != len(found.pieces):
        return f"--pieces {args.pieces}"
    return None


def _bluetooth_said(device: Any) -> tuple[str, str]:
    form = f"; form {device.form!r} fits" if device.form else ""
    return f"ble:{device.address}", f"{device.name or 'without a name'}, heard with {device.rssi_dbm} dBm{form}"


def _list_links(args: argparse.Namespace) -> int:
    """List the serial ports and the Bluetooth LE devices that are there."""
    import importlib

    from schemas.errors import BadInput

    found: list[tuple[str, str]] = []
    missing: list[str] = []
    for module, what in (("serial_port", "serial ports"), ("bluetooth", "Bluetooth")):
        try:
            there = importlib.import_module(f"ingest.links.{module}")
            listed = there.ports() if module == "serial_port" else there.scan(_SCAN_S)
            found += listed if module == "serial_port" else [_bluetooth_said(device) for device in listed]
        except ImportError:
            missing.append(f"{what}: not built in")
        except BadInput as fault:
            missing.append(f"{what}: {fault.sentence}")
    lines = [f"{address}  {said}" for address, said in found] or [
        "no gauge's link is there; plug it in or switch it on"
    ]
    told = "\n".join([*lines, *missing])
    return tell(args, told, links=[{"link": address, "said": said} for address, said in found], missing=missing)


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
