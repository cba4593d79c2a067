"""The shop folder: everything that a shop keeps, and where it stands in there."""

from __future__ import annotations

import re
import stat
from dataclasses import dataclass
from pathlib import Path

from schemas.customer import Customer
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Shop

#: Names that agree to this share (difflib's ratio) look like one that was mistyped (a choice of ours).
_ALIKE = 0.85
_SLUG = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
#: So large may a drawing or a logo be.
_MOST_BYTES = 20_000_000


@dataclass(frozen=True)
class ShopFolder:
    """A shop's folder.

    Attributes:
        root: The folder with shop.toml.
    """

    root: Path

    @property
    def archive(self) -> Path:
        """Return where sealed tables lie."""
        return self.root / "archive"

    @property
    def journals(self) -> Path:
        """Return where open inspections are journalled."""
        return self.root / "journals"

    @property
    def captures(self) -> Path:
        """Return where the captures lie, byte for byte as they came."""
        return self.root / "captures"

    @property
    def certificates(self) -> Path:
        """Return where issued PDFs lie."""
        return self.root / "certificates"

    @property
    def draws(self) -> Path:
        """Return where the samples that were drawn are written down."""
        return self.root / "draws"

    @property
    def identities(self) -> Path:
        """Return where signing identities lie."""
        return self.root / "identities"

    def shop(self) -> Shop:
        """Return shop.toml.

        Raises:
            BadInput: It is missing or wrong.
        """
        path = self.root / "shop.toml"
        if not path.is_file():
            raise BadInput(
                f"{self.root}: there is no shop.toml here; go to the shop folder, name it with --shop, "
                "or make one with 'filmtally new FOLDER'"
            )
        return Shop.load(path)

    def job(self, name: str) -> Job:
        """Return jobs/NAME.toml.

        Raises:
            BadInput: There is no such job, or its file is wrong.
        """
        return Job.load(self._file("jobs", "job", name))

    def customer(self, name: str) -> Customer | None:
        """Return the customer file of the customer called *name* (whatever the case and the blanks), or None where there is none.

        Raises:
            BadInput: A customer file is wrong, two of them are of one customer, or one has a name that looks mistyped.
        """
        every = [(file, Customer.load(self.root / "customers" / f"{file}.toml")) for file in self.names("customers")]
        found = [(file, one) for file, one in every if _as_told(one.name) == _as_told(name)]
        if len(found) > 1:
            files = " and ".join(f"{file}.toml" for file, _ in found)
            raise BadInput(f"{self.root / 'customers'}: {files} are both of {name}; keep one")
        if found:
            return found[0][1]
        near = next((o for o in every if _alike(o[1].name, name)), None)
        if near is not None:
            # Nobody would notice that all that the file asks for was left out.
            raise BadInput(
                f"{self.root / 'customers' / near[0]}.toml is of {near[1].name!r}, and the order is of {name!r}; write both "
                "alike, or give the other a file of its own where they are two"
            )
        return None

    def picture(self, name: str) -> bytes:
        """Return the file *name* of the shop's drawings.

        Raises:
            BadInput: There is none, it cannot be read, is no file, or is too large.
        """
        return self._bytes(self.root / "drawings" / name)

    def logo(self, name: str) -> bytes:
        """Return the shop's logo, the file *name* of its folder.

        Raises:
            BadInput: There is none, it cannot be read, is no file, or is too large.
        """
        return self._bytes(self.root / name)

    def profile(self, name: str) -> Profile:
        """Return profiles/NAME.toml.

        Raises:
            BadInput: There is no such line profile, or its file is wrong.
        """
        return Profile.load(self._file("profiles", "line profile", name))

    def names(self, folder: str) -> list[str]:
        """Return the names of the TOML files in *folder* (customers, jobs or profiles), sorted."""
        return sorted(path.stem for path in (self.root / folder).glob("*.toml"))

    def _bytes(self, path: Path) -> bytes:
        try:
            found = path.stat()
            if not stat.S_ISREG(found.st_mode):  # a pipe or a device would be waited for
                raise BadInput(f"{path}: is no file; put the file there, or correct its name")
            if found.st_size > _MOST_BYTES:
                raise BadInput(
                    f"{path}: has {found.st_size} bytes; at most {_MOST_BYTES // 1_000_000} MB are taken, make it smaller"
                )
            return path.read_bytes()
        except OSError as wrong:
            raise BadInput(
                f"{path}: cannot be read ({wrong.strerror}); put the file there, or correct its name"
            ) from None

    def _file(self, folder: str, kind: str, name: str) -> Path:
        path = self.root / folder / f"{name}.toml"
        if not _SLUG.fullmatch(name) or not path.is_file():
            have = ", ".join(self.names(folder)) or "none"
            raise BadInput(f"{self.root / folder}: there is no {kind} {name!r} (there are: {have})")
        return path


def _as_told(name: str) -> str:
    """Return a name as one tells it from others: without its case, and with single blanks."""
    return " ".join(name.split()).casefold()


def _alike(one: str, other: str) -> bool:
    from difflib import SequenceMatcher

    return SequenceMatcher(None, _as_told(one), _as_told(other)).ratio() >= _ALIKE
