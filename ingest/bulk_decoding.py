"""What a block of lines says, in columns: each different line is decoded once, by the decoder that reads single lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute

from ingest.bulk_lines import INSTANT
from ingest.decoding import Blank, Decoded, DecodedReading, LineDecoder, NotAReading, Rejected, text_of
from ingest.framing import Frame

pc: Final[Any] = pyarrow.compute  # its type information knows fewer pairs of arguments than it takes

#: So many different lines show whether it is worth while to decode all at once.
_LOOKED_AT: Final = 256


class Sort(IntEnum):
    """What is to be done with a line.

    READING: it may be taken with many others. BESIDE: it is kept as no reading, and changes nothing for those
    after it. NOTHING: it is blank. SINGLY: it has to be looked at in its turn.
    """

    READING = 0
    BESIDE = 1
    NOTHING = 2
    SINGLY = 3


@dataclass(frozen=True, slots=True)
class Figures:
    """What lines say that may be taken with many others.

    Attributes:
        different: What is said, once each; what a line says beside figures, unit and mode is not to be heeded.
        which: Which of those each line says; Arrow int32.
        sorts: Sort of each line; Arrow int8, or None where all are READING.
        text: Each line as text; Arrow string. Not to be heeded where the sort is not READING.
        counters: Counter of each line; Arrow int64, null where it has none; None where none has one.
        taken_us: Time that the gauge gave each line, in µs since 1970; None where it gave none.
    """

    different: Sequence[Decoded]
    which: Any
    sorts: Any | None
    text: Any
    counters: Any | None
    taken_us: Any | None


def figures_of(lines: Any, decoder: LineDecoder) -> Figures | None:
    """Return what *lines*, Arrow binary, say; None where some come with a time of the gauge's and some without, or few can be taken with others."""
    encoded = lines.dictionary_encode()
    texts: list[str] = []
    different: list[Decoded] = []
    for number, data in enumerate(encoded.dictionary.to_pylist()):
        if number == _LOOKED_AT and sum(sort_of(said) is Sort.SINGLY for said in different) > _LOOKED_AT // 2:
            return None
        text = text_of(Frame(data, len(data)), decoder.control)
        texts.append("" if isinstance(text, Rejected) else text)
        different.append(text if isinstance(text, Rejected) else decoder.decode(text))
    readings = [said if isinstance(said, DecodedReading) else None for said in different]
    timed = {said.taken_at is not None for said in readings if said is not None}
    if len(timed) > 1:
        return None
    which = encoded.indices
    sorts = [sort_of(said) for said in different]
    taken_us = counters = None
    if True in timed:
        times = pa.array([said.taken_at if said is not None else None for said in readings], INSTANT)
        taken_us = times.cast(pa.int64()).take(which)
    if any(said is not None and said.counter is not None for said in readings):
        counted = pa.array([said.counter if said is not None else None for said in readings], pa.int64())
        counters = counted.take(which)
    return Figures(
        different,
        which,
        None if all(sort is Sort.READING for sort in sorts) else pa.array(sorts, pa.int8()).take(which),
        pa.array(texts, pa.string()).take(which),
        counters,
        taken_us,
    )


def sort_of(said: Decoded) -> Sort:
    """Return what is to be done with a line that says *said*."""
    match said:
        case Blank():
            return Sort.NOTHING
        case NotAReading():
            return Sort.BESIDE
        case DecodedReading(piece=None, location=None, spot=None):
            return Sort.READING
    return Sort.SINGLY
