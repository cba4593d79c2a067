"""What is asked where inspections are open: go on with one, begin another, give one up, or seal one. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from ingest.open_list import OpenSeen
from ingest.said import plain_text
from ingest.starting import BACK, Asked, Choice
from schemas.errors import BadInput


class Way(StrEnum):
    """What can be done."""

    GO_ON = "go on"
    BEGIN = "begin another"
    GIVE_UP = "give one up"
    SEAL = "seal one"


@dataclass(frozen=True, slots=True)
class Decision:
    """What is to be done.

    Attributes:
        inspection_id: With which inspection; empty for BEGIN.
        reason: Why it is given up, or sealed although readings are missing; None where none is needed.
    """

    way: Way
    inspection_id: str = ""
    reason: str | None = None


_WHICH = {Way.GIVE_UP: "Which one is given up?", Way.SEAL: "Which one is sealed?"}
_WHY = {
    Way.GIVE_UP: ("Why is it given up?", "it is kept aside whole, and never judged"),
    Way.SEAL: ("Why is it sealed with readings missing?", "the verdict will be undecided"),
}


@dataclass(slots=True)
class OpenFirst:
    """Asks what becomes of the open inspections.

    Args:
        seen: The open inspections, at least one.
        when: Writes a moment as the shop's clock shows it.
    """

    seen: tuple[OpenSeen, ...]
    when: Callable[[datetime], str]
    decision: Decision | None = None
    _way: Way | None = None
    _chosen: OpenSeen | None = None

    def question(self) -> Asked | None:
        """Return what is asked now, or None once there is a decision."""
        if self.decision is not None:
            return None
        if self._way is None:
            default = self._newest()
            enter = f"go on with {default.number}" if default else "begin another"
            many = len(self.seen)
            said = "1 inspection is open." if many == 1 else f"{many} inspections are open."
            return Asked(question=said, hint=f"type a number; Enter: {enter}", choices=tuple(self._first()))
        if self._chosen is None:
            return Asked(
                question=_WHICH[self._way], hint="type a number; Enter: one step back", choices=tuple(self._listed())
            )
        question, meaning = _WHY[self._way]
        known = (("inspection", self._chosen.inspection_id), ("job", self._chosen.job), ("lot", self._chosen.lot))
        return Asked(question=question, hint=f"{meaning}; Enter: one step back", known=known)

    def answer(self, text: str) -> str | None:
        """Take an answer; return the sentence that speaks against it, or None."""
        said = text.strip()
        if self._way is None:
            return self._take_way(said)
        if said in ("", BACK):
            if self._chosen is None or len(self.seen) == 1:
                self._way = None
            self._chosen = None
            return None
        if self._chosen is None:
            one = self._numbered(said, self._listed())
            return self._choose(one) if one else _no_number(said)
        try:
            reason = plain_text(said, "the reason")
        except BadInput as wrong:
            return wrong.sentence
        self.decision = Decision(self._way, self._chosen.inspection_id, reason)
        return None

    def _take_way(self, said: str) -> str | None:
        if said == BACK:
            return "this is the first question; answer it, or leave with Ctrl-C"
        if not said:
            default = self._newest()
            said = str(default.number if default else len(self.seen) + 1)
        picked = next((c for c in self._first() if str(c.number) == said or c.value == said), None)
        if picked is None:
            return _no_number(said)
        one = next((s for s in self.seen if s.inspection_id == picked.value), None)
        if one is not None:
            if (against := _against(one)) is not None:
                return against
            self.decision = Decision(Way.GO_ON, one.inspection_id)
            return None
        if picked.value == Way.BEGIN:
            self.decision = Decision(Way.BEGIN)
            return None
        self._way = Way(picked.value)
        if len(self.seen) == 1 and (against := self._choose(self.seen[0])) is not None:
            self._way = None
            return against
        return None

    def _choose(self, one: OpenSeen) -> str | None:
        if (against := _against(one)) is not None:
            return against
        if self._way is Way.SEAL:
            if not one.counted:
                return "it holds no reading, so there is nothing to seal; go on with it, or give it up"
            if not one.missing:
                self.decision = Decision(Way.SEAL, one.inspection_id)
                return None
        self._chosen = one
        return None

    def _newest(self) -> Choice | None:
        """Return the last one that can be gone on with."""
        free = {s.inspection_id for s in self.seen if _against(s) is None}
        return next((c for c in reversed(tuple(self._listed())) if c.value in free), None)

    def _listed(self) -> Iterator[Choice]:
        for number, one in enumerate(self.seen, start=1):
            yield Choice(number, one.inspection_id, self._label(one), _note(one), one.held or one.fault is not None)

    def _first(self) -> Iterator[Choice]:
        yield from self._listed()
        for number, way in enumerate((Way.BEGIN, Way.GIVE_UP, Way.SEAL), start=len(self.seen) + 1):
            yield Choice(number, way.value, way.value)

    def _numbered(self, said: str, choices: Iterator[Choice]) -> OpenSeen | None:
        picked = next((c.value for c in choices if str(c.number) == said or c.value == said), None)
        return next((s for s in self.seen if s.inspection_id == picked), None)

    def _label(self, one: OpenSeen) -> str:
        begun = f", begun {self.when(one.begun_at)}" if one.begun_at else ""
        by = f" by {one.inspector}" if one.inspector else ""
        of = f", {one.counted} of {one.planned} readings" if one.fault is None else ""
        what = f"{one.job}, lot {one.lot}" if one.job else one.inspection_id
        return f"{what}{begun}{by}{of}"


def _note(one: OpenSeen) -> str:
    if one.held:
        return "being taken right now by another filmtally"
    return one.fault or ""


def _against(one: OpenSeen) -> str | None:
    if one.held:
        return "another filmtally is taking this inspection right now; finish it there first"
    return one.fault


def _no_number(said: str) -> str:
    return f"there is no {said!r} in the list; type a number that stands there"
