"""Where lines come from. A link yields raw lines with the time they came and knows nothing of readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from ingest.links import file, typed
from ingest.links.raw_line import RawLine

#: The links by name; a new one is one more entry here.
LINKS: Final[dict[str, Callable[..., Iterator[RawLine]]]] = {"file": file.lines, "typed": typed.lines}
