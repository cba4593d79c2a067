"""Another party's capture, read as `measure` reads one, without an inspection: nothing is kept and nothing is judged.

A capture without locations of its own is put into the job's plan, reading by reading; one that names them may hold as many
readings at each as it likes. What `measure` asks a person to accept (a unit that looks wrong, a counter that jumps) is
taken as it stands here: whether the unit is the cause is what the comparison finds out.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from ingest.decoding import LineDecoder
from ingest.inspection import Problem, Taking, base_means_um
from ingest.links import LINKS
from rules.party_readings import PartyReading
from schemas.errors import BadInput
from schemas.job import Job
from schemas.profile import Profile
from schemas.shop import Plausible
from schemas.units import to_um
from schemas.vocabulary import EVERYWHERE

_AS_IT_STANDS: Final = "as the other party has it"
#: As many readings as a job may plan for a spot (schemas/job.py).
_MANY: Final = 1000
_LOWEST_UM: Final = Decimal(0)
_HIGHEST_UM: Final = Decimal(99_999)


def read_capture(
    path: Path, job: Job, profile: Profile, pieces: Sequence[str], zone: ZoneInfo, now: datetime
) -> tuple[PartyReading, ...]:
    """Return the readings of a capture that count, in the order taken.

    Args:
        path: The capture: a gauge's own export, or a file with the time of each line.
        job: The job whose locations the readings belong to.
        profile: How the gauge writes a line.
        pieces: Names of the pieces measured, in order.
        zone: Time zone of the gauge's clock.
        now: The time; a reading from the future is refused.

    Raises:
        BadInput: It cannot be read, or a line cannot be taken; the sentence names the line.
    """
    plausible = Plausible(lowest_um=_LOWEST_UM, highest_um=_HIGHEST_UM)
    roomy = _names_locations(path, profile)
    by_name = _has_word(path, b"@piece") or not roomy
    taking = Taking(_with_room(job) if roomy else job, tuple(pieces), "--", LineDecoder(profile, zone), plausible, now)
    for line in LINKS["file"](path, profile.max_line_bytes, now):
        outcome = taking.feed(line, path.name, accept=_AS_IT_STANDS)
        if isinstance(outcome, Problem):
            raise BadInput(f"{path}: line {line.line_no}: {outcome.sentence}")
    bases = base_means_um(taking.readings)
    taken = tuple(
        PartyReading(
            location=r.location,
            thickness_um=r.decoded.thickness_um,
            step_um=to_um(Decimal(1).scaleb(-len(r.decoded.shown.partition(".")[2])), r.decoded.unit),
            unit=r.decoded.unit,
            piece=r.piece if by_name or r.decoded.piece is not None else None,
            spot=r.spot,
            base_um=bases.get(r.location, bases.get(EVERYWHERE)),
        )
        for r in taking.readings
        if r.counted
    )
    if not taken:
        raise BadInput(f"{path}: there is no reading in this capture; name the right file, or the right profile")
    return taken


def _names_locations(path: Path, profile: Profile) -> bool:
    return "location" in profile.keys or "(?P<location>" in (profile.reading or "") or _has_word(path, b"@location")


def _with_room(job: Job) -> Job:
    """Return *job* with room for as many readings as another party may have taken."""
    wide = tuple(place.model_copy(update={"readings_per_spot": _MANY}) for place in job.location)
    return job.model_copy(update={"location": wide})


def _has_word(path: Path, word: bytes) -> bool:
    try:
        return word in path.read_bytes()
    except OSError:
        return False  # the link says what is wrong with the file
