"""A place beyond this machine where archives are kept: an object store, or a folder, named by one address.

Everything goes through Arrow's file systems: s3://BUCKET/FOLDER (any server that speaks S3, with
?endpoint_override=HOST:PORT&scheme=http behind it where it is not the usual one), gs://, and file:///FOLDER. Keys and regions
come from the environment or from the files that these libraries read by themselves; none is ever written down here.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

from schemas.errors import BadInput

if TYPE_CHECKING:
    from pyarrow import fs

_PLANT: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
#: What Arrow takes behind an address and nobody should have to read over a shoulder.
_SECRET: Final = re.compile(r"[?&](?:access_key|secret_key|session_token)=", re.IGNORECASE)
#: What stands in front of what a local folder is still being written to; an object store shows an object once it is whole.
_UNFINISHED: Final = ".writing-"
_BLOCK: Final = 4 << 20
#: A read is a request of its own, and most months are smaller than this.
_FETCHED_AT_ONCE: Final = 16 << 20


@dataclass(frozen=True)
class Store:
    """One address, opened.

    Attributes:
        address: As a person wrote it.
        files: Arrow's file system for it.
        base: Where in it, without a slash at the end.
    """

    address: str
    files: fs.FileSystem
    base: str

    def path(self, *parts: str) -> str:
        """Return the path of *parts* below the address."""
        return "/".join((self.base, *parts)) if self.base else "/".join(parts)

    def names(self, *folder: str) -> dict[str, int]:
        """Return the files in *folder*, by name, with their sizes in bytes; none where there is no such folder.

        Raises:
            BadInput: The store does not answer, or refuses.
        """
        return {info.base_name: info.size for info in self._infos(*folder) if info.is_file}

    def folders(self, *folder: str) -> list[str]:
        """Return the names of the folders in *folder*, sorted.

        Raises:
            BadInput: The store does not answer, or refuses.
        """
        return sorted(info.base_name for info in self._infos(*folder) if not info.is_file)

    def get(self, *parts: str) -> bytes:
        """Return the bytes of a file.

        Raises:
            BadInput: There is no such file, the store does not answer, or refuses.
        """
        with self._speaking(), self.files.open_input_stream(self.path(*parts)) as file:
            return bytes(file.read())

    def fetch(self, target: Path, *parts: str) -> tuple[int, str]:
        """Copy a file to *target* on this machine; return its bytes and their SHA-256 as hex.

        Raises:
            BadInput: There is no such file, the store does not answer, or refuses.
        """
        digest = hashlib.sha256()
        size = 0
        with self._speaking(), self.files.open_input_file(self.path(*parts)) as read, target.open("wb") as write:
            for block in _blocks(cast("BinaryIO", read), _FETCHED_AT_ONCE):
                digest.update(block)
                size += write.write(block)
        return size, digest.hexdigest()

    @contextmanager
    def reading(self, *parts: str) -> Iterator[Any]:
        """Give a file of the store to be read here and there.

        Raises:
            BadInput: There is no such file, the store does not answer, or refuses.
        """
        with self._speaking(), self.files.open_input_file(self.path(*parts)) as file:
            yield file

    @property
    def local(self) -> bool:
        """Return whether its files are files of this machine, or of a disk that it shares."""
        return str(self.files.type_name) == "local"

    def put(self, source: Path, *parts: str) -> tuple[int, str]:
        """Copy *source* to a file that stands whole or not at all; return its bytes and their SHA-256 as hex.

        Raises:
            BadInput: The store does not answer, or refuses; nothing was put there.
        """
        digest = hashlib.sha256()
        size = 0
        final = self.path(*parts)
        local = self.local
        target = self.path(*parts[:-1], _UNFINISHED + parts[-1]) if local else final
        with self._speaking():
            if local:
                self.files.create_dir(self.path(*parts[:-1]), recursive=True)
            # An object appears when its stream is closed; a failure before that leaves none.
            with source.open("rb") as read, self.files.open_output_stream(target) as write:
                for block in _blocks(read):
                    digest.update(block)
                    size += write.write(block)
            if local:
                self.files.move(target, final)
        return size, digest.hexdigest()

    def remove(self, *parts: str) -> None:
        """Remove a file; do nothing where there is none.

        Raises:
            BadInput: The store does not answer, or refuses.
        """
        with self._speaking(), suppress(FileNotFoundError):
            self.files.delete_file(self.path(*parts))

    def _infos(self, *folder: str) -> list[fs.FileInfo]:
        from pyarrow import fs

        with self._speaking():
            found: Any = self.files.get_file_info(fs.FileSelector(self.path(*folder), allow_not_found=True))
            return cast("list[fs.FileInfo]", found)

    @contextmanager
    def _speaking(self) -> Iterator[None]:
        try:
            yield
        except (OSError, ValueError) as wrong:
            said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
            raise BadInput(
                f"{self.address}: the store does not do what was asked ({said}); look after the address, the network and "
                "the right to read or write there, then repeat"
            ) from None


def open_store(address: str) -> Store:
    """Return the store at *address*.

    Raises:
        BadInput: It is no address that can be opened.
    """
    from pyarrow import fs

    if "@" in address.split("?", maxsplit=1)[0] or _SECRET.search(address):
        raise BadInput(
            "the address holds a key, and addresses are printed; leave the key out and give it by the environment "
            "(AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY)"
        )
    try:
        files, base = fs.FileSystem.from_uri(address)
    except (OSError, ValueError, NotImplementedError) as wrong:
        said = (str(wrong).splitlines() or [type(wrong).__name__])[0]
        raise BadInput(
            f"{address!r}: no such place can be opened ({said}); write s3://BUCKET/FOLDER or file:///FOLDER"
        ) from None
    return Store(address, files, base.rstrip("/"))


def checked_plant(name: str) -> str:
    """Return *name*, under which a plant's archive lies in a store.

    Raises:
        BadInput: It is not 1 to 40 of a-z, 0-9 and hyphens, no hyphen first.
    """
    if not _PLANT.fullmatch(name):
        raise BadInput(f"the plant is called {name!r}; give it 1 to 40 small letters a to z, digits and hyphens")
    return name


def plant_name(shop: str) -> str:
    """Return what a plant is called whose shop is called *shop*: small letters, digits and hyphens, up to 40.

    Raises:
        BadInput: Nothing of the name is left.
    """
    plain = unicodedata.normalize("NFKD", shop.casefold()).encode("ascii", "ignore").decode()
    found = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-")
    if not found:
        raise BadInput(f"the shop's name, {shop!r}, gives no name for its plant; give one with --plant")
    return found


def _blocks(file: BinaryIO, size: int = _BLOCK) -> Iterator[bytes]:
    while block := file.read(size):
        yield block
