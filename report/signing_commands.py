"""The commands about keys and signatures: identity, countersign; and how a passphrase or a PIN is asked for.

Only what `--help` needs is imported up here; the rest is imported where it is used.
"""

from __future__ import annotations

import argparse
import os
import sys

from report.at_hand import folder_of, path_of

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from archive.shop_folder import ShopFolder
    from report.approving import Approval
    from report.identities import Identity
    from report.time_stamping import LongTerm
    from report.trust import Trust
    from schemas.certificates import Certificate
    from schemas.shop import Shop
    from schemas.vocabulary import SignatureLevel

_PASSPHRASE = "FILMTALLY_PASSPHRASE"  # noqa: S105 - the variable's name
_PIN = "FILMTALLY_PIN"
_LEVELS = ("b-b", "b-t", "b-lt", "b-lta")
_PDF = (".pdf",)  # how the name of an approved certificate ends


def register(commands: Any) -> None:
    """Add identity and countersign to *commands*, an argparse subparsers action."""
    _register_identity(commands)
    _register_countersign(commands)


def add_secret_options(parser: Any) -> None:
    """Add the options that say where a passphrase or a PIN comes from."""
    parser.add_argument(
        "--passphrase-file",
        type=path_of,
        metavar="FILE",
        help=f"file with the key's passphrase (else {_PASSPHRASE}, or asked)",
    )
    parser.add_argument(
        "--pin-file", type=path_of, metavar="FILE", help=f"file with the token's PIN (else {_PIN}, or asked)"
    )


def add_level_option(parser: Any) -> None:
    """Add the option that signs at another level than the shop's own."""
    parser.add_argument(
        "--level",
        choices=_LEVELS,
        help="sign at this level and not at shop.toml's: b-b is without a time stamp, b-lta with all there is",
    )


def add_trust_options(parser: Any) -> None:
    """Add the options that say whom a reader trusts."""
    parser.add_argument(
        "--trust",
        action="append",
        metavar="FILE",
        help="a signing certificate (PEM or DER) that is known, or its SHA-256 fingerprint, said or in a text file; or a "
        "root that signers' certificates end in",
    )
    parser.add_argument(
        "--trust-time",
        action="append",
        metavar="FILE",
        help="a root (PEM or DER) that time-stamp authorities' certificates end in",
    )
    parser.add_argument(
        "--crl", action="append", metavar="FILE", help="an authority's list of revoked certificates (PEM or DER)"
    )


# identity


def _register_identity(commands: Any) -> None:
    identity = commands.add_parser(
        "identity",
        help="make a signing key for an inspector, or join one with an authority's certificate",
        description="Without an option: make a key with a certificate of its own. With --request: make a key and ask an "
        "authority for its certificate; with --certificate: join that certificate with the key. With --export: write the "
        "certificate for those who verify. What each is worth: docs/signatures.md.",
    )
    identity.add_argument("code", metavar="CODE")
    what = identity.add_mutually_exclusive_group()
    what.add_argument("--request", type=path_of, metavar="FILE", help="write a certificate request (PKCS#10) there")
    what.add_argument(
        "--certificate", type=path_of, metavar="FILE", help="the certificate that the authority issued, with its chain"
    )
    what.add_argument("--export", type=path_of, metavar="FILE", help="write the certificate with its chain there (PEM)")
    identity.add_argument("--replace", action="store_true", help="with --export: write over a file that is there")
    add_secret_options(identity)
    identity.set_defaults(run=_identity)


def _identity(args: argparse.Namespace) -> int:
    from schemas.errors import BadInput

    if args.replace and args.export is None:
        raise BadInput("--replace goes with --export; a key that is there is never written over, move it away first")
    if args.request is not None:
        return _request(args)
    if args.certificate is not None:
        return _join(args)
    if args.export is not None:
        return _export(args)
    make_self_made(args, args.code)
    return 0


def make_self_made(args: argparse.Namespace, code: str) -> None:
    """Make a self-made key for the inspector *code* and say where it is."""
    from archive.commit import make_folder, write_once
    from report.identities import load_identity, make_identity
    from report.trust_files import keep_certificate

    folder, shop = folder_of(args), folder_of(args).shop()
    person = shop.find_inspector(code)
    path = _free_place(folder, shop, code)
    passphrase = passphrase_of(args, twice=True)
    now = args.now()
    content = make_identity(person.name, shop.name, passphrase, now)
    made = load_identity(content, passphrase, now, str(path))
    make_folder(path.parent)
    write_once(path, content)
    keep_certificate(path.parent, code, made)
    print(f"{path}: key of {person.name}; keep it and its passphrase to that person alone")
    _say_fingerprint(made.key_sha256)
    print(
        "nobody but the shop vouches for this key, and the certificate says so; "
        f"for one that an authority vouches for: filmtally identity {code} --request FILE"
    )


def _request(args: argparse.Namespace) -> int:
    from archive.commit import make_folder, write_once
    from archive.targets import demand_new
    from report.identities import make_request
    from schemas.errors import BadInput

    folder, shop = folder_of(args), folder_of(args).shop()
    person = shop.find_inspector(args.code)
    path = _free_place(folder, shop, args.code)
    pending = _pending(path)
    if pending.exists():
        raise BadInput(f"{pending}: exists already; a request is made once, move this away for another one")
    demand_new(args.request)
    held, request = make_request(person.name, shop.name, passphrase_of(args, twice=True))
    make_folder(path.parent)
    write_once(pending, held)
    write_once(args.request, request)
    print(f"{args.request}: request for {person.name} of {shop.name}; give it to the authority, it holds no secret")
    print(f"{pending}: the key that waits for it; keep it and its passphrase to that person alone")
    print(f"when the certificate comes: filmtally identity {args.code} --certificate FILE")
    return 0


def _join(args: argparse.Namespace) -> int:
    from archive.commit import write_once
    from report.identities import join_identity, load_identity
    from report.trust_files import keep_certificate
    from schemas.errors import BadInput

    folder, shop = folder_of(args), folder_of(args).shop()
    path = _free_place(folder, shop, args.code)
    pending = _pending(path)
    if not pending.is_file():
        raise BadInput(
            f"{pending}: there is no key that waits for a certificate; make one with 'filmtally identity {args.code} "
            "--request FILE'"
        )
    issued = _read(args.certificate, "name the file that the authority sent")
    passphrase, now = passphrase_of(args), args.now()
    content = join_identity(pending.read_bytes(), issued, passphrase, now, (str(pending), str(args.certificate)))
    made = load_identity(content, passphrase, now, str(path))
    write_once(path, content)
    keep_certificate(path.parent, args.code, made)
    pending.unlink()
    print(f"{path}: key with the certificate that {made.issuer or 'it signed itself'} issued")
    _say_fingerprint(made.key_sha256)
    return 0


def _export(args: argparse.Namespace) -> int:
    from archive.targets import demand_target, write_target
    from report.identities import as_pem
    from report.issuing import open_identity
    from report.trust_files import open_certificate

    folder, shop = folder_of(args), folder_of(args).shop()
    shop.find_inspector(args.code)
    demand_target(args.export, (), replace=args.replace)
    kept = open_certificate(folder.identities, args.code)
    if kept is None:
        made = open_identity(folder, shop, args.code, lambda: passphrase_of(args), args.now(), lambda: pin_of(args))
        kept = as_pem([made.certificate_der, *made.chain_der]), made.key_sha256
    content, key_sha256 = kept
    write_target(args.export, content, (), replace=args.replace)
    print(
        f"{args.export}: the certificate, without the key; whoever has it can check: filmtally verify --trust FILE PDF"
    )
    _say_fingerprint(key_sha256)
    return 0


def _say_fingerprint(key_sha256: str) -> None:
    from report.figures import fingerprint

    print(f"its fingerprint, to be given to customers by another way than the certificate: {fingerprint(key_sha256)}")


def _free_place(folder: ShopFolder, shop: Shop, code: str) -> Path:
    from report.issuing import identity_path
    from schemas.errors import BadInput

    if shop.find_inspector(code).token is not None:
        raise BadInput(
            f"shop.toml: inspector {code!r} signs with a token, and its key is made there; give that token's certificate "
            "with token.certificate, or take token out"
        )
    path = identity_path(folder, shop, code)
    if path.exists():
        raise BadInput(f"{path}: there is a key already; move it away first, certificates signed with it stay valid")
    return path


def _pending(path: Path) -> Path:
    return path.with_name(f"{path.stem}.pending.pem")


# countersign


def _register_countersign(commands: Any) -> None:
    countersign = commands.add_parser(
        "countersign",
        help="add an approval signature to a released certificate",
        description="Verify a certificate and add an approval behind what it holds; the release stays as it is. In a shop "
        "folder: --signer CODE. Elsewhere, with nothing but the file and a key: --identity FILE --name NAME --role ROLE.",
    )
    countersign.add_argument("pdf", type=path_of, metavar="PDF")
    countersign.add_argument("--signer", metavar="CODE", help="person of the shop who approves")
    countersign.add_argument(
        "--as",
        dest="role",
        metavar="ROLE",
        help="in what role; names the place on the page, where it has places (default: the one in shop.toml)",
    )
    countersign.add_argument("--identity", type=path_of, metavar="FILE", help="without a shop folder: key (PKCS#12)")
    countersign.add_argument("--name", metavar="NAME", help="with --identity: who approves")
    countersign.add_argument("--role", dest="role", metavar="ROLE", help="the same as --as")
    countersign.add_argument("--meaning", metavar="TEXT", help="what the approval means; printed and signed")
    countersign.add_argument(
        "--last", action="store_true", help="nothing may follow (the second approval is always last)"
    )
    countersign.add_argument(
        "--out", type=path_of, metavar="FILE", help="write there (default: the same file, which grows)"
    )
    add_trust_options(countersign)
    add_level_option(countersign)
    add_secret_options(countersign)
    countersign.set_defaults(run=_countersign)


def _countersign(args: argparse.Namespace) -> int:
    from report.approving import countersign, place_for, refuse_unapprovable, refuse_unsayable
    from schemas.errors import BadInput

    if (args.signer is None) == (args.identity is None):
        raise BadInput("say who approves: --signer CODE in a shop folder, or --identity FILE --name NAME --role ROLE")
    content = _read(args.pdf, "name a certificate's PDF")
    target = args.pdf if args.out is None else args.out
    approval = _approval(args)
    refuse_unsayable(approval)
    trust, register = trust_of(args)
    now: datetime = args.now()
    stamp = now.replace(microsecond=0)
    found = refuse_unapprovable(content, trust, register, now, str(args.pdf))
    if args.out is not None:
        _demand_out(args, content, register)
    place_for(content, approval, str(args.pdf))
    more = _long_term(args, now)
    identity = _approver(args, now)
    done = countersign(
        args.pdf,
        target,
        approval,
        identity,
        found,
        content=content,
        now=stamp,
        long_term=more,
    )
    for part in found.parts:
        if part.verdict.name == "UNDECIDED":
            print(f"not shown before it was countersigned: {part.sentence}")
    closed = "; nothing may be added any more" if done.closed else ""
    place = "" if done.place is None else " in its place on the page"
    print(
        f"certificate {done.number}, which states {done.states}: approval {done.which} by {approval.name}, "
        f"{done.place or approval.role}{place}{closed}: {target}"
    )
    return 0


def _demand_out(args: argparse.Namespace, content: bytes, register: Sequence[Certificate] | None) -> None:
    """Refuse an --out that is there or is the shop's own, but for the certificate's own place, where its PDF was lost."""
    from archive.targets import demand_new
    from report.verifying import issued_as

    entry = None if register is None else issued_as(content, register)
    if entry is not None and not os.path.lexists(args.out):
        own = folder_of(args).certificates / entry.pdf_name
        if args.out.resolve() == own.resolve():
            return
    demand_new(args.out, _PDF)


def _approval(args: argparse.Namespace) -> Approval:
    from report.approving import Approval
    from schemas.errors import BadInput

    if args.signer is not None:
        shop = folder_of(args).shop()
        person = shop.find_inspector(args.signer)
        return Approval(person.name, args.role or person.role, args.meaning, shop.address, args.last, of_a_shop=True)
    if args.name is None or args.role is None:
        raise BadInput("--identity needs --name NAME and --role ROLE: they are printed and signed")
    return Approval(args.name, args.role, args.meaning, None, args.last)


def _approver(args: argparse.Namespace, now: datetime) -> Identity:
    from report.identities import load_identity
    from report.issuing import open_identity
    from report.trust_files import keep_certificate

    if args.signer is None:
        content = _read(args.identity, "name a PKCS#12 file")
        return load_identity(content, passphrase_of(args), now, str(args.identity))
    folder = folder_of(args)
    identity = open_identity(folder, folder.shop(), args.signer, lambda: passphrase_of(args), now, lambda: pin_of(args))
    # Or else verify would not know tomorrow who approved today.
    keep_certificate(folder.identities, args.signer, identity)
    return identity


def _long_term(args: argparse.Namespace, now: datetime) -> LongTerm | None:
    from report.time_stamping import long_term
    from schemas.errors import BadInput

    if args.signer is not None:
        folder = folder_of(args)
        return long_term(folder.shop().signature, folder.root, now, level_of(args))
    if args.level not in (None, "b-b"):
        raise BadInput(
            f"--level {args.level}: a time-stamp authority is set up in a shop folder; sign with --signer there"
        )
    return None


# what they share


def level_of(args: argparse.Namespace) -> SignatureLevel | None:
    """Return the level that was asked for, or None where the shop's own is wanted."""
    from schemas.vocabulary import SignatureLevel

    return None if args.level is None else SignatureLevel(args.level)


def trust_of(args: argparse.Namespace) -> tuple[Trust, Any]:
    """Return whom to trust, and the register of the shop; None where this is no shop folder.

    A shop knows its own keys by its register, and the authorities that its shop.toml names.

    Raises:
        BadInput: What was named is no certificate, fingerprint or list; shop.toml is wrong.
    """
    from dataclasses import replace

    from archive.store import Archive
    from report.time_stamping import crls_in, roots_in
    from report.trust_files import own_fingerprints, trust_from

    trust = trust_from(args.trust or [], args.trust_time or [], args.crl or [])
    if not (args.shop / "shop.toml").is_file():
        return trust, None
    folder = folder_of(args)
    register = Archive(folder.archive, args.bench).certificates()
    settings = folder.shop().signature
    return replace(
        trust,
        fingerprints=trust.fingerprints | {c.key_sha256 for c in register} | own_fingerprints(folder.identities),
        roots=(*trust.roots, *roots_in(folder.root, settings.signer_roots)),
        time_roots=(*trust.time_roots, *roots_in(folder.root, settings.tsa_roots)),
        crls=(*trust.crls, *crls_in(folder.root, settings.crl_files)),
    ), register


def passphrase_of(args: argparse.Namespace, *, twice: bool = False) -> str:
    """Return the passphrase: from its file, from the environment, or asked.

    Raises:
        BadInput: It comes from nowhere, or was typed differently the second time.
    """
    return _secret(args.passphrase_file, _PASSPHRASE, "passphrase", "--passphrase-file", "of the key", twice)


def pin_of(args: argparse.Namespace) -> str:
    """Return the PIN of a token: from its file, from the environment, or asked.

    Raises:
        BadInput: It comes from nowhere.
    """
    return _secret(args.pin_file, _PIN, "PIN", "--pin-file", "of the token", False)


def _secret(file: Path | None, variable: str, kind: str, option: str, whose: str, twice: bool) -> str:
    import getpass

    from schemas.errors import BadInput

    if file is not None:
        try:
            text: str = file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as wrong:
            raise BadInput(f"{file}: the {kind} cannot be read from there ({wrong})") from None
        return text.rstrip("\r\n")
    if variable in os.environ:
        return os.environ[variable]
    if not sys.stdin.isatty():
        raise BadInput(f"no {kind}: name its file with {option}, set {variable}, or run this at a terminal")
    first = getpass.getpass(f"{kind} {whose}: ")
    if twice and getpass.getpass("once more: ") != first:
        raise BadInput(f"the two {kind}s differ; start again")
    return first


def _read(path: Path, what_to_do: str) -> bytes:
    from schemas.errors import BadInput

    try:
        return path.read_bytes()
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be read ({wrong.strerror}); {what_to_do}") from None
