"""The commands of the archive itself: check, fold and push; export, hold and retain stand in modules of their own.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse

from report import export_commands, retention_commands
from report.at_hand import archive_of, folder_of, path_of
from report.signing_commands import add_trust_options, trust_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any

    from archive.fold import Fold
    from archive.push import Pushed


def register(commands: Any) -> None:
    """Add the command `archive` to *commands*, an argparse subparsers action."""
    archive = commands.add_parser(
        "archive",
        help="check the archive, fold past months, push them to a store, export a table, say what is kept how long",
    )
    actions = archive.add_subparsers(metavar="ACTION", required=True)
    _register_check(actions)
    _register_fold(actions)
    _register_push(actions)
    export_commands.register(actions)
    retention_commands.register(actions)


def _register_check(actions: Any) -> None:
    check = actions.add_parser(
        "check", help="every file, every row's hash, every bench's chain, every certificate, capture and journal"
    )
    check.add_argument(
        "--anchor",
        action="append",
        type=path_of,
        metavar="PDF",
        help="a certificate that somebody else kept: the register has to know it, and the archive what its ledger head knew",
    )
    add_trust_options(check)
    check.add_argument("--json", action="store_true", help="answer as JSON")
    check.set_defaults(run=_check)


def _check(args: argparse.Namespace) -> int:
    import json

    from report.archive_checking import troubles_of
    from report.trust import Trust

    folder_of(args).shop()
    anchors = args.anchor or []
    trust = trust_of(args)[0] if anchors else None  # asks the register, which may be what is damaged
    troubles = troubles_of(folder_of(args), archive_of(args), anchors, trust or Trust())
    wrong = [t for t in troubles if not t.harmless]
    if args.json:
        print(
            json.dumps(
                [{"path": str(t.path), "kind": t.kind, "sentence": t.sentence} for t in troubles], ensure_ascii=False
            )
        )
    else:
        for trouble in troubles:
            print(f"{trouble.kind}: {trouble.sentence}")
        print(
            "the archive is not as it was committed"
            if wrong
            else "every file, row and chain of the archive is as it was committed, every certificate as it was issued, and every "
            "capture and journal as it was sealed"
        )
    return 4 if wrong else 0


def _register_fold(actions: Any) -> None:
    fold = actions.add_parser(
        "fold",
        help="put the single files of each past month together",
        description="Put the single files of each month that has been over for two days together into one file per table. "
        "Benches may commit and anyone may read meanwhile; a fold that is cut short is finished by the next.",
    )
    fold.add_argument(
        "--until", metavar="MONTH", help="the last month to fold, as 2026-01 (default: every one that can be)"
    )
    fold.add_argument("--json", action="store_true", help="answer as JSON")
    fold.set_defaults(run=_fold)


def _fold(args: argparse.Namespace) -> int:
    import json

    from archive.fold import fold

    folder = folder_of(args)
    folder.shop()
    done = fold(folder.archive, args.now(), args.until)
    if args.json:
        print(json.dumps(_fold_json(done), ensure_ascii=False))
    else:
        print("\n".join(_fold_lines(done)))
    return 4 if done.left_alone or done.missing else 0


def _fold_json(done: Fold) -> dict[str, object]:
    from dataclasses import asdict

    months = [asdict(m) | {"segments": [str(path) for path in m.segments]} for m in done.months]
    left = [{"path": str(one.path), "sentence": one.sentence} for one in done.left_alone]
    return {"months": months, "left_alone": left, "cleared": done.cleared, "missing": list(done.missing)}


def _fold_lines(done: Fold) -> list[str]:
    lines = []
    for m in done.months:
        if m.commits:
            lines.append(
                f"{m.month}: folded {m.commits:,} {_many('commit', m.commits)} of {m.rows:,} {_many('row', m.rows)}; "
                f"{m.bytes_before:,} bytes before, {m.bytes_after:,} after"
            )
        if m.cleared:
            lines.append(
                f"{m.month}: removed {m.cleared:,} single {_many('file', m.cleared)} that an earlier fold, cut short, had folded"
            )
    if done.cleared:
        lines.append(
            f"removed {done.cleared:,} {_many('file', done.cleared)} that an earlier fold or removal, cut short, had left half done"
        )
    lines += [f"left alone: {one.sentence}" for one in done.left_alone]
    lines = lines or ["nothing to fold: no month that has been over for two days has single files"]
    return [*lines, *(f"missing: {sentence}" for sentence in done.missing)]


def _many(what: str, count: int) -> str:
    return what if count == 1 else f"{what}s"


def _register_push(actions: Any) -> None:
    push = actions.add_parser(
        "push",
        help="send the folded months to a store beyond this machine",
        description="Send the folded months to a store beyond this machine, each once, as they are: an object store "
        "(s3://BUCKET/FOLDER) or a folder (file:///FOLDER). What the group's office asks of it: docs/group.md.",
    )
    push.add_argument("address", metavar="ADDRESS", help="where to, as s3://BUCKET/FOLDER or file:///FOLDER")
    push.add_argument(
        "--plant", metavar="NAME", help="the folder there that is this shop's (default: from the shop's name)"
    )
    push.add_argument(
        "--remove-gone",
        action="store_true",
        help="remove from the store what this archive has no longer, since readings were removed from it on order",
    )
    push.add_argument("--json", action="store_true", help="answer as JSON")
    push.set_defaults(run=_push)


def _push(args: argparse.Namespace) -> int:
    import json

    from archive.object_store import checked_plant, open_store, plant_name
    from archive.push import push

    folder = folder_of(args)
    shop = folder.shop()
    plant = checked_plant(args.plant) if args.plant is not None else plant_name(shop.name)
    done = []
    for one in push(folder.archive, open_store(args.address), plant, args.remove_gone):
        done.append(one)
        if not args.json:
            print(_push_line(one), flush=True)
    if args.json:
        print(json.dumps(_push_json(plant, done), ensure_ascii=False))
    else:
        print(_push_total(plant, done))
    return 0


def _push_line(one: Pushed) -> str:
    said = {
        "sent": f"sent, {one.size:,} bytes",
        "there": "there already",
        "gone": "there, and not in this archive any more; --remove-gone removes it",
        "removed": f"removed there, {one.size:,} bytes",
    }
    return f"{one.table} {one.month}: {said[one.how]}"


def _push_total(plant: str, done: list[Pushed]) -> str:
    if not done:
        return "nothing to push: no month is folded yet; 'filmtally archive fold' folds those that have been over for two days"
    counts = [(how, sum(one.how == how for one in done)) for how in ("sent", "there", "gone", "removed")]
    size = sum(one.size for one in done if one.how == "sent")
    words = {
        "sent": f"sent ({size:,} bytes)",
        "there": "there already",
        "gone": "not in this archive",
        "removed": "removed",
    }
    return f"plant {plant}: " + ", ".join(f"{count} {words[how]}" for how, count in counts if count)


def _push_json(plant: str, done: list[Pushed]) -> dict[str, object]:
    from dataclasses import asdict

    return {
        "plant": plant,
        "months": [asdict(one) for one in done],
        "bytes_sent": sum(one.size for one in done if one.how == "sent"),
    }
