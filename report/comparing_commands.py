"""The command `compare`: a certificate beside what another party read.

Only what `--help` needs is imported up here. How a gauge's capture is read belongs to the other wing; the front door hands it
over as `args.read_capture`.
"""

from __future__ import annotations

import argparse

from report.at_hand import path_of
from report.signing_commands import add_trust_options

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from decimal import Decimal
    from pathlib import Path
    from typing import Any

    from report.comparing import Compared, Opened, Wishes
    from rules.party_readings import PartyReading, Told
    from schemas.profile import Profile


def register(commands: Any) -> None:
    """Add `compare` to *commands*, an argparse subparsers action."""
    compare = commands.add_parser(
        "compare",
        help="a certificate and another party's readings: does the difference mean anything, and what would explain it",
        description="Compare a certificate with what another party read on the same parts: a table (CSV with the columns "
        "location, reading, and unit, piece, spot, n, u, base where there are any), a gauge's capture (with --profile), or a "
        "second certificate. Exit code 0: no difference means anything; 1: one does, or it cannot be told; 2: bad input; "
        "4: a certificate does not hold.",
    )
    compare.add_argument("certificate", type=path_of, metavar="CERTIFICATE", help="a certificate's PDF")
    compare.add_argument("other", type=path_of, metavar="OTHER", help="the other party's table, capture or certificate")
    compare.add_argument(
        "--other-name", metavar="NAME", help="what the other party is called (default: the file's name)"
    )
    compare.add_argument(
        "--their-u", metavar="AMOUNT", help='expanded uncertainty (k = 2) of its means, as "1.5 um" or "0.06 mil"'
    )
    compare.add_argument(
        "--their-accuracy", metavar="AMOUNT", help='accuracy of its gauge, as "1 um + 1 %%", where no U is stated'
    )
    compare.add_argument(
        "--their-base", metavar="AMOUNT", help='what it has subtracted for the metal below, as "12 um", or none'
    )
    compare.add_argument(
        "--same-standard", metavar="SERIAL", help="its gauge was checked on this standard of the certificate's, too"
    )
    compare.add_argument("--unit", choices=("um", "mil"), help="unit of a table that names none")
    compare.add_argument("--decimal-mark", choices=(".", ","), help="decimal mark of a table that leaves it open")
    compare.add_argument(
        "--column", action="append", metavar="COLUMN=NAME", help="what the table calls a column, as location=Messstelle"
    )
    compare.add_argument(
        "--profile", metavar="NAME", help="OTHER is a capture: its line profile, or the profile's file"
    )
    compare.add_argument("--piece", action="append", metavar="NAME", help="compare this piece of the certificate alone")
    compare.add_argument(
        "--same", action="append", metavar="THEIRS=OURS", help="a location that the other party calls otherwise"
    )
    add_trust_options(compare)
    compare.add_argument("--json", action="store_true", help="answer as JSON")
    compare.set_defaults(run=_compare)


def _compare(args: argparse.Namespace) -> int:
    import json

    from report.comparison_screen import comparison_json, comparison_lines
    from report.terminal_text import width
    from report.visible_text import visible
    from rules.party_places import Bearing

    found, certificates = _compared(args)
    if args.json:
        print(json.dumps(comparison_json(found, certificates), ensure_ascii=False))
    else:
        print("\n".join(visible(line) for line in comparison_lines(found, certificates, width())))
    return 0 if found.comparison.bearing is Bearing.WITHIN else 1


def _compared(args: argparse.Namespace) -> tuple[Compared, list[Opened]]:
    from report.comparing import Wishes, opened, with_certificate, with_readings
    from report.trust_files import trust_from
    from schemas.errors import BadInput

    trusted = trust_from(args.trust or [], args.trust_time or [], args.crl or [])
    one = opened(_content(args.certificate, "name a certificate's PDF"), str(args.certificate), trusted)
    wishes = Wishes(tuple(args.piece or ()), _pairs(args.same, "--same", "THEIRS=OURS"))
    content = _content(args.other, "name the other party's table, capture or certificate")
    if content.startswith(b"%PDF-"):
        told = ("--their-u", "--their-accuracy", "--their-base", "--unit", "--decimal-mark", "--column", "--profile")
        given = [name for name in told if getattr(args, name[2:].replace("-", "_")) is not None]
        if given:
            raise BadInput(f"{given[0]}: {args.other} is a certificate, which says that itself; leave it out")
        two = opened(content, str(args.other), trusted)
        return with_certificate(one, two, wishes), [one, two]
    readings, recorded = _readings(args, content, one, wishes)
    return with_readings(one, readings, _told(args, recorded=recorded), wishes), [one]


def _readings(
    args: argparse.Namespace, content: bytes, one: Opened, wishes: Wishes
) -> tuple[tuple[PartyReading, ...], bool]:
    """Return the other party's readings, and whether the unit was recorded with each."""
    from zoneinfo import ZoneInfo

    from report.reading_table import TableTerms, read_table
    from schemas.errors import BadInput
    from schemas.units import Unit

    if args.profile is None:
        if content.startswith(b"# filmtally capture"):
            raise BadInput(f"{args.other}: this is a gauge's capture; name its line profile with --profile")
        columns = _pairs(args.column, "--column", "COLUMN=NAME")
        _known_columns(columns)
        terms = TableTerms(None if args.unit is None else Unit(args.unit), args.decimal_mark, columns)
        table = read_table(content, str(args.other), terms)
        return table.readings, table.unit_recorded
    for option in ("unit", "decimal_mark", "column"):
        if getattr(args, option) is not None:
            raise BadInput(f"--{option.replace('_', '-')} is for a table; a capture is read by its profile")
    evidence = one.document.evidence
    pieces = wishes.pieces or tuple(dict.fromkeys(r.piece for r in evidence.readings))
    profile = _profile(args)
    zone = ZoneInfo(evidence.shop.time_zone)
    readings = args.read_capture(args.other, evidence.job, profile, pieces, zone, args.now())
    return readings, profile.unit is None


def _known_columns(columns: dict[str, str]) -> None:
    from report.reading_table import COLUMNS
    from schemas.errors import BadInput

    for column in columns:
        if column not in COLUMNS:
            raise BadInput(f"--column {column}: the columns are {', '.join(COLUMNS)}")


def _profile(args: argparse.Namespace) -> Profile:
    from pathlib import Path

    from archive.shop_folder import ShopFolder
    from schemas.profile import Profile

    path = Path(args.profile)
    if path.suffix == ".toml":
        return Profile.load(path)
    return ShopFolder(args.shop).profile(args.profile)


def _told(args: argparse.Namespace, *, recorded: bool) -> Told:
    from decimal import Decimal

    from report.told_amounts import accuracy, thickness_um
    from rules.party_readings import Told
    from schemas.errors import BadInput

    if args.their_u is not None and args.their_accuracy is not None:
        raise BadInput(
            "--their-u and --their-accuracy both say how uncertain the readings are; give the one that is known"
        )
    subtracted: Decimal | None = None
    if args.their_base is not None:
        none = args.their_base.strip().casefold() == "none"
        subtracted = Decimal(0) if none else thickness_um(args.their_base, "--their-base", or_else="or as none")
    expanded = None if args.their_u is None else thickness_um(args.their_u, "--their-u")
    if expanded is not None and expanded <= 0:
        raise BadInput(f"--their-u {args.their_u}: an uncertainty is above zero; leave it out where none is known")
    return Told(
        name=args.other_name or args.other.name,
        expanded_um=expanded,
        accuracy=None if args.their_accuracy is None else accuracy(args.their_accuracy),
        subtracted_um=subtracted,
        standard=args.same_standard,
        unit_recorded=recorded,
    )


def _pairs(given: list[str] | None, option: str, form: str) -> dict[str, str]:
    from schemas.errors import BadInput

    found: dict[str, str] = {}
    for text in given or []:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not (name and equals and value):
            raise BadInput(f"{option} {text!r}: write it as {form}")
        if name in found:
            raise BadInput(f"{option} {text!r}: {name!r} is given twice")
        found[name] = value
    return found


def _content(path: Path, what: str) -> bytes:
    from schemas.errors import BadInput

    try:
        return path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); {what}") from None
