"""The start of `measure`: what a work order, the open inspections and the inspector say, put where the options stand.

The questions are those of ingest/starting.py and ingest/open_first.py; here they are asked in plain lines, which any
terminal shows and any scanner that types can answer.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tomllib
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from archive.shop_folder import ShopFolder
from ingest.command_line import shop_folder_of, tell
from ingest.starting import Asked, Dialog, Dialogue, Drawn, Named, ShopSeen, Step, order_facts
from ingest.work_orders import COLUMNS, WorkOrders, read_orders
from schemas.errors import BadInput, FilmtallyError
from schemas.job import Job
from schemas.shop import Gauge, Shop
from schemas.vocabulary import Demand

#: So many choices are listed at once; more would run off a small screen.
_MOST_LISTED: Final = 12
#: A person's answers, drawn and read by whoever shows them: returns what was typed, or None where the person leaves.
Ask = Callable[[Asked, str | None], str | None]


def started(args: argparse.Namespace, ask: Ask | None = None) -> int | None:
    """Fill in what *args* lacks, from the work order and from the inspector; ask nothing where nobody sits at a terminal.

    Args:
        args: What was said on the command line; filled in.
        ask: Shows a question, with the sentence against the last answer; in plain lines where None.

    Returns:
        None where the inspection can begin or go on, else the exit code of the command, which is done.

    Raises:
        BadInput: The work order, or what was given, is wrong.
        KeyboardInterrupt: The inspector left; nothing was made.
    """
    folder = shop_folder_of(args)
    if args.open:
        return list_open(args, folder)
    if args.resume is None:
        ask = ask or (ask_in_lines if sys.stdin.isatty() and not args.json and not args.dry_run else None)
        if ask is not None and not _says_what(args):
            done = _open_first(args, folder, ask)
            if done is not None or args.resume is not None:
                return done
        _fill(args, folder, ask)
        if args.coats is None:
            args.coats = 1
    return None


def list_open(args: argparse.Namespace, folder: ShopFolder) -> int:
    """Print the open inspections and return 0."""
    from ingest.open_list import open_inspections

    shop = folder.shop()
    seen = open_inspections(folder, args.now())
    if args.json:
        return tell(args, "", open=[one.to_json() for one in seen])
    from ingest.open_first import OpenFirst

    if not seen:
        return tell(args, f"{folder.journals}: no inspection is open")
    asked = OpenFirst(seen, _clock(shop)).question()
    assert asked is not None  # noqa: S101 - nothing was answered yet
    for one, choice in zip(seen, asked.choices, strict=False):
        label = choice.label if choice.label.startswith(one.inspection_id) else f"{one.inspection_id}: {choice.label}"
        print(f"{label}{f'; {choice.note}' if choice.note else ''}")
    return 0


def asked_through(dialogue: Dialogue, ask: Ask) -> None:
    """Ask every question of *dialogue*.

    Raises:
        KeyboardInterrupt: The inspector left.
    """
    against: str | None = None
    while (asked := dialogue.question()) is not None:
        said = ask(asked, against)
        if said is None:
            raise KeyboardInterrupt
        against = dialogue.answer(said)


def ask_in_lines(asked: Asked, against: str | None) -> str | None:
    """Print a question and return the line that was typed, or None at the end of the input."""
    columns = shutil.get_terminal_size().columns
    for line in drawn(asked, against):
        for part in _broken(line, columns):
            print(part)
    print("> ", end="", flush=True)
    try:
        line = sys.stdin.readline()
    except UnicodeDecodeError:
        return "\x00"  # no text, and told so by whoever reads it
    return line.rstrip("\r\n") if line else None


def _broken(line: str, columns: int) -> list[str]:
    """Return *line* in parts that fit, broken between words; the indent stays."""
    from ingest.screen_text import width, wrap

    text = line.lstrip(" ")
    indent = len(line) - len(text)
    if width(line) <= columns or columns < 2 * indent + 10:
        return [line]
    return [" " * indent + part for part in wrap(text, columns - indent)]


def drawn(asked: Asked, against: str | None) -> Iterator[str]:
    """Yield the lines of a question."""
    yield ""
    if asked.known:
        width = max(len(name) for name, _ in asked.known)
        for name, value in asked.known:
            yield f"  {name:<{width}}  {value}"
        yield ""
    if asked.note:
        yield f"  NOTE: {asked.note}"
    yield asked.question.upper()
    listed = asked.choices[:_MOST_LISTED]
    if len(asked.choices) == _MOST_LISTED + 1:  # a line that says "1 more" is no shorter than the one
        listed = asked.choices
    for choice in listed:
        yield f"  {choice.number:>3}  {choice.label}"
        if choice.note:
            yield f"       {'! ' if choice.warns else ''}{choice.note}"
    if len(listed) < len(asked.choices):
        yield f"       … and {len(asked.choices) - len(listed)} more; type part of a name to see fewer"
    if against:
        yield f"  NOT TAKEN: {against}"
    yield f"  ({asked.hint})"


def orders_of(folder: ShopFolder, shop: Shop) -> WorkOrders | None:
    """Return the shop's work orders, or None where it keeps none.

    Raises:
        BadInput: shop.toml names a table that is not there, or it is no such table.
    """
    import re

    path = folder.root / shop.orders.file
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        if "file" not in shop.orders.model_fields_set:
            return None
        raise BadInput(
            f"{path}: there is no such file; export the work orders there, or correct orders.file in shop.toml"
        ) from None
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); close it elsewhere, or export it anew") from None
    return read_orders(data, str(path), re.compile(shop.orders.scanned) if shop.orders.scanned else None)


def _says_what(args: argparse.Namespace) -> bool:
    return bool(args.job or args.lot or args.work_order or args.captures)


def _open_first(args: argparse.Namespace, folder: ShopFolder, ask: Ask) -> int | None:
    """Ask what becomes of the open inspections; put it into *args*, or return the exit code where all is done."""
    from ingest.open_first import OpenFirst, Way
    from ingest.open_inspection import OpenInspection
    from ingest.open_list import open_inspections
    from ingest.seal_commands import seal_open

    shop = folder.shop()
    while seen := open_inspections(folder, args.now()):
        dialogue = OpenFirst(seen, _clock(shop))
        _unharmed(args, dialogue, ask)
        decision = dialogue.decision
        assert decision is not None  # noqa: S101 - nothing is asked any more
        if decision.way is Way.GO_ON:
            args.resume = decision.inspection_id
            return None
        if decision.way is Way.BEGIN:
            return None
        with OpenInspection(folder, decision.inspection_id, args.now()) as inspection:
            if decision.way is Way.GIVE_UP and decision.reason is not None:
                inspection.abandon(decision.reason, inspection.facts.inspector, args.now())
                print(
                    f"inspection {decision.inspection_id}: given up ({decision.reason}); kept in {folder.journals / 'abandoned'}"
                )
                continue
            return seal_open(args, folder, inspection, decision.reason)
    return None


def _fill(args: argparse.Namespace, folder: ShopFolder, ask: Ask | None) -> None:
    """Fill *args* from the work order, and from the inspector where *ask* is there to ask."""
    if not args.work_order and ask is None:
        return
    shop = folder.shop()
    # What was given is looked at before anything is asked: nobody answers ten questions to hear that the first word was wrong.
    if args.job:
        folder.job(args.job)
    if args.inspector:
        shop.find_inspector(args.inspector)
    if args.gauge:
        shop.find_gauge(args.gauge)
    seen = _shop_seen(args, folder, shop)
    given = {name: value for name in (*COLUMNS, *(s.value for s in Step), "piece") if (value := getattr(args, name))}
    if args.work_order:
        given |= _work_order_given(args, seen, given, ask)
    if ask is not None:
        dialog = Dialog(seen, given)
        _unharmed(args, dialog, ask)
        given = dialog.facts
    for name, value in given.items():
        setattr(args, name, value)


def _work_order_given(
    args: argparse.Namespace, seen: ShopSeen, given: dict[str, str | int], ask: Ask | None
) -> dict[str, str | int]:
    """Return what the work order of the command line says beside *given*; the number as the table has it.

    Raises:
        BadInput: It is not in the table or wrong there, and job or lot are not given; or it is of others.
    """
    orders = seen.orders
    if orders is None:
        return {}
    order = orders.find(args.work_order)
    if order is None:
        if args.job and args.lot:
            return {}  # an order younger than the export: all that is needed was said
        raise BadInput(orders.not_found(args.work_order))
    told = {name: value for name, value in given.items() if name != "work_order"}
    facts, note = order_facts(order.facts(), told, seen, f"{orders.where}: line {order.line}")
    if note is not None and "job" not in told and ask is None:
        raise BadInput(f"{note}, and name it as JOB")
    return facts | told


def _unharmed(args: argparse.Namespace, dialogue: Dialogue, ask: Ask) -> None:
    """Ask; who leaves in the midst of it is not told that readings are safe, since there are none."""
    takes, args.takes_readings = args.takes_readings, False
    asked_through(dialogue, ask)
    args.takes_readings = takes


def _shop_seen(args: argparse.Namespace, folder: ShopFolder, shop: Shop) -> ShopSeen:
    def lot_drawn(job: str, lot: str) -> Drawn | None:
        if not folder.draws.is_dir():
            return None
        from archive.draws import draws_of

        draws = draws_of(folder.draws, job, lot)
        return Drawn(draws[-1].lot_size, len(draws[-1].pieces)) if draws else None

    def demanded(job: Job) -> frozenset[Demand]:
        try:
            customer = folder.customer(job.customer)
        except FilmtallyError:
            return frozenset()  # a customer's file that is wrong stops a certificate, and no measuring
        return frozenset(customer.demands) if customer else frozenset()

    looked: dict[tuple[str, str], bool] = {}

    def lot_is_open(job: str, lot: str) -> bool:
        from ingest.open_inspection import open_for

        if args.again is not None or args.captures:
            return False  # another one is begun
        if (job, lot) not in looked:
            looked[job, lot] = open_for(folder, job, lot) is not None
        return looked[job, lot]

    def no_plan(job: Job, lot_size: int) -> str | None:
        from rules.lot_judgement import LotTerms, state_plan

        if job.sampling is None:
            return None
        try:
            state_plan(job.sampling, LotTerms(lot_size))
        except ValueError as without:
            return f"a lot of {lot_size}: {without}"
        return None

    return ShopSeen(
        jobs=tuple(Named(name, title_of(folder.root / "jobs" / f"{name}.toml")) for name in folder.names("jobs")),
        job=folder.job,
        orders=orders_of(folder, shop),
        inspectors=tuple(Named(i.code, f"{i.name}, {i.role}") for i in shop.inspector),
        gauges=lambda job: _gauges(args, folder, shop, job),
        drawn=lot_drawn,
        demands=demanded,
        plan_fault=no_plan,
        is_open=lot_is_open,
    )


def title_of(path: Path) -> str:
    """Return the title of a job file without checking the rest of it: a shop has hundreds, and one is picked."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        for line in text.splitlines():
            if line.startswith("["):
                break
            if line.startswith("title"):
                return str(tomllib.loads(line)["title"])
        return str(tomllib.loads(text)["title"])
    except (OSError, ValueError, KeyError, RecursionError):
        return "its file cannot be read"  # picked, it says why


def _gauges(args: argparse.Namespace, folder: ShopFolder, shop: Shop, job: Job) -> tuple[Named, ...]:
    """Return the gauges that can measure *job*, each with what its calibration and its checks are worth now."""
    from archive.store import Archive
    from rules.calibration_gate import GateNow, summarize_check
    from rules.results import GateState

    now = args.now()
    today = now.astimezone(ZoneInfo(shop.time_zone)).date()
    mode = job.probe_mode.value
    clock = _clock(shop)
    try:
        checks = Archive(folder.archive, args.bench).checks()
    except FilmtallyError as wrong:
        checks, unread = [], f"; its checks cannot be read: {wrong.sentence}"
    else:
        unread = ""
    gate = GateNow(checks, job, shop)

    def named(gauge: Gauge) -> Named:
        due = max((c.due for c in checks if c.gauge_serial == gauge.serial and c.due), default=gauge.calibration_due)
        due = max(due, gauge.calibration_due)
        calibrated = f"calibration holds to {due}" if today <= due else f"calibration ran out on {due}"
        coverage = gate.judge(gauge.serial, mode, now)
        if unread:
            return Named(gauge.serial, gauge.name or "", f"{calibrated}{unread}", warns=True)
        if coverage.state not in (GateState.COVERED, GateState.OPEN):
            return Named(
                gauge.serial, gauge.name or "", f"{calibrated}; NOT COVERED NOW: {coverage.reason}", warns=True
            )
        done = [c for c in checks if c.check_id == coverage.opening_check_id]
        last = summarize_check(checks, done[0].check_id) if done else None
        checked = f"checked {clock(last.done_at)}, " if last else ""
        return Named(gauge.serial, gauge.name or "", f"{calibrated}; {checked}valid now")

    return tuple(named(gauge) for gauge in shop.gauge if job.probe_mode in gauge.probe_modes)


def _clock(shop: Shop) -> Callable[[datetime], str]:
    zone = ZoneInfo(shop.time_zone)
    return lambda moment: f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"
