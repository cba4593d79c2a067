"""What coaching finds at a location, in words."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from rules.coaching_findings import AgainstEarlier, LocationCoaching, OutOfWindow
from rules.coaching_intervals import Interval
from rules.rounding import shown
from rules.wording import amount, counted
from schemas.units import Unit


def worded(one: LocationCoaching, unit: Unit, confidence: Decimal) -> LocationCoaching:
    """Return *one* with all of it in sentences."""
    sentences = [_mean_sentence(one, unit, confidence), off_sentence(one, unit), _spread_sentence(one, unit)]
    if one.out is not None:
        sentences.append(out_sentence(one.aim.location, one.out, confidence))
    if one.earlier is not None:
        sentences.append(f"{one.aim.location}: {earlier_sentence(one.earlier, unit, confidence)}")
    if one.level_signals or one.spread_signals:
        what = " and ".join(
            word for word, is_so in (("level", one.level_signals), ("spread", one.spread_signals)) if is_so
        )
        sentences.append(f"{one.aim.location}: the control charts show a signal for the {what} of this rack.")
    if one.chart is not None:
        sentences += [f"{one.aim.location}: {note}" for note in one.chart.notes]
    if one.capability is not None:
        sentences += one.capability.sentences
    return replace(one, sentences=tuple(sentence for sentence in sentences if sentence))


def _mean_sentence(one: LocationCoaching, unit: Unit, confidence: Decimal) -> str:
    if one.mean is None:
        return ""
    return (
        f"{one.aim.location}: mean {with_symbol(one.mean.value, unit)}, {interval_words(one.mean, unit, confidence)} "
        f"(n = {one.n}, {counted(one.pieces, 'piece')})."
    )


def off_sentence(one: LocationCoaching, unit: Unit, *, by_interval: bool = True) -> str:
    """Return where the mean lies beside its band; empty where nothing is said of the location.

    Not *by_interval*, it is not said whether the interval of the mean reaches into the band.
    """
    if one.mean is None:
        return ""
    low, high = one.aim.band
    if low is None and high is None:
        return f"{one.aim.location}: no band and no limit is stated."
    stated = one.aim.target_low is not None or one.aim.target_high is not None
    what = "target band" if stated else "limits"
    ends = [f"{amount(end, unit)}" for end in (low, high) if end is not None]
    named = f"{what} ({' to '.join(ends)} {unit.symbol})"
    if len(ends) == 1:
        named = f"{what} ({'from' if high is None else 'up to'} {ends[0]} {unit.symbol})"
    of = f"n = {one.n}, {counted(one.pieces, 'piece')}"
    if not one.off:
        return f"{one.aim.location}: the mean lies in the {named}; {of}."
    side = "below" if one.off < 0 else "above"
    if one.expanded is None:
        gauge = "; what the gauge alone brings is not known"
    elif abs(one.off) <= one.expanded:
        gauge = f", no more than the gauge explains (± {with_symbol(one.expanded, unit)})"
    elif by_interval and not one.off_firmly:
        gauge = ", but its interval reaches into it"
    else:
        gauge = f", more than the gauge explains (± {with_symbol(one.expanded, unit)})"
    return f"{one.aim.location}: {thickness(one.off, unit)} {side} the {named}{gauge}; {of}."


def _spread_sentence(one: LocationCoaching, unit: Unit) -> str:
    parts = [
        f"{with_symbol(Fraction(deviation), unit)} {where}"
        for deviation, where in ((one.between_pieces, "from piece to piece"), (one.within_piece, "within a piece"))
        if deviation is not None
    ]
    if not parts:
        return ""
    alone = "" if one.within_piece is not None else "; one reading a piece does not tell the two apart"
    return f"{one.aim.location}: s = {' and '.join(parts)} (n = {one.n}, {counted(one.pieces, 'piece')}){alone}."


def counted_out_sentence(location: str, out: OutOfWindow) -> str:
    """Return how much was found outside the limits."""
    if not out.pieces_out:
        return f"{location}: none of {counted(out.readings, 'reading')} lies outside the limits."
    sides = [f"{n} {side}" for n, side in ((out.below, "below"), (out.above, "above")) if n]
    return (
        f"{location}: {' and '.join(sides)} the limits, of {counted(out.readings, 'reading')}; "
        f"{out.pieces_out} of {counted(out.pieces, 'piece')}."
    )


def out_sentence(location: str, out: OutOfWindow, confidence: Decimal) -> str:
    """Return how much was found outside the limits, and how much may be."""
    low, high = (f"{shown(end * 100, 0):f}" for end in (out.low, out.high))
    share = f"From {counted(out.pieces, 'piece')}, {low} to {high} % of pieces may be concerned ({_percent(confidence)} interval)."
    return f"{counted_out_sentence(location, out)} {share}"


def earlier_sentence(earlier: AgainstEarlier, unit: Unit, confidence: Decimal) -> str:
    """Return how a location stands against earlier racks."""
    way = "thicker" if earlier.difference.value >= 0 else "thinner"
    return (
        f"{thickness(earlier.difference.value, unit)} {way} than {counted(earlier.racks, 'earlier rack')} like it "
        f"({interval_words(sized(earlier.difference), unit, confidence)}){gauge_words(earlier.beyond_gauge)}."
    )


def gauge_words(beyond: bool | None) -> str:
    """Return whether a difference is more than the gauge explains, as the end of a sentence."""
    if beyond is None:
        return "; what the gauge alone brings is not known"
    return ", more than the gauge explains" if beyond else ", no more than the gauge explains"


def sized(difference: Interval) -> Interval:
    """Return a difference taken the way that it is above 0."""
    if difference.value >= 0:
        return difference
    return Interval(-difference.value, -difference.high, -difference.low)


def interval_words(of: Interval, unit: Unit, confidence: Decimal) -> str:
    """Return an interval with its confidence."""
    return f"{_percent(confidence)} interval {amount(of.low, unit)} to {with_symbol(of.high, unit)}"


def _percent(confidence: Decimal) -> str:
    return f"{shown(Fraction(confidence) * 100, 0):f} %"


def thickness(difference: Fraction, unit: Unit) -> str:
    """Return the size of a difference, whichever way it lies."""
    return with_symbol(abs(difference), unit)


def with_symbol(value: Fraction, unit: Unit) -> str:
    """Return a build with the symbol of its unit."""
    return f"{amount(value, unit)} {unit.symbol}"
