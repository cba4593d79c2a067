"""From the archive to what a look-back finds: every inspection and certificate with readings in doubt, by customer."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from archive.absent import Absent, absent
from archive.layout import id_time
from archive.look_back import Period, candidates
from archive.store import Archive
from rules.calibration_gate import cover
from rules.doubt import (
    CLOCKS_APART,
    Cause,
    Doubt,
    Policy,
    Touched,
    doubts_looked_up,
    doubts_of_standard,
    doubts_on_record,
    earliest,
    hulls,
    look_back,
    stated,
)
from rules.doubt_estimate import Estimate, errors_found, estimate
from rules.results import GateState
from schemas.errors import BadInput
from schemas.gauge_checks import GaugeCheck
from schemas.job import Job
from schemas.readings import GaugeReading
from schemas.shop import OLDEST_VERIFICATION, Shop
from schemas.vocabulary import CheckKind, Clock, ProbeMode

#: The later is the one to heed.
_HEED: Final = (GateState.COVERED, GateState.OPEN, GateState.UNCOVERED, GateState.SUSPECT)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of time that a person names, UTC; None where it has no such end.

    Attributes:
        end_counts: Whether the moment *end* belongs to it.
    """

    start: datetime | None = None
    end: datetime | None = None
    end_counts: bool = True

    @property
    def given(self) -> bool:
        """Return whether it has an end at all."""
        return self.start is not None or self.end is not None


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asks to look back from: one of a check, a gauge and a standard.

    Attributes:
        stretch: Of a gauge: all its readings then, or what its records put in doubt where no end is named. Of a standard:
            the checks made on it then.
        probe_mode: Of a gauge: in this mode alone.
        off_um: By how much the gauge read too high (below zero: too low), where a person tells.
        reason: Why, in the person's words; for the letter.
    """

    check_id: str | None = None
    gauge_serial: str | None = None
    standard_id: str | None = None
    stretch: Stretch = Stretch()
    probe_mode: str | None = None
    off_um: Fraction | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Affected:
    """An inspection with readings in doubt, or with a certificate that states some.

    Attributes:
        job: What it was judged by.
        readings: All readings in doubt, those that only a certificate of an earlier revision states included.
        gate: The worst that the gate says today of the counted readings in doubt of the valid revision; None where there is
            none.
        estimate: What the error could mean; None where no error is known, or nothing of the valid revision is in doubt.
    """

    touched: Touched
    job: Job
    readings: tuple[GaugeReading, ...]
    gate: GateState | None
    estimate: Estimate | None

    @property
    def first(self) -> datetime:
        """Return when the first of the readings was taken."""
        return min(r.taken_at for r in self.readings)

    @property
    def last(self) -> datetime:
        """Return when the last of the readings was taken."""
        return max(r.taken_at for r in self.readings)


@dataclass(frozen=True, slots=True)
class LookBack:
    """What a look-back finds.

    Attributes:
        doubts: What was asked about, and whatever else put a reading in doubt.
        checks: The checks that these name, all their rows.
        affected: What is in doubt: by customer, then by the time of the first reading.
        absent: What could not be looked at.
        not_passed: Of each mode that failed a check and has passed none since, with no reading in doubt through that, the
            doubt that its last failed check makes.
    """

    asked: Asked
    zone: ZoneInfo
    doubts: tuple[Doubt, ...]
    checks: tuple[GaugeCheck, ...]
    affected: tuple[Affected, ...]
    absent: Absent
    not_passed: tuple[Doubt, ...]

    @property
    def certificates(self) -> int:
        """Return how many certificates are in doubt, each revision counted."""
        return sum(len(one.touched.certificates) for one in self.affected)

    @property
    def customers(self) -> tuple[str, ...]:
        """Return the customers concerned."""
        return tuple(dict.fromkeys(one.touched.inspection.customer for one in self.affected))

    @property
    def other_clocks(self) -> int:
        """Return how many readings in doubt carry a time that no clock of the shop's computers gave."""
        return sum(r.clock != Clock.COMPUTER for one in self.affected for r in one.readings)

    def rows(self, check_id: str | None) -> tuple[GaugeCheck, ...]:
        """Return the rows of a check that a doubt names."""
        return tuple(c for c in self.checks if c.check_id == check_id)


def looked_back(archive: Archive, shop: Shop, asked: Asked, sealed_journals: Path) -> LookBack:
    """Return every inspection and certificate in doubt through what is *asked*.

    Args:
        archive: Where they are.
        shop: For its policy and its clock.
        asked: What a person asks.
        sealed_journals: The folder of the sealed journals, each of an inspection that has to be there.

    Raises:
        BadInput: There is no such check, gauge or standard, or it puts nothing in doubt.
        IntegrityFailed: A file of the archive is not whole.
    """
    doubts, known = _doubts(archive, shop, asked)
    periods = [Period(d.gauge_serial, d.probe_mode, d.start, d.end) for d in hulls(doubts)]
    touched = look_back(doubts, *candidates(archive, periods, earliest(doubts)), archive.reading_records)
    named = {d.error_of for d in doubts} - {None}
    errors = {name: errors_found([c for c in known if c.check_id == name]) for name in named if name is not None}

    def estimated(one: Touched) -> Estimate | None:
        return estimate(_job(one.inspection.job_json), one.readings, one.found, errors, asked.off_um)

    checks = _Checks(archive, touched)
    affected = [_affected(one, checks, estimated) for one in touched]
    held = {d for one in touched for found in (one.found, *(c.found for c in one.certificates)) for d in found.doubts}
    shown = tuple(d for n, d in enumerate(doubts) if d in held or (n == 0 and asked.check_id is not None))
    not_passed = _not_passed(doubts, shown)
    cited = {name for d in (*shown, *not_passed) for name in (d.check_id, d.good_id, d.next_id, d.error_of)}
    return LookBack(
        asked,
        ZoneInfo(shop.time_zone),
        shown,
        tuple(c for c in known if c.check_id in cited),
        tuple(sorted(affected, key=lambda one: (one.touched.inspection.customer, one.first))),
        absent(archive, sealed_journals, earliest(doubts)),
        not_passed,
    )


def _not_passed(doubts: Sequence[Doubt], shown: Sequence[Doubt]) -> tuple[Doubt, ...]:
    last: dict[str, Doubt] = {}
    for doubt in doubts:
        if doubt.cause is Cause.AFTER_FAILED_CHECK and doubt.end is None:
            last[doubt.probe_mode] = doubt
    told = {doubt.probe_mode for doubt in shown if doubt.cause is Cause.AFTER_FAILED_CHECK and doubt.end is None}
    return tuple(doubt for mode, doubt in last.items() if mode not in told)


def _doubts(archive: Archive, shop: Shop, asked: Asked) -> tuple[tuple[Doubt, ...], Sequence[GaugeCheck]]:
    """Return what is in doubt, and the checks that it follows from."""
    stretch = asked.stretch
    if asked.check_id is not None:
        recorded = id_time(asked.check_id)
        near = _no_studies(archive.checks(since=None if recorded is None else recorded - CLOCKS_APART))
        known = next((c for c in near if c.check_id == asked.check_id), None)
        known = known or next((c for c in archive.checks() if c.check_id == asked.check_id), None)
        if known is None:
            raise BadInput(f"{archive.root}: there is no check {asked.check_id!r}; name one that is on record")
        gauge = known.gauge_serial
        return doubts_looked_up(
            lambda since: archive.checks(gauge, since), asked.check_id, known.done_at, policy_of(shop, gauge)
        )
    if asked.standard_id is not None:
        every = _no_studies(archive.checks())
        _must_be_known(archive, shop, asked, every)
        found = doubts_of_standard(
            every,
            asked.standard_id,
            stretch.start,
            stretch.end,
            end_counts=stretch.end_counts,
            closing_required=shop.verification.closing_required,
        )
        return found, every
    if asked.gauge_serial is None:
        raise BadInput("name a check with --check, a gauge with --gauge or a standard with --standard")
    policy = policy_of(shop, asked.gauge_serial)
    modes = policy.modes if asked.probe_mode is None else (asked.probe_mode,)
    if stretch.given:
        _must_be_known(archive, shop, asked, None)
        _must_have_mode(archive, shop, asked)
        return stated(asked.gauge_serial, modes, stretch.start, stretch.end, end_counts=stretch.end_counts), ()
    every = _no_studies(archive.checks(asked.gauge_serial))
    _must_be_known(archive, shop, asked, every)
    _must_have_mode(archive, shop, asked)
    return tuple(d for d in doubts_on_record(every, asked.gauge_serial, policy) if d.probe_mode in modes), every


class _Checks:
    """The checks that the gate is asked with: those from shortly before the readings on, or all where these do not cover."""

    def __init__(self, archive: Archive, touched: Sequence[Touched]) -> None:
        self._archive = archive
        times = [r.taken_at for one in touched for r in one.readings]
        self._since = min(times) - OLDEST_VERIFICATION if times else None
        self._kept: dict[tuple[str, bool], list[GaugeCheck]] = {}

    def of(self, gauge_serial: str, *, every: bool) -> list[GaugeCheck]:
        """Return the checks of a gauge: near the readings, or every one."""
        key = (gauge_serial, every)
        if key not in self._kept:
            self._kept[key] = _no_studies(self._archive.checks(gauge_serial, None if every else self._since))
        return self._kept[key]


def _no_studies(checks: Sequence[GaugeCheck]) -> list[GaugeCheck]:
    return [c for c in checks if c.kind != CheckKind.STUDY]


def policy_of(shop: Shop, gauge_serial: str) -> Policy:
    """Return what the shop's rules say about one gauge; one that it no longer has could be in any mode."""
    gauge = next((g for g in shop.gauge if g.serial == gauge_serial), None)
    return Policy(
        closing_required=shop.verification.closing_required,
        zone=ZoneInfo(shop.time_zone),
        modes=tuple(ProbeMode),
        calibrated_on=None if gauge is None else gauge.calibrated_on,
    )


def _must_be_known(archive: Archive, shop: Shop, asked: Asked, checks: Sequence[GaugeCheck] | None) -> None:
    """Refuse a name that nothing knows: a slip would otherwise be answered with 'nothing is in doubt'."""
    if asked.standard_id is not None:
        kind, wanted = "standard", asked.standard_id
        known = {s.serial for s in shop.standard}
        if wanted not in known:
            known |= {c.standard_id for c in checks or archive.checks() if c.standard_id is not None}
    else:
        kind, wanted = "gauge", asked.gauge_serial or ""
        known = {g.serial for g in shop.gauge}
        if wanted not in known:
            known |= {c.gauge_serial for c in checks or archive.checks()}
        if wanted not in known:
            known |= {i.gauge_serial for i in archive.listed(all_revisions=True)}
    if wanted not in known:
        raise BadInput(
            f"there is no {kind} {wanted!r} in shop.toml or on record (there are: {', '.join(sorted(known))})"
        )


def _must_have_mode(archive: Archive, shop: Shop, asked: Asked) -> None:
    """Refuse a mode that the gauge has not and never was used in, as a name that nothing knows."""
    serial = asked.gauge_serial
    known = {mode.value for gauge in shop.gauge if gauge.serial == serial for mode in gauge.probe_modes}
    if asked.probe_mode is None or asked.probe_mode in known:
        return
    known |= {c.probe_mode for c in archive.checks(serial) if c.probe_mode is not None}
    known |= {i.probe_mode for i in archive.listed(gauge_serial=serial, all_revisions=True)}
    if asked.probe_mode not in known:
        raise BadInput(
            f"gauge {serial} has no mode {asked.probe_mode!r} in shop.toml or on record (it has: {', '.join(sorted(known))}); "
            "correct --mode or leave it out"
        )


def _affected(one: Touched, checks: _Checks, estimated: Callable[[Touched], Estimate | None]) -> Affected:
    job = _job(one.inspection.job_json)
    held = (one.found, *(c.found for c in one.certificates))
    readings = {(r.revision, r.reading_no): r for found in held for r in found.every}
    gate = guess = None
    if one.found:
        gate = _gate(one, job, checks, every=False)
        if gate is GateState.UNCOVERED:  # an older calibration may be on record; nothing older could take cover away
            gate = _gate(one, job, checks, every=True)
        guess = estimated(one)
    return Affected(one, job, tuple(readings.values()), gate, guess)


def _gate(one: Touched, job: Job, checks: _Checks, *, every: bool) -> GateState | None:
    in_doubt = {r.reading_no for r in one.found.every}
    of_gauge = checks.of(one.inspection.gauge_serial, every=every)
    coverage = cover(one.readings, of_gauge, job, _shop(one.inspection.shop_json))
    states = [entry.state for entry in coverage.readings if entry.reading_no in in_doubt]
    return max(states, key=_HEED.index, default=None)


# Many inspections share a job and a shop file.
_job = lru_cache(maxsize=256)(Job.from_json)
_shop = lru_cache(maxsize=256)(Shop.from_json)
