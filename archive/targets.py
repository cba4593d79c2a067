"""Where a file that a person names may be written: over nothing unasked, and never among what a shop keeps."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from archive.layout import TEMPORARY_PREFIX
from archive.shop_folder import ShopFolder
from schemas.errors import BadInput
from schemas.shop import Orders

#: What lies in a shop folder and is its own, files and folders; the files that shop.toml names come to these.
_ITS_OWN: Final = (
    "archive",
    "captures",
    "certificates",
    "customers",
    "drawings",
    "draws",
    "identities",
    "jobs",
    "journals",
    "profiles",
    "shop.toml",
)


def demand_target(path: Path, endings: Sequence[str], *, replace: bool, beside: Iterable[Path] = ()) -> None:
    """Refuse a *path* that no answer may be written to.

    Any shop's own files are refused, not only those of the shop that is asked: a folder with a shop.toml is a shop's.

    Args:
        path: The file that a person named.
        endings: How its name may end, as ".csv"; none where it may end as it likes.
        replace: Whether what is there may be written over.
        beside: What is written in the same run.

    Raises:
        BadInput: Its ending is none of *endings*, its folder is not there, it is a folder, it is one of *beside*, it is a
            shop's own, or something is there and *replace* is not said.
    """
    _demand_place(path, endings, beside)
    if not replace and os.path.lexists(path):
        raise BadInput(f"{path}: is there already; name another file, or say --replace")


def demand_new(path: Path, endings: Sequence[str] = ()) -> None:
    """Refuse a *path* as :func:`demand_target` does, and one where something is: for what is never written over another file.

    Raises:
        BadInput: As said.
    """
    _demand_place(path, endings, ())
    if os.path.lexists(path):
        raise BadInput(f"{path}: is there already and is not written over; name another file")


def demand_elsewhere(folder: Path, archive: Path) -> None:
    """Refuse a *folder*, which need not exist, that is or lies in what any shop keeps, or in *archive*, wherever that lies.

    Raises:
        BadInput: As said.
    """
    for place in {folder.resolve(), Path(os.path.normpath(folder.absolute()))}:
        own = str(archive) if place.is_relative_to(archive.resolve()) else _shops_own(place)
        if own is not None:
            raise BadInput(f"{folder}: belongs to what the shop keeps ({own}); name a folder elsewhere")


def write_target(path: Path, content: bytes, endings: Sequence[str], *, replace: bool) -> None:
    """Write *content* to *path*; the file appears, and what was there goes, when it is whole.

    Args:
        path: The file.
        content: All of it.
        endings, replace: As for :func:`demand_target`, which is asked before and after.

    Raises:
        BadInput: As :func:`demand_target`, or it cannot be written.
    """
    demand_target(path, endings, replace=replace)
    temporary = path.with_name(TEMPORARY_PREFIX + path.name)
    try:
        temporary.write_bytes(content)
        demand_target(path, endings, replace=replace)
        temporary.replace(path)
    except OSError as wrong:
        raise BadInput(f"{path}: cannot be written ({wrong.strerror}); name another file") from None
    finally:
        with suppress(OSError):
            temporary.unlink()


def _demand_place(path: Path, endings: Sequence[str], beside: Iterable[Path]) -> None:
    if endings and path.suffix.lower() not in endings:
        *others, last = endings
        names = f"{', '.join(others)} or {last}" if others else last
        raise BadInput(f"{path}: {'cannot tell the format; ' if others else ''}let the name end in {names}")
    if not path.parent.is_dir():
        raise BadInput(f"{path.parent}: there is no such folder; make it or name another")
    if path.is_dir():
        raise BadInput(f"{path}: this is a folder; name a file")
    if any(_is_same(path, other) for other in beside):
        raise BadInput(f"{path}: is to hold two different things; name two files")
    # Neither a link in its place nor one on the way to it leads into a shop: the folder's own place counts as well.
    for place in {path.resolve(), path.parent.resolve() / path.name}:
        own = _shops_own(place)
        if own is not None:
            raise BadInput(f"{path}: belongs to what the shop keeps ({own}); name a file elsewhere")


def _is_same(path: Path, other: Path) -> bool:
    return path.resolve() == other.resolve() or (path.exists() and other.exists() and path.samefile(other))


def _shops_own(place: Path) -> str | None:
    """Return what of a shop *place* is or lies in, or None where it is nothing that a shop keeps."""
    for root in place.parents:
        if not (root / "shop.toml").is_file():
            continue
        parts = [part.casefold() for part in place.relative_to(root).parts]
        if parts[0] in _ITS_OWN:  # whatever its case: to some disks it is the same name
            return str(root / place.relative_to(root).parts[0])
        for name in _named_in(root):
            named = Path(os.path.normpath(root / name))
            if [part.casefold() for part in named.parts] == [part.casefold() for part in place.parts]:
                return str(named)
    return None


def _named_in(root: Path) -> list[str]:
    """Return the files that shop.toml names, from the shop folder: work orders, logo, keys, passwords, trusted roots and lists."""
    try:
        shop = ShopFolder(root).shop()
    except BadInput:
        return [Orders().file]  # whoever reads shop.toml says what is wrong with it
    signature = shop.signature
    keys = [one.identity if one.token is None else one.token.certificate for one in shop.inspector]
    trusted = (signature.tsa_password_file, signature.tsa_roots, signature.signer_roots, *signature.crl_files)
    return [name for name in (shop.orders.file, shop.certificate.logo, *keys, *trusted) if name is not None]
