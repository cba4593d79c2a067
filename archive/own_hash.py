"""A single file's hash over itself, in its footer: it shows a changed byte of which nothing that is read depends.

Such as one in the name of the writer. The SHA-256 is over the file with zeros in its own place. It is no evidence, since
whoever writes a file anew writes its hash anew; that is what the ledger is for.
"""

from __future__ import annotations

import hashlib
from typing import Final

#: The key of the hash in a file's footer; files that were committed by an early version have none.
OWN_HASH_KEY: Final = "filmtally.file_sha256"
#: What stands there while the file is hashed.
NO_HASH: Final = "0" * 64


def with_own_hash(content: memoryview) -> bytearray:
    """Return *content*, a file whose footer holds NO_HASH under OWN_HASH_KEY, with its hash there.

    Raises:
        ValueError: The footer holds no such entry.
    """
    whole = bytearray(content)
    at = _place(whole, NO_HASH)
    whole[at : at + len(NO_HASH)] = hashlib.sha256(whole).hexdigest().encode()
    return whole


def is_as_hashed(content: bytes, said: str) -> bool:
    """Return whether *content*, in whose footer *said* stands as its hash, has that hash."""
    whole = bytearray(content)
    try:
        at = _place(whole, said)
    except ValueError:
        return False
    whole[at : at + len(said)] = NO_HASH.encode()
    return len(said) == len(NO_HASH) and hashlib.sha256(whole).hexdigest() == said


def _place(whole: bytearray, said: str) -> int:
    # The entry is the last that is added to the footer; what stands behind it cannot hold its key.
    return whole.index(said.encode(), whole.rindex(OWN_HASH_KEY.encode()))
