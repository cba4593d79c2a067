"""The counters that readings came with: which reading had which."""

from __future__ import annotations


class Counters:
    """Which counters were seen, and with which reading; a run of counters one after the other is kept as one.

    Attributes:
        last: The counter that came last; None where none came.
    """

    def __init__(self) -> None:
        self.last: int | None = None
        self._reading_of: dict[int, int] = {}
        self._runs: list[tuple[int, int, int]] = []

    def __contains__(self, counter: int) -> bool:
        return counter in self._reading_of or any(first <= counter <= last for first, last, _ in self._runs)

    def __getitem__(self, counter: int) -> int:
        """Return the number of the last reading that had *counter*.

        Raises:
            KeyError: None had it.
        """
        of_runs = [number + counter - first for first, last, number in self._runs if first <= counter <= last]
        single = self._reading_of.get(counter)
        if single is not None:
            of_runs.append(single)
        if not of_runs:
            raise KeyError(counter)
        return max(of_runs)

    def add(self, counter: int, reading_no: int) -> None:
        """Say that the reading with number *reading_no* had *counter*."""
        self._reading_of[counter] = reading_no
        self.last = counter

    def add_run(self, first: int, count: int, reading_no: int) -> None:
        """Say that *count* readings from *reading_no* on had the counters from *first* on, one after the other."""
        if count:
            self._runs.append((first, first + count - 1, reading_no))
            self.last = first + count - 1

    def seen_from(self, counter: int) -> int | None:
        """Return the first counter from *counter* on that was seen; None where all from there on are new."""
        seen = [number for number in self._reading_of if number >= counter]
        seen += [max(first, counter) for first, last, _ in self._runs if last >= counter]
        return min(seen, default=None)
