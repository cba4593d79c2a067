"""What coaching finds on a rack: the types of its answer."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Final

from rules.capability import Capability
from rules.coaching_intervals import Interval
from rules.coaching_racks import Aim
from rules.control_charts import Chart, ChartPair, Signal
from rules.short_run import deviation_from_target
from rules.variation import Variation
from rules.window import LEAST_READINGS
from schemas.units import Unit

#: Of a location with fewer pieces or readings nothing is said but how many there are (a choice of ours).
LEAST_PIECES: Final = 3
LEAST_AT_LOCATION: Final = 5


@dataclass(frozen=True, slots=True)
class OutOfWindow:
    """How much lies outside the limits.

    Attributes:
        readings: Readings.
        below: Of these, below the lower limit.
        above: Of these, above the upper limit.
        pieces: Pieces.
        pieces_out: Of these, with a reading outside.
        low: Lower end of the interval of the share of such pieces, of 1 (Wilson's, rules.proportion).
        high: Upper end.
    """

    readings: int
    below: int
    above: int
    pieces: int
    pieces_out: int
    low: Fraction
    high: Fraction


@dataclass(frozen=True, slots=True)
class AgainstEarlier:
    """The rack beside earlier ones that are like it.

    Attributes:
        racks: How many earlier racks.
        difference: This rack's mean less the mean of theirs.
        beyond_gauge: Whether it is larger than the gauge explains; None where that is not known.
    """

    racks: int
    difference: Interval
    beyond_gauge: bool | None


@dataclass(frozen=True, slots=True)
class LocationCoaching:
    """One location of the rack.

    Attributes:
        aim: The location with its bands.
        n: Readings.
        pieces: Pieces.
        enough: Whether there are enough of both to say anything; otherwise what follows is None or empty.
        mean: Mean of the pieces' means, with its interval.
        off: How far the mean lies outside the band; 0 inside.
        off_firmly: Whether it is outside with its whole interval, and by more than the gauge explains.
        between_pieces: Standard deviation from piece to piece; None where it cannot be told.
        within_piece: Standard deviation within a piece, spots and readings together; None where it cannot be told.
        out: How much lies outside the limits.
        earlier: Compared with earlier racks; None where there are too few.
        chart: Individuals chart of the racks' means, limits from the earlier ones; this rack is the last point.
        spread_chart: Chart of the standard deviations of the pieces' means, in the same way.
        capability: Indices from all pieces of these racks; None where nothing is measured.
        expanded: Expanded uncertainty that the gauge alone brings to a mean here; None where it is not known.
        sentences: All of it in words.
    """

    aim: Aim
    n: int
    pieces: int
    enough: bool
    mean: Interval | None
    off: Fraction
    off_firmly: bool
    between_pieces: Decimal | None
    within_piece: Decimal | None
    out: OutOfWindow | None
    earlier: AgainstEarlier | None
    chart: ChartPair | None
    spread_chart: Chart | None
    capability: Capability | None
    expanded: Fraction | None
    sentences: tuple[str, ...]

    @property
    def few(self) -> bool:
        """Return whether a page shows it in grey: fewer readings than plans are made with."""
        return self.n < LEAST_READINGS

    @property
    def deviation(self) -> Fraction | None:
        """Return how far the mean lies from the middle of its aim, in halves of the window; None without both limits."""
        middle, lower, upper = self.aim.middle, self.aim.lower, self.aim.upper
        if self.mean is None or middle is None or lower is None or upper is None or lower >= upper:
            return None
        return deviation_from_target(self.mean.value, middle, lower, upper)

    @property
    def level_signals(self) -> bool:
        """Return whether the chart says that the level of this rack has changed."""
        if self.chart is None:
            return False
        jump = self.chart.spread.points[-1].signals
        return bool(self.chart.level.points[-1].signals) or Signal.BEYOND in jump

    @property
    def spread_signals(self) -> bool:
        """Return whether this rack spreads more than earlier ones do."""
        if self.spread_chart is None:
            return False
        last = self.spread_chart.points[-1]
        return bool(last.signals) and last.value > last.centre


@dataclass(frozen=True, slots=True)
class PositionMean:
    """A place on the rack: pieces there, and how much thicker they are than the rack's mean, location by location."""

    position: str
    pieces: int
    above_rack: Fraction
    off: Fraction


@dataclass(frozen=True, slots=True)
class PositionPattern:
    """Places on the rack compared.

    Attributes:
        positions: Thinnest first; only those with enough pieces.
        difference: The thickest less the thinnest; None with fewer than two.
        beyond_gauge: Whether that is larger than the gauge explains; None where that is not known.
        sentence: In words.
    """

    positions: tuple[PositionMean, ...]
    difference: Interval | None
    beyond_gauge: bool | None
    sentence: str


class Change(StrEnum):
    """What is suggested."""

    LOCATION = "technique at one location"
    POSITION = "one place on the rack"
    LEVEL = "the whole part"
    LOOK = "look for what has changed"
    SPREAD = "evenness"
    NOTHING = "nothing to change"
    UNCLEAR = "not clear enough to change anything"
    TOO_FEW = "too few readings"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The one thing to change, or that there is none.

    Attributes:
        change: Which kind.
        sentence: What to do, in one sentence or two.
        first: What to look at before that; None where nothing comes first.
        evidence: Why, with the numbers.
        known: Where the suggestion comes from.
        cautions: What to keep in mind; empty where nothing is to be done.
    """

    change: Change
    sentence: str
    first: str | None
    evidence: tuple[str, ...]
    known: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Coaching:
    """What a rack says.

    Attributes:
        rack: Its label.
        part_no: Part number.
        powder: Code of the powder.
        sprayer: Code of the person who sprayed.
        unit: Unit of all builds.
        n: Readings.
        pieces: Pieces.
        alike: Labels of the earlier racks that it was compared with, oldest first.
        locations: In the order of the job.
        variation: Between pieces, locations, spots and readings of this rack; None below two readings.
        positions: Places on the rack; None where none is stated.
        suggestion: The one change.
        notes: What was left out, and what is not known.
    """

    rack: str
    part_no: str
    powder: str | None
    sprayer: str | None
    unit: Unit
    n: int
    pieces: int
    alike: tuple[str, ...]
    locations: tuple[LocationCoaching, ...]
    variation: Variation | None
    positions: PositionPattern | None
    suggestion: Suggestion
    notes: tuple[str, ...]
