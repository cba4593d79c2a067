"""The counters that a gauge's lines came with: which was last, which reading had which, and what speaks against the next."""

from __future__ import annotations

from bisect import bisect_right
from typing import Final, Protocol

#: The editions of these rules; a journal says by which of them it was begun, and is replayed by it.
EDITION: Final = 2
_SIXTEEN_BITS: Final = 0xFFFF
#: A counter wraps with some numbers missing where these are at most one in so many of its range, and at most so many.
_NEAR: Final = 20


class CountersSeen(Protocol):
    """What the state of taking asks of the counters."""

    def against(self, counter: int, *, in_order: bool) -> str | None:
        """Return what speaks against a reading with *counter*, or None.

        Args:
            counter: The counter.
            in_order: Whether a gap matters: not where the line itself says where the reading belongs.
        """
        ...

    def add(self, counter: int, reading_no: int | None) -> None:
        """Say that a line had *counter*: the reading with number *reading_no*, or None where it is not taken."""
        ...

    def pass_by(self) -> None:
        """Say that a line came that is no reading: the gauge may have counted it."""
        ...

    def take_back(self) -> None:
        """Unsay the last :meth:`pass_by`: the line is a reading after all."""
        ...


class CountersBefore:
    """The rules of the first edition, by which journals written then are replayed: only readings taken are seen."""

    def __init__(self) -> None:
        self._last: int | None = None
        self._reading_of: dict[int, int] = {}

    def against(self, counter: int, *, in_order: bool) -> str | None:
        """As :class:`CountersSeen`."""
        if counter in self._reading_of:
            return _again(counter, self._reading_of[counter])
        if in_order and self._last is not None and counter != self._last + 1:
            return _gap(counter, self._last)
        return None

    def add(self, counter: int, reading_no: int | None) -> None:
        """As :class:`CountersSeen`."""
        if reading_no is not None:
            self._reading_of[counter] = reading_no
            self._last = counter

    def pass_by(self) -> None:
        """As :class:`CountersSeen`."""

    def take_back(self) -> None:
        """As :class:`CountersSeen`."""


class Counters:
    """Which counters were seen since the counter began or wrapped, and with which reading.

    A line is compared with the one before it, whatever became of that: a gap is said once. A counter that was seen
    does not take the place of the last one, for a line that is sent again is an old line.

    Attributes:
        last: The counter that came last; None where none came.
        passed: How many lines that are no readings came since: each may have used up a counter.
    """

    def __init__(self) -> None:
        self.last: int | None = None
        self.passed = 0
        self._forget()

    def _forget(self) -> None:
        # Runs of counters one after the other, none of them in two runs, in order: first, last, number of the first
        # reading (None: not taken).
        self._firsts: list[int] = []
        self._lasts: list[int] = []
        self._numbers: list[int | None] = []
        self._again: dict[int, int | None] = {}

    def __contains__(self, counter: int) -> bool:
        place = bisect_right(self._firsts, counter) - 1
        return place >= 0 and counter <= self._lasts[place]

    def __getitem__(self, counter: int) -> int | None:
        """Return the number of the last reading that had *counter*; None where that line was not taken.

        Raises:
            KeyError: None had it.
        """
        if counter not in self:
            raise KeyError(counter)
        if counter in self._again:
            return self._again[counter]
        place = bisect_right(self._firsts, counter) - 1
        number = self._numbers[place]
        return None if number is None else number + counter - self._firsts[place]

    def against(self, counter: int, *, in_order: bool) -> str | None:
        """As :class:`CountersSeen`."""
        if self.last is None:
            return None
        wrapped = self._wraps_to(counter)
        if not wrapped and counter in self:
            return _again(counter, self[counter])
        if in_order and self._missing(counter) > self.passed:
            return _gap(counter, self.last)
        return None

    def add(self, counter: int, reading_no: int | None) -> None:
        """As :class:`CountersSeen`."""
        if self._wraps_to(counter):
            self._forget()
        elif counter in self:
            self._again[counter] = reading_no
            return
        self.passed = 0
        self._put(counter, counter, reading_no)
        self.last = counter

    def add_run(self, first: int, count: int, reading_no: int) -> None:
        """Say that *count* readings from *reading_no* on had the counters from *first* on, one after the other, none seen before."""
        if count:
            self.passed = 0
            self._put(first, first + count - 1, reading_no)
            self.last = first + count - 1

    def pass_by(self) -> None:
        """As :class:`CountersSeen`."""
        self.passed += 1

    def take_back(self) -> None:
        """As :class:`CountersSeen`."""
        self.passed -= 1

    def seen_from(self, counter: int) -> int | None:
        """Return the first counter from *counter* on that was seen; None where all from there on are new."""
        if counter in self:
            return counter
        place = bisect_right(self._firsts, counter)
        return self._firsts[place] if place < len(self._firsts) else None

    def _put(self, first: int, last: int, number: int | None) -> None:
        place = bisect_right(self._firsts, first)
        if place and self._lasts[place - 1] == first - 1:
            before = self._numbers[place - 1]
            follows = None if before is None else before + first - self._firsts[place - 1]
            if follows == number:
                self._lasts[place - 1] = last
                return
        self._firsts.insert(place, first)
        self._lasts.insert(place, last)
        self._numbers.insert(place, number)

    def _wraps_to(self, counter: int) -> bool:
        """Return whether the counter went on across its highest number to come to *counter*."""
        if self.last is None or counter >= self.last:
            return False
        return any(missing <= min(max(highest // _NEAR, 1), _NEAR) for highest, missing in _across(self.last, counter))

    def _missing(self, counter: int) -> int:
        """Return how many counters are missing between the last and *counter*."""
        assert self.last is not None  # noqa: S101 - the caller looks
        if counter > self.last:
            return counter - self.last - 1
        return min(missing for _, missing in _across(self.last, counter))


def _across(last: int, counter: int) -> list[tuple[int, int]]:
    """Return the highest numbers that a counter may wrap after and, for each, how many are missing from *last* to *counter*.

    A counter of so many digits wraps from all nines to 0 or 1 (one of a single digit to 0, for its 1 was there just
    before), one of sixteen bits from 65535 to 0. Common practice, no source.
    """
    nines = 10 ** len(str(last)) - 1
    found = [(nines, nines - last + (counter - 1 if counter and nines > 9 else counter))]
    if last <= _SIXTEEN_BITS:
        found.append((_SIXTEEN_BITS, _SIXTEEN_BITS - last + counter))
    return found


def _again(counter: int, reading_no: int | None) -> str:
    before = "a line that was not taken" if reading_no is None else f"reading {reading_no}"
    return f"has counter {counter} again, as {before} had; it may have been sent twice"


def _gap(counter: int, last: int) -> str:
    return f"has counter {counter} after {last}, so a reading may be missing and the rest out of place"
