"""The facts of a new inspection, from what was said on the command line and what the shop folder holds."""

from __future__ import annotations

import argparse
from typing import Final

from archive.draws import DrawRecord, draws_of
from archive.shop_folder import ShopFolder
from ingest.command_line import new_id
from ingest.facts import InspectionFacts, typed_profile
from ingest.said import plain_text
from rules.lot_judgement import LotTerms, state_plan
from rules.lots import Drawn
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Gauge, Shop

TEXT_FACTS: Final = (
    "purchase_order",
    "work_order",
    "rack",
    "rack_position",
    "powder",
    "powder_batch",
    "sprayer",
)
_MOST_PIECES: Final = 100_000


def facts_of(args: argparse.Namespace, folder: ShopFolder) -> InspectionFacts:
    """Return the facts of the new inspection that *args* asks for; nothing is written.

    Args:
        args: The options of `measure`. Without a capture and without a link of the gauge the readings are typed.
        folder: The shop folder.

    Raises:
        BadInput: Something is missing, unknown to the shop, or does not go together.
    """
    shop = folder.shop()
    job = folder.job(args.job)
    for option in ("lot", "inspector", "gauge"):
        if not getattr(args, option):
            raise BadInput(f"--{option} is missing; say which {option} this is")
    for option in ("lot", *TEXT_FACTS):
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
    name, profile = _profile_of(args, folder, shop, gauge, job)
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


def _profile_of(
    args: argparse.Namespace, folder: ShopFolder, shop: Shop, gauge: Gauge, job: Job
) -> tuple[str, Profile]:
    """Return name and line profile: what was said, "typed" where the readings are typed, else the gauge's."""
    # A gauge that types like a keyboard writes as its profile says; a person who types writes bare figures.
    # Who says that the keyboard is the link may mean either, so the gauge's profile holds where it has one; bare figures
    # are read beside it (LiveTaking.also_figures).
    said = set(links_said(args, gauge))
    types = gauge.link == "keys" or ("keys" in said and gauge.profile is not None)
    typed = not args.captures and not types and said <= {"keys"}
    name = args.profile or ("typed" if typed else gauge.profile)
    if name is None:
        raise BadInput(
            f"gauge {gauge.serial!r} has no line profile in shop.toml; name one with --profile (there are: "
            f"{', '.join(folder.names('profiles')) or 'none'}), or let 'filmtally teach' make one"
        )
    return name, typed_profile(job.unit, shop.decimal_mark) if name == "typed" else folder.profile(name)


def links_said(args: argparse.Namespace, gauge: Gauge) -> list[str]:
    """Return the links that readings come over: those named with --link, else the gauge's own; none where they are typed."""
    if args.link:
        return list(args.link)
    return [gauge.link] if gauge.link is not None else []


def _drawn(args: argparse.Namespace, folder: ShopFolder) -> DrawRecord | None:
    """Return the sample that was drawn for this lot, the last one where there are several; fills in the lot's size.

    Raises:
        BadInput: It was drawn from another number of pieces than is said now.
    """
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
    assert job.sampling is not None  # noqa: S101 - the caller looks
    try:
        state_plan(job.sampling, LotTerms(args.lot_size))
    except ValueError as without:
        raise BadInput(f"job {args.job!r}, [sampling]: {without}") from None


def _notes_of(drawn: DrawRecord | None) -> tuple[str, ...]:
    """Return what a new inspection notes about its sample: enough to draw it again."""
    if drawn is None:
        return ()
    again = () if drawn.why is None else (f"the sample was drawn again: {drawn.why}",)
    return (Drawn(drawn.seed, drawn.lot_size, drawn.n).as_note(), *again)
