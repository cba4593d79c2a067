"""The readings of an inspection in the order taken: one object each, or a whole stretch of them in columns."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from operator import eq
from typing import Protocol, TypeVar, overload

Reading = TypeVar("Reading")
_Made = TypeVar("_Made", covariant=True)


class Stretch(Protocol[_Made]):
    """Readings that lie in columns; one is made into an object when somebody asks for it, and stays that object."""

    def __len__(self) -> int: ...
    def at(self, place: int) -> _Made:
        """Return the reading at *place*, from 0: the same object each time."""
        ...

    @property
    def left_out(self) -> Mapping[int, _Made]:
        """Return those that do not count any more, by their places, in order."""
        ...


class TakenReadings(Sequence[Reading]):
    """A list to which readings are added one by one or a stretch at a time, and from which none is taken away.

    Whoever looks at all readings one by one makes objects of them all; :meth:`parts` gives the stretches whole.
    """

    def __init__(self) -> None:
        self._parts: list[list[Reading] | Stretch[Reading]] = []
        self._starts: list[int] = []
        self._count = 0
        self._last: list[Reading] = []

    @property
    def parts(self) -> Sequence[list[Reading] | Stretch[Reading]]:
        """Return the readings in order: lists of objects, and stretches."""
        return self._parts

    @property
    def in_columns(self) -> bool:
        """Return whether there is a stretch among them."""
        return any(not isinstance(part, list) for part in self._parts)

    def append(self, reading: Reading) -> None:
        """Add one reading."""
        if not self._parts or self._parts[-1] is not self._last:
            self._last = []
            self._parts.append(self._last)
            self._starts.append(self._count)
        self._last.append(reading)
        self._count += 1

    def extend_by(self, stretch: Stretch[Reading]) -> None:
        """Add a stretch."""
        if len(stretch):
            self._parts.append(stretch)
            self._starts.append(self._count)
            self._count += len(stretch)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and len(self) == len(other) and all(map(eq, self, other))

    __hash__ = None  # type: ignore[assignment]  # it grows, as a list does

    def __len__(self) -> int:
        return self._count

    def __iter__(self) -> Iterator[Reading]:
        for part in self._parts:
            if isinstance(part, list):
                yield from part
            else:
                yield from map(part.at, range(len(part)))

    def __reversed__(self) -> Iterator[Reading]:
        return map(self._at, range(self._count - 1, -1, -1))

    @overload
    def __getitem__(self, place: int) -> Reading: ...
    @overload
    def __getitem__(self, place: slice) -> list[Reading]: ...
    def __getitem__(self, place: int | slice) -> Reading | list[Reading]:
        if isinstance(place, slice):
            return [self._at(n) for n in range(*place.indices(self._count))]
        if place < 0:
            place += self._count
        if not 0 <= place < self._count:
            raise IndexError(place)
        return self._at(place)

    def _at(self, place: int) -> Reading:
        number = len(self._starts) - 1
        if place < self._starts[-1]:
            number = bisect_right(self._starts, place) - 1
        part, place = self._parts[number], place - self._starts[number]
        return part[place] if isinstance(part, list) else part.at(place)
