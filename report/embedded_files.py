"""What is said of each file inside a certificate: its media type, what it is to the pages, and a description.

The relationships are those of ISO 19005-3, 6.8 (values in ISO 32000-2, table 43):

- Source: what the pages were made from. That is certificate.json, from which every word and number on
  them can be computed again, and nothing else.
- Data: the tables behind what the pages show as tables and pictures.
- Supplement: what goes along and no number hangs on, as the drawing of the part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class EmbeddedKind:
    """What a file inside is.

    Attributes:
        media_type: Its media type; said here because the machine's own table may say otherwise.
        relationship: What it is to the pages: Source, Data or Supplement.
        description: The same in words, for whoever lists what is inside.
    """

    media_type: str
    relationship: str
    description: str


_MEDIA_TYPES: Final = {
    "csv": "text/csv",
    "json": "application/json",
    # Registered in 2024 (IANA media types; from memory).
    "parquet": "application/vnd.apache.parquet",
    "png": "image/png",
    "svg": "image/svg+xml",
}
#: The shop's logo, so that the pages can be laid out anew.
LOGOS: Final = ("logo.svg", "logo.png")
_KNOWN: Final = {
    "certificate.json": ("Source", "All that the certificate states and was made from, exactly"),
    "certificate.schema.json": ("Supplement", "The meaning of every entry of certificate.json, as a JSON Schema"),
    "gauge_checks.csv": ("Data", "The checks of the gauge that bear on the readings, as a table"),
    **dict.fromkeys(LOGOS, ("Supplement", "Logo of the shop")),
    "readings.csv": ("Data", "Every reading as it came, as a table for a spreadsheet"),
    "readings.parquet": ("Data", "Every reading as it came, as a typed table"),
}
_BY_ENDING: Final = {
    "csv": ("Data", "A table of this certificate"),
    "json": ("Data", "Data of this certificate"),
    "parquet": ("Data", "A table of this certificate"),
    "png": ("Supplement", "Drawing of the part"),
    "svg": ("Supplement", "Drawing of the part"),
}


def kind_of(name: str) -> EmbeddedKind:
    """Return what is said of the file *name*.

    Raises:
        RuntimeError: Nothing is known of its ending.
    """
    ending = name.rpartition(".")[2]
    if ending not in _MEDIA_TYPES:
        raise RuntimeError(f"no media type is known for the file {name!r} inside the certificate")
    relationship, description = _KNOWN.get(name) or _BY_ENDING[ending]
    return EmbeddedKind(_MEDIA_TYPES[ending], relationship, description)
