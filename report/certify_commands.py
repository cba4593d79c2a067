"""`filmtally certify`: one signed certificate, many at once, or a draft to look at.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import os
import sys

from report.at_hand import path_of
from report.signing_commands import add_level_option, add_secret_options, level_of, passphrase_of, pin_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from report.batches import Outcome
    from report.issuing import Issued, Wish
    from schemas.inspections import Inspection

_COLUMNS = ("inspection", "packing_slip", "quantity", "received", "why")
_MOST_DIGITS = 10
_STOPPED = 130  # what a shell says of a program that was interrupted
_MOST_WORKERS = 61  # as report.batches has it, which is heavy to import


def register(commands: Any) -> None:
    """Add `certify` to *commands*, an argparse subparsers action."""
    certify = commands.add_parser(
        "certify",
        help="issue signed certificates",
        description="Issue a signed certificate for one inspection, or for many at once. Of many, those that cannot be "
        "certified are named and the others are issued; whatever ends it, the same command again does the rest.",
    )
    certify.add_argument(
        "inspection", metavar="INSPECTION", nargs="*", help="its number, the beginning of one, or its lot"
    )
    certify.add_argument("--all", action="store_true", help="every sealed inspection that has no certificate yet")
    certify.add_argument(
        "--list",
        type=path_of,
        metavar="CSV",
        help=f"inspections with what goes with each: columns {', '.join(_COLUMNS)}, the first alone is needed",
    )
    certify.add_argument("--signer", required=True, metavar="CODE", help="inspector who signs")
    add_secret_options(certify)
    add_level_option(certify)
    certify.add_argument("--packing-slip", metavar="NUMBER", help="packing slip that the pieces go out with")
    certify.add_argument("--quantity", type=int, metavar="N", help="pieces that go out with it")
    certify.add_argument("--received", metavar="DAY", help="day on which the parts came in, as 2026-01-31")
    certify.add_argument(
        "--type",
        choices=("3.1", "3.2"),
        help="type of inspection certificate by EN 10204 (default: as the customer's file asks)",
    )
    certify.add_argument("--why", metavar="REASON", help="issue a new revision that supersedes the last one")
    certify.add_argument(
        "--deviation",
        metavar="TEXT",
        help="what the certificate deviates in, printed on the first page; needed where the gate does not cover it",
    )
    certify.add_argument("--deviation-by", metavar="CODE", help="who states the deviation")
    certify.add_argument(
        "--draft",
        type=path_of,
        metavar="FILE",
        help="write what it would look like to FILE (.pdf or .html), unsigned and not registered",
    )
    certify.add_argument("--html", action="store_true", help="write the same page for a browser beside each PDF")
    certify.add_argument(
        "--workers",
        type=int,
        metavar="N",
        default=min(os.cpu_count() or 1, _MOST_WORKERS),
        help="processes that lay out many certificates",
    )
    certify.add_argument("--json", action="store_true", help="answer as JSON")
    certify.set_defaults(run=_certify)


def _certify(args: argparse.Namespace) -> int:
    from archive.shop_folder import ShopFolder
    from archive.store import Archive
    from schemas.errors import BadInput

    folder = ShopFolder(args.shop)
    folder.shop()
    archive = Archive(folder.archive, args.bench)
    named = sum((bool(args.inspection), args.all, args.list is not None))
    if named != 1:
        raise BadInput("name inspections or lots, or say --all or --list FILE; one of the three")
    if not 1 <= args.workers <= _MOST_WORKERS:
        raise BadInput(f"--workers {args.workers}: 1 to {_MOST_WORKERS}")
    wanted = _wanted(args, archive)
    if args.draft is not None:
        if len(wanted) != 1:
            raise BadInput("--draft shows one certificate; name one inspection")
        return _draft(args, folder, archive, *wanted[0])
    if len(args.inspection) == 1:
        return _one(args, folder, archive, *wanted[0])
    return _many(args, folder, archive, wanted)


# what is asked for


def _wanted(args: argparse.Namespace, archive: Archive) -> list[tuple[Inspection, Wish]]:
    from dataclasses import replace

    from archive.naming import inspection_named
    from report.batches import certified
    from schemas.errors import BadInput

    wish = _wish(args)
    if args.list is not None:
        found = []
        lines: dict[str, str] = {}
        for where, row in _rows(args.list):
            try:
                inspection = inspection_named(row["inspection"], archive)
            except BadInput as wrong:
                raise BadInput(f"{where}: {wrong.sentence}") from None
            before = lines.setdefault(inspection.inspection_id, where)
            if before != where:
                raise BadInput(
                    f"{where}: inspection {inspection.inspection_id} stands in {before} already; take one out"
                )
            found.append((inspection, _of_row(wish, row, where)))
        return found
    if args.all:
        left = [i for i in archive.inspections() if certified(archive, i) is None]
        # One that was never certified has nothing to supersede, whatever the reason for the others is.
        known = {c.inspection_id for c in archive.certificates()}
        return [(i, wish if i.inspection_id in known else replace(wish, why=None)) for i in left]
    names: set[str] = set()
    found = [(inspection_named(name, archive), wish) for name in args.inspection]
    for inspection, _ in found:
        if inspection.inspection_id in names:
            raise BadInput(f"inspection {inspection.inspection_id} is named twice; name it once")
        names.add(inspection.inspection_id)
    return found


def _wish(args: argparse.Namespace) -> Wish:
    from report.issuing import Wish
    from report.named_days import day_named

    return Wish(
        args.signer,
        args.deviation,
        args.deviation_by,
        args.why,
        packing_slip=_text(args.packing_slip, "--packing-slip"),
        quantity=_quantity(args.quantity, "--quantity"),
        received_on=None if args.received is None else day_named("--received", args.received),
        document_type=args.type,
        html=args.html,
        level=level_of(args),
    )


def _of_row(wish: Wish, row: dict[str, str], where: str) -> Wish:
    """Return *wish* with what a row of a list says."""
    from dataclasses import replace

    from report.named_days import day_named
    from schemas.errors import BadInput

    received = row.get("received")
    quantity = row.get("quantity") or None
    if quantity is not None and not (quantity.isascii() and quantity.isdigit() and len(quantity) <= _MOST_DIGITS):
        raise BadInput(f"{where}: quantity {quantity[:20]!r} is no number of pieces; write it as 40")
    return replace(
        wish,
        packing_slip=_text(row.get("packing_slip") or wish.packing_slip, f"{where}: packing_slip"),
        quantity=wish.quantity if quantity is None else _quantity(int(quantity), f"{where}: quantity"),
        received_on=day_named(f"{where}: received", received) if received else wish.received_on,
        why=row.get("why") or wish.why,
    )


def _rows(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Return the rows of a list with where each stands."""
    import csv
    import io

    from schemas.errors import BadInput

    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); name a list saved as CSV") from None
    except UnicodeDecodeError as wrong:
        raise BadInput(f"{path}: byte {wrong.start + 1} is not UTF-8; save the list as CSV, UTF-8") from None
    # A spreadsheet in a country with a decimal comma parts columns by semicolons.
    head = (text.splitlines() or [""])[0]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in head else ",", strict=True)
    rows = []
    try:
        columns = [name.strip() for name in next(reader, [])]
        if "inspection" not in columns or set(columns) - set(_COLUMNS) or len(set(columns)) < len(columns):
            raise BadInput(
                f"{path}: line 1: the columns are {', '.join(_COLUMNS)}, each once, and inspection has to be there"
            )
        for cells in reader:
            where = f"{path}: line {reader.line_num}"
            if not any(cell.strip() for cell in cells):
                continue  # a spreadsheet's empty rows
            if len(cells) != len(columns):
                raise BadInput(f"{where}: has {len(cells)} columns and line 1 has {len(columns)}")
            row = {name: cell.strip() for name, cell in zip(columns, cells, strict=True)}
            if not row["inspection"]:
                raise BadInput(f"{where}: names no inspection")
            rows.append((where, row))
    except csv.Error as wrong:
        raise BadInput(f"{path}: line {reader.line_num}: is no CSV ({wrong})") from None
    if not rows:
        raise BadInput(f"{path}: names no inspection")
    return rows


def _text(text: str | None, option: str) -> str | None:
    from schemas.errors import BadInput
    from schemas.letters import unfit

    if text is None:
        return None
    if not text.strip() or len(text) > 200:
        raise BadInput(f"{option} has {len(text)} characters; it takes 1 to 200")
    why = unfit(text)
    if why is not None:
        raise BadInput(f"{option}: {why}")
    return text.strip()


def _quantity(number: int | None, option: str) -> int | None:
    from schemas.errors import BadInput

    if number is not None and not 1 <= number <= 2_000_000_000:
        raise BadInput(f"{option} {number}: a number of pieces, 1 or more")
    return number


# what is done


def _draft(args: argparse.Namespace, folder: ShopFolder, archive: Archive, inspection: Inspection, wish: Wish) -> int:
    import json
    from dataclasses import replace

    from report.certificate import draft
    from report.issuing import prepare
    from report.web_page import web_page
    from schemas.errors import BadInput

    ending = args.draft.suffix.lower()
    if ending not in (".pdf", ".html"):
        raise BadInput(f"--draft {args.draft}: name a file that ends in .pdf or .html")
    if args.draft.resolve().is_relative_to(folder.certificates.resolve()):
        raise BadInput(f"--draft {args.draft}: issued certificates lie there, and a draft is none; name another place")
    ready = prepare(folder, archive, inspection, replace(wish, why=wish.why or "draft"), args.now())
    made = draft(ready.evidence, ready.assessment, ready.facts, ready.look, is_draft=True)
    content = made.pdf.content if ending == ".pdf" else web_page(made.html, ready.look).encode()
    try:
        args.draft.write_bytes(content)
    except OSError as wrong:
        raise BadInput(f"{args.draft}: cannot be written ({wrong.strerror}); name another file") from None
    number, revision = ready.facts.number, ready.facts.revision
    if args.json:
        print(json.dumps({"draft": str(args.draft), "number": number, "revision": revision}, ensure_ascii=False))
    else:
        print(f"draft of certificate {number} revision {revision}: {args.draft}; nothing was issued")
    return 0


def _one(args: argparse.Namespace, folder: ShopFolder, archive: Archive, inspection: Inspection, wish: Wish) -> int:
    import json

    from report.issuing import issue

    issued = issue(folder, archive, inspection, wish, lambda: passphrase_of(args), args.now(), lambda: pin_of(args))
    if args.json:
        print(json.dumps(_plain(issued)))
    else:
        print(_line(issued))
    return _code(issued)


def _many(args: argparse.Namespace, folder: ShopFolder, archive: Archive, wanted: list[tuple[Inspection, Wish]]) -> int:
    import json
    import traceback

    from report.batches import issue_many
    from report.issuing import open_identity
    from report.key_names import refuse_anothers_key

    if not wanted:
        print("[]" if args.json else "every sealed inspection has its certificate")
        return 0
    seen = 0

    def done(outcome: Outcome) -> None:
        nonlocal seen
        seen += 1
        at = f"{seen}/{len(wanted)}"
        if outcome.refused is not None:
            if outcome.refused.__cause__ is not None:
                traceback.print_exception(outcome.refused.__cause__)
            print(f"filmtally: {at} {outcome.refused.sentence}", file=sys.stderr)
        elif not args.json:
            print(f"{at} {_line(outcome.issued) if outcome.issued else _before(outcome)}", flush=True)
        elif sys.stderr.isatty():
            print(f"{at}", file=sys.stderr)

    def identity() -> Any:
        shop = folder.shop()
        opened = open_identity(folder, shop, args.signer, lambda: passphrase_of(args), args.now(), lambda: pin_of(args))
        refuse_anothers_key(opened, shop.find_inspector(args.signer).name)
        return opened

    try:
        outcomes = issue_many(folder, archive, wanted, identity, args.now, args.workers, done)
    except KeyboardInterrupt:
        print(f"filmtally: stopped at {seen}/{len(wanted)}; the same command again does the rest", file=sys.stderr)
        return _STOPPED
    issued = [o.issued for o in outcomes if o.issued is not None]
    refused = [o for o in outcomes if o.refused is not None]
    before = len(outcomes) - len(issued) - len(refused)
    if args.json:
        print(json.dumps([_outcome_json(o) for o in outcomes], ensure_ascii=False))
    else:
        said = [f"{len(issued)} issued", f"{before} had one before", f"{len(refused)} not certified"]
        print(", ".join(said))
    codes = [o.refused.exit_code for o in refused if o.refused is not None] + [_code(i) for i in issued]
    return max(codes, default=0)


def _outcome_json(outcome: Outcome) -> dict[str, Any]:
    name = outcome.inspection.inspection_id
    if outcome.refused is not None:
        return {"inspection_id": name, "refused": outcome.refused.sentence}
    if outcome.before is not None:
        before = outcome.before
        return {"inspection_id": name, "before": {"number": before.number, "revision": before.revision}}
    return {"inspection_id": name, "issued": _plain(outcome.issued) if outcome.issued else None}


def _before(outcome: Outcome) -> str:
    before = outcome.before
    return "" if before is None else f"certificate {before.number} revision {before.revision} was issued before"


def _line(issued: Issued) -> str:
    from report.figures import VERDICT_WORDS
    from rules.verdict import Verdict

    if issued.moved_aside is not None:
        print(
            f"filmtally: a PDF that was never registered stood in the way; it is now {issued.moved_aside}",
            file=sys.stderr,
        )
    entry = issued.entry
    return (
        f"certificate {entry.number} revision {entry.revision}, {VERDICT_WORDS[Verdict[entry.verdict]]}: {issued.path}"
    )


def _plain(issued: Issued) -> dict[str, Any]:
    entry = issued.entry
    said = {
        "number": entry.number,
        "revision": entry.revision,
        "code": entry.code,
        "pdf": str(issued.path),
        "verdict": entry.verdict,
        "pdf_sha256": entry.pdf_sha256,
    }
    return said if issued.html is None else said | {"html": str(issued.html)}


def _code(issued: Issued) -> int:
    return 0 if issued.entry.verdict == "PASS" else 1
