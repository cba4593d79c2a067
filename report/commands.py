"""The commands from the archive to a reader: new, assess, certify, verify, history, coach, and those of archive.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import sys

from report import archive_commands, certify_commands, coach_commands, history_commands, signing_commands
from report.at_hand import archive_of, folder_of, path_of
from report.signing_commands import (
    add_secret_options,
    add_trust_options,
    make_self_made,
    trust_of,
)

_LONGEST = 200  # characters of a lot's name or of a reason
_CURVE = (".svg",)  # how the name of a plan's curve ends
TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any

    from report.planning import LotPlan
    from rules.results import GateState
    from rules.verdict import Verdict


def register(commands: Any) -> None:
    """Add the commands of this wing to *commands*, an argparse subparsers action."""
    _register_new(commands)
    signing_commands.register(commands)
    _register_assess(commands)
    certify_commands.register(commands)
    _register_verify(commands)
    history_commands.register(commands)
    coach_commands.register(commands)
    archive_commands.register(commands)


# new


def _register_new(commands: Any) -> None:
    new = commands.add_parser("new", help="make a starter shop folder")
    new.add_argument("folder", type=path_of, metavar="FOLDER")
    new.add_argument("--signer", default=None, metavar="CODE", help="make a key for this inspector as well")
    add_secret_options(new)
    new.set_defaults(run=_new)


def _new(args: argparse.Namespace) -> int:
    from datetime import timedelta

    from report.starting import start
    from schemas.errors import BadInput

    code = args.signer or "ab"
    if not code.isascii() or not code.isalnum():
        raise BadInput(f"--signer {code!r}: a code is letters and digits, such as ab")
    today = args.now().date()
    files = start(args.folder, code, today.isoformat(), (today + timedelta(days=365)).isoformat())
    args.shop = args.folder
    for path in files:
        print(path)
    if args.signer:
        make_self_made(args, code)
    print(f"now put your own shop into {args.folder / 'shop.toml'}, then your parts into {args.folder / 'jobs'}")
    return 0


# assess


def _register_assess(commands: Any) -> None:
    assess = commands.add_parser("assess", help="judge an inspection: gate, verdict per location, advice")
    assess.add_argument(
        "inspection", nargs="?", metavar="INSPECTION", help="its number, the beginning of one, or its lot"
    )
    assess.add_argument("--all", action="store_true", help="every inspection, one line each")
    assess.add_argument(
        "--rules", action="store_true", help="list the acceptance rules, their sources, and how well each is known"
    )
    assess.add_argument(
        "--plan",
        metavar="JOB",
        help="before measuring: how many pieces of a lot this job asks for, drawn at random, and what that can tell",
    )
    assess.add_argument("--lot", help="with --plan: the lot to draw from; the draw is written down")
    assess.add_argument("--lot-size", type=int, metavar="N", help="with --plan: pieces in the lot")
    assess.add_argument(
        "--seed", metavar="WORD", help="with --plan: draw with this seed, said before (default: a random one)"
    )
    assess.add_argument(
        "--draw-again", metavar="REASON", help="with --plan: draw this lot once more; the first draw is kept"
    )
    assess.add_argument("--picture", type=path_of, metavar="FILE", help="with --plan: the plan's curve as SVG")
    assess.add_argument("--replace", action="store_true", help="with --picture: write over a file that is there")
    assess.add_argument("--json", action="store_true", help="answer as JSON")
    assess.set_defaults(run=_assess)


def _assess(args: argparse.Namespace) -> int:
    import json

    from archive.naming import inspection_named
    from report.assessing import assessed
    from report.every_inspection import every_verdict
    from report.explanation import explanation_lines
    from report.figures import VERDICT_WORDS
    from report.plain_text import assessment_json
    from report.terminal_text import table, width
    from schemas.errors import BadInput

    if args.rules:
        return _list_rules(args)
    folder_of(args).shop()
    if args.plan is not None:
        return _plan(args)
    archive = archive_of(args)
    if args.all and args.json:
        cases = [assessed(archive, i) for i in archive.inspections()]
        print(json.dumps([assessment_json(c) for c in cases], ensure_ascii=False))
        return max((_assess_code(c.assessment.coverage.state, c.assessment.verdict) for c in cases), default=0)
    if args.all:
        found = every_verdict(archive)
        rows = [
            (
                one.inspection.inspection_id,
                one.inspection.part_no,
                one.inspection.lot,
                VERDICT_WORDS[one.verdict],
                f"gauge {one.state}",
            )
            for one in found
        ]
        print("\n".join(table(rows)) if rows else "no sealed inspection")
        return max((_assess_code(one.state, one.verdict) for one in found), default=0)
    if args.inspection is None:
        raise BadInput("name the inspection or its lot, or say --all or --rules")
    case = assessed(archive, inspection_named(args.inspection, archive))
    if args.json:
        print(json.dumps(assessment_json(case), ensure_ascii=False))
    else:
        print("\n".join(explanation_lines(case, width())))
    code = _assess_code(case.assessment.coverage.state, case.assessment.verdict)
    # Within its limits, and yet a feature does not fit: somebody has to look.
    return max(code, int(any(a.action.value == "accept" and a.reasons for a in case.assessment.advice)))


def _plan(args: argparse.Namespace) -> int:
    import json
    import secrets
    from datetime import UTC

    from archive.draws import draws_of, record_draw
    from archive.targets import demand_target, write_target
    from report.assessing import series_before
    from report.planning import draw_record, plan_json, plan_lines, plan_lot
    from report.shop_history import spreads
    from report.terminal_text import width, wrapped
    from rules.lots import Drawn
    from schemas.errors import BadInput
    from schemas.letters import unfit

    folder = folder_of(args)
    archive = archive_of(args)
    job = folder.job(args.plan)
    if args.lot_size is None or args.lot_size < 1:
        raise BadInput("--plan needs --lot-size, the number of pieces in the lot, 1 or more")
    if args.lot is None and (args.seed or args.draw_again):
        raise BadInput("--seed and --draw-again draw for a lot; name it with --lot")
    for option, text in (("--lot", args.lot), ("--seed", args.seed), ("--draw-again", args.draw_again)):
        if text is not None and (len(text) > _LONGEST or unfit(text) is not None):
            raise BadInput(f"{option}: {unfit(text) or f'has {len(text)} characters; at most {_LONGEST} are kept'}")
    if args.picture is not None:
        # Before the lot is drawn from: a draw is written down, and is not made again.
        demand_target(args.picture, _CURVE, replace=args.replace)
    before = draws_of(folder.draws, args.plan, args.lot) if args.lot else []
    if before and not args.draw_again:
        if args.seed not in (None, before[-1].seed) or before[-1].lot_size != args.lot_size:
            raise BadInput(
                f"lot {args.lot!r} was drawn from already, {before[-1].n} of {before[-1].lot_size} pieces with the seed "
                f"{before[-1].seed}; a draw that is repeated until it pleases is none. If it has to be: --draw-again REASON"
            )
        seed = before[-1].seed
    elif args.lot:
        seed = args.seed or f"{args.now():%Y%m%d}-{secrets.token_hex(4)}"
    else:
        seed = None
    state = series_before(archive, job, job.customer, None)
    plan = plan_lot(args.plan, job, args.lot, args.lot_size, state, spreads(archive, job), seed)
    picture = None if args.picture is None else _curve(args, plan)
    if args.lot and (not before or args.draw_again):
        at = args.now().astimezone(UTC).isoformat(timespec="seconds")
        record_draw(folder.draws, draw_record(plan, at, args.draw_again))
    elif before and plan.drawn != Drawn(before[-1].seed, before[-1].lot_size, before[-1].n):
        raise BadInput(
            f"lot {args.lot!r} was drawn for a plan of {before[-1].n} pieces, and the plan is now {plan.statement.n}: "
            "draw again with --draw-again REASON"
        )
    if picture is not None:
        write_target(args.picture, picture.encode(), _CURVE, replace=args.replace)
    if args.json:
        print(json.dumps(plan_json(plan), ensure_ascii=False))
    else:
        lot = f" --lot {args.lot}" if args.lot else ""
        go_on = f"filmtally measure {args.plan}{lot} --lot-size {args.lot_size} …"
        print("\n".join(wrapped(plan_lines(plan, go_on), width())))
        if picture is not None:
            print(f"the curve: {args.picture}")
    return 0


def _curve(args: argparse.Namespace, plan: LotPlan) -> str:
    from report.curve_picture import curve_svg
    from schemas.errors import BadInput

    try:
        return curve_svg(
            plan.statement, f"Lot of {plan.lot_size}, {plan.statement.n} measured: how often lots are accepted"
        )
    except ValueError as without:
        raise BadInput(f"--picture {args.picture}: {without}") from None


def _assess_code(state: GateState, verdict: Verdict) -> int:
    if state.value != "covered":
        return 3
    return 0 if verdict.name == "PASS" else 1


def _list_rules(args: argparse.Namespace) -> int:
    import json

    from report.catalogue import catalogue_json, catalogue_lines
    from report.terminal_text import width, wrapped

    if args.json:
        print(json.dumps(catalogue_json(), ensure_ascii=False))
    else:
        print("\n".join(wrapped(catalogue_lines(), width())))
    return 0


# verify


def _register_verify(commands: Any) -> None:
    verify = commands.add_parser(
        "verify",
        help="check a certificate: signature, then every number computed again",
        description="Check a certificate. In a shop folder its register is asked too; elsewhere, name the shop's "
        "certificate or the fingerprint of its key with --trust. docs/checking_a_certificate.md shows how to check the "
        "same without this program.",
    )
    verify.add_argument("pdf", type=path_of, nargs="*", metavar="PDF")
    verify.add_argument(
        "--code",
        action="append",
        metavar="CODE",
        help="in a shop folder: what was issued under the code XXXX-XXXX-XXXX of a paper copy, 12 characters of which the "
        "last may be * ~ $ = or U; or all that its QR holds",
    )
    add_trust_options(verify)
    verify.add_argument(
        "--quick",
        action="store_true",
        help="do not lay the pages out anew; what is printed is compared, but not where it stands, nor lines and pictures",
    )
    verify.add_argument("--json", action="store_true", help="answer as JSON")
    verify.set_defaults(run=_verify)


def _verify_code(args: argparse.Namespace) -> int:
    import json
    from zoneinfo import ZoneInfo

    from report.paper_copy import paper_copies, paper_copy_json, paper_copy_lines

    folder = folder_of(args)
    zone = ZoneInfo(folder.shop().time_zone)
    register = archive_of(args).certificates()
    found = [copy for code in args.code for copy in paper_copies(code, register, folder.certificates)]
    if args.json:
        print(json.dumps([paper_copy_json(copy) for copy in found], ensure_ascii=False))
    else:
        print("\n".join(line for copy in found for line in paper_copy_lines(copy, zone)))
    return max(copy.exit_code for copy in found)


def _verify(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from report.verification_text import verification_lines
    from report.verifying import verify
    from report.visible_text import visible
    from rules.verdict import Verdict
    from schemas.errors import BadInput, IntegrityFailed

    if bool(args.pdf) == bool(args.code):
        raise BadInput("name certificates' PDFs, or the code of a paper copy with --code; one of the two")
    if args.code:
        return _verify_code(args)
    trust, register = trust_of(args)
    archive = None if register is None else archive_of(args)
    unlike_ledger = None if archive is None else archive.unlike_head
    removed = [] if archive is None else archive.tombstones()
    codes = []
    answers = []
    for path in args.pdf:
        try:
            content = path.read_bytes()
        except OSError as wrong:
            sentence = f"{path}: cannot be read ({wrong.strerror}); name a certificate's PDF"
            codes.append(BadInput.exit_code)
            answers.append({"pdf": str(path), "holds": False, "sentence": sentence})
            print(f"filmtally: {sentence}", file=sys.stderr)
            continue
        try:
            found = verify(
                content,
                trust,
                register,
                now=args.now(),
                unlike_ledger=unlike_ledger,
                rebuild=not args.quick,
                removed=removed,
                valid_revision=None if archive is None else archive.inspection,
            )
        except IntegrityFailed as refused:
            codes.append(4)
            answers.append({"pdf": str(path), "holds": False, "sentence": refused.sentence})
            print(f"filmtally: {path}: {visible(refused.sentence)}", file=sys.stderr)
            continue
        worst = max(p.verdict for p in found.parts)
        codes.append(4 if worst is Verdict.FAIL else int(worst is Verdict.UNDECIDED or found.states != "conforms"))
        answers.append(
            {
                "pdf": str(path),
                "holds": found.holds,
                "number": found.number,
                "states": found.states,
                "signatures": [asdict(one) for one in found.signatures],
                "notes": list(found.notes),
                "parts": [{"part": p.name, "verdict": p.verdict.name, "sentence": p.sentence} for p in found.parts],
            }
        )
        if not args.json:
            print(f"{path}")
            print("\n".join(f"  {line}" for line in verification_lines(found)))
        for part in found.parts:
            if part.verdict is Verdict.FAIL:
                print(f"filmtally: {path}: {part.sentence}", file=sys.stderr)
                break
    if args.json:
        print(json.dumps(answers, ensure_ascii=False))
    return max(codes)
