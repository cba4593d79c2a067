"""What is asked before the first reading: the questions and what an answer makes of them. No terminal, no disk, no clock.

A dialog is a value that changes: `question()` says what is asked now, `answer(text)` takes what was typed or scanned and
returns None, or the sentence that speaks against it. Whoever draws it (ingest/start_at_terminal.py in plain lines, or
the screen) decides nothing. Where Enter alone means something, the question says so; else it goes one step back, as `<`
does in every question.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import count
from typing import Final, Protocol

from ingest.said import number_of, plain_text
from ingest.work_orders import WorkOrders, work_order_scanned
from schemas.errors import BadInput
from schemas.job import Job
from schemas.vocabulary import Demand

#: Typed alone, it goes one step back.
BACK: Final = "<"
MOST_PIECES: Final = 100_000
_MOST_IN_A_LOT: Final = 10_000_000

Known = Mapping[str, str | int]


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing to pick.

    Attributes:
        number: What is typed to pick it.
        value: What is picked; typed whole it picks as well.
        label: What it is, in words, *value* among them where a person would type it.
        note: What else a person should know of it before picking.
        warns: Whether the note speaks against it.
    """

    number: int
    value: str
    label: str
    note: str = ""
    warns: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A question as it is to be drawn.

    Attributes:
        question: What is asked.
        hint: What can be typed, and what Enter alone does.
        choices: What can be picked, those alone that fit what was typed; empty where something is typed in full.
        known: What is known so far, in the order to be shown: name and value in words.
        note: What was noticed and does not stop the dialog.
    """

    question: str
    hint: str
    choices: tuple[Choice, ...] = ()
    known: tuple[tuple[str, str], ...] = ()
    note: str | None = None


class Dialogue(Protocol):
    """What is drawn: questions one after the other until there are none."""

    def question(self) -> Asked | None:
        """Return what is asked now, or None where nothing is any more."""
        ...

    def answer(self, text: str) -> str | None:
        """Take an answer; return the sentence that speaks against it, or None."""
        ...


@dataclass(frozen=True, slots=True)
class Named:
    """Something of the shop's that can be picked: a job, an inspector or a gauge."""

    value: str
    label: str
    note: str = ""
    warns: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """The sample that was drawn for a lot."""

    lot_size: int
    pieces: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopSeen:
    """What the questions are made of. The functions read the shop folder when they are needed, and no earlier.

    Attributes:
        jobs: The shop's jobs, by name and title.
        job: Returns a job; raises BadInput where its file is wrong.
        orders: The work orders, or None where the shop keeps none.
        inspectors: The shop's inspectors.
        gauges: Returns the gauges that can measure a job.
        drawn: Returns the sample that was drawn for a job's lot, or None.
        demands: Returns what the job's customer wants to read on a certificate.
        is_open: Returns whether a job's lot has an open inspection that is gone on with; then nothing else is asked.
        plan_fault: Returns why a job's sampling has no plan for a lot of that size, or None.
    """

    jobs: tuple[Named, ...]
    job: Callable[[str], Job]
    orders: WorkOrders | None
    inspectors: tuple[Named, ...]
    gauges: Callable[[Job], tuple[Named, ...]]
    drawn: Callable[[str, str], Drawn | None]
    demands: Callable[[Job], frozenset[Demand]]
    plan_fault: Callable[[Job, int], str | None]
    is_open: Callable[[str, str], bool] = lambda _job, _lot: False


class Step(StrEnum):
    """The questions, in their order. Each is named as the fact that it asks for."""

    WORK_ORDER = "work_order"
    JOB = "job"
    LOT = "lot"
    LOT_SIZE = "lot_size"
    PIECES = "pieces"
    PURCHASE_ORDER = "purchase_order"
    POWDER_BATCH = "powder_batch"
    INSPECTOR = "inspector"
    GAUGE = "gauge"


_DEMANDED: Final = {
    Step.LOT_SIZE: Demand.LOT_SIZE,
    Step.PURCHASE_ORDER: Demand.PURCHASE_ORDER,
    Step.POWDER_BATCH: Demand.POWDER_BATCH,
}
_SHOWN_AS: Final = {
    "work_order": "work order",
    "job": "job",
    "lot": "lot",
    "lot_size": "pieces in the lot",
    "pieces": "pieces measured",
    "purchase_order": "purchase order",
    "rack": "rack",
    "rack_position": "place on the rack",
    "powder": "powder",
    "powder_batch": "powder batch",
    "sprayer": "sprayer",
    "coats": "coats",
    "bakes": "bakes",
    "inspector": "inspector",
    "gauge": "gauge",
}


@dataclass(frozen=True, slots=True)
class _Answered:
    step: Step
    facts: Known
    note: str | None = None


@dataclass(slots=True)
class Dialog:
    """Asks for what an inspection needs and nobody has said yet.

    Args:
        shop: What the questions are made of.
        given: What was said on the command line, by the names of Step and of the work orders' columns; it holds.
    """

    shop: ShopSeen
    given: Known
    _answers: list[_Answered] = field(default_factory=list)
    _typed: str = ""  # narrows the list that is picked from
    _again: str | None = None  # what is taken when it comes a second time
    _note: str | None = None
    _jobs: dict[str, Job] = field(default_factory=dict)
    _gauges: dict[str, tuple[Named, ...]] = field(default_factory=dict)

    @property
    def facts(self) -> dict[str, str | int]:
        """Return all that is known: what was given, what the work order says, and what was answered."""
        known: dict[str, str | int] = {}
        for answered in self._answers:
            known |= answered.facts
        return known | dict(self.given)

    def question(self) -> Asked | None:
        """Return what is asked now, or None where nothing is lacking."""
        step = self._step()
        if step is None:
            return None
        choices = self._choices(step)
        question, hint = self._words(step, choices)
        note = self._note or (self._answers[-1].note if self._answers else None)
        return Asked(question=question, hint=hint, choices=choices, known=self._known(), note=note)

    def answer(self, text: str) -> str | None:
        """Take what was typed or scanned; return None, or the sentence that speaks against it: then it is asked again."""
        step = self._step()
        if step is None:
            raise ValueError("nothing is asked any more")
        said = text.strip()
        self._note = None
        if said == BACK:
            return self._go_back()
        try:
            if not said:
                return self._enter(step)
            return self._pick(step, said) if step in _PICKED else self._write(step, said)
        except BadInput as wrong:
            return wrong.sentence

    # what is asked next

    def _step(self) -> Step | None:
        known = self.facts
        answered = {a.step for a in self._answers}
        return next((step for step in Step if step not in answered and self._lacks(step, known)), None)

    def _lacks(self, step: Step, known: Known) -> bool:
        if step in known:
            return False
        if "job" in known and "lot" in known and self.shop.is_open(str(known["job"]), str(known["lot"])):
            return False
        if step is Step.WORK_ORDER:
            return not ("job" in known and "lot" in known) or self._demanded(Demand.WORK_ORDER)
        if step is Step.LOT_SIZE:
            return self._drawn() is None and (
                self._job_known().sampling is not None
                or self._demanded(Demand.LOT_SIZE)
                or self._demanded(Demand.EVERY_PIECE)
            )
        if step is Step.PIECES:
            return "piece" not in known and self._drawn() is None
        if step in _DEMANDED:
            return self._demanded(_DEMANDED[step])
        return True

    def _job_known(self) -> Job:
        name = str(self.facts["job"])
        if name not in self._jobs:
            self._jobs[name] = self.shop.job(name)
        return self._jobs[name]

    def _demanded(self, demand: Demand) -> bool:
        return "job" in self.facts and demand in self.shop.demands(self._job_known())

    def _drawn(self) -> Drawn | None:
        known = self.facts
        return self.shop.drawn(str(known["job"]), str(known["lot"])) if "job" in known and "lot" in known else None

    # how it is asked

    def _words(self, step: Step, choices: Sequence[Choice]) -> tuple[str, str]:
        if step in _PICKED:
            question = {
                Step.JOB: "Which job?",
                Step.INSPECTOR: "Who measures?",
                Step.GAUGE: "Which gauge?",
            }[step]
            if not choices:
                return "No gauge of the shop measures this job.", f"add one to shop.toml{self._enter_goes_back()}"
            if self._typed:
                enter = f"; Enter: {choices[0].value}" if len(choices) == 1 else "; Enter: the whole list"
                return question, f"type a number{enter}"
            enter = f"; Enter: {choices[0].value}" if len(choices) == 1 else self._enter_goes_back()
            return question, f"type a number, or part of a name{enter}"
        asked_for = f"{self._job_known().customer} wants it on the certificate; " if step in _DEMANDED else ""
        match step:
            case Step.WORK_ORDER:
                return "Which work order?", "scan or type it; Enter: go on without one"
            case Step.LOT:
                return "Which lot?", f"scan or type it{self._enter_goes_back()}"
            case Step.LOT_SIZE if self._job_known().sampling is not None:
                return "How many pieces are in the lot?", f"the plan needs it{self._enter_goes_back()}"
            case Step.LOT_SIZE:
                return "How many pieces are in the lot?", f"{asked_for}Enter: not known now"
            case Step.PIECES:
                return "How many pieces are measured?", f"Enter: {self._usual_pieces()}"
            case Step.PURCHASE_ORDER:
                return "Which purchase order of the customer?", f"{asked_for}Enter: not known now"
            case _:
                return "Which batch of the powder?", f"scan or type it; {asked_for}Enter: not known now"

    def _enter_goes_back(self) -> str:
        return "; Enter: one step back" if self._answers else ""

    def _usual_pieces(self) -> int:
        size = self.facts.get("lot_size")
        every = self._job_known().sampling is None and self._demanded(Demand.EVERY_PIECE)
        return int(size) if size is not None and every else 1

    def _known(self) -> tuple[tuple[str, str], ...]:
        known = self.facts
        shown = [(words, str(known[name])) for name, words in _SHOWN_AS.items() if name in known]
        if (drawn := self._drawn()) is not None:
            shown.append(("drawn", f"{drawn.pieces} of {drawn.lot_size} pieces"))
        return tuple(shown)

    # what an answer does

    def _enter(self, step: Step) -> str | None:
        if step in _PICKED:
            choices = self._choices(step)
            if len(choices) == 1:
                return self._pick(step, choices[0].value)
            if self._typed:
                self._typed = ""
                return None
        elif step is Step.PIECES:
            return self._write(step, str(self._usual_pieces()))
        elif step is Step.WORK_ORDER or (
            step in _DEMANDED and not (step is Step.LOT_SIZE and self._job_known().sampling is not None)
        ):
            self._take(step, {})
            return None
        return self._go_back()

    def _go_back(self) -> str | None:
        if self._typed:
            self._typed = ""
            return None
        self._again = None
        if not self._answers:
            return "this is the first question; answer it, or leave with Ctrl-C"
        self._answers.pop()
        return None

    def _take(self, step: Step, facts: Known, note: str | None = None) -> None:
        self._typed = ""
        self._again = None
        self._answers.append(_Answered(step, facts, note))

    def _pick(self, step: Step, said: str) -> str | None:
        everything = _numbered(self._offered(step))
        shown = self._choices(step)
        told = said.casefold()
        found = next((c for c in everything if c.value.casefold() == told), None)
        if found is None and said.isdecimal():
            found = next((c for c in shown if str(c.number) == said.lstrip("0")), None)
            if found is None and not any(told in _searched(c) for c in everything):
                return f"there is no number {said} in the list; type one that stands there, or part of a name"
        if found is not None:
            if step is Step.JOB:
                self._jobs[found.value] = self.shop.job(found.value)
            self._take(step, {step.value: found.value})
            return None
        words = told.split()
        if not any(all(w in _searched(c) for w in words) for c in everything):
            return f"nothing here is called {said!r}; type less of it, or a number"
        self._typed = said
        return None

    def _write(self, step: Step, said: str) -> str | None:
        if step is Step.WORK_ORDER:
            return self._take_work_order(said)
        if step in (Step.LOT_SIZE, Step.PIECES):
            return self._take_number(step, said)
        self._take(step, {step.value: plain_text(said, _SHOWN_AS[step])})
        return None

    def _take_number(self, step: Step, said: str) -> str | None:
        most = _MOST_IN_A_LOT if step is Step.LOT_SIZE else MOST_PIECES
        if not (said.isascii() and said.isdigit() and len(said) < 10 and 1 <= int(said) <= most):
            return f"{said!r} is no number from 1 to {most}; type it with digits alone"
        number = int(said)
        known = self.facts
        if step is Step.LOT_SIZE:
            if number < int(known.get("pieces", 1)):
                return f"{number} is less than the {known['pieces']} pieces measured; correct it"
            if (fault := self.shop.plan_fault(self._job_known(), number)) is not None:
                return fault
        elif "lot_size" in known and number > int(known["lot_size"]):
            return f"{number} is more than the {number_of(int(known['lot_size']), 'piece', 'pieces')} of the lot; correct it"
        self._take(step, {step.value: number})
        return None

    def _take_work_order(self, said: str) -> str | None:
        orders = self.shop.orders
        number = plain_text(work_order_scanned(said, orders.code if orders else None), "the work order")
        if orders is None or number == self._again:
            self._take(Step.WORK_ORDER, {"work_order": number})
            return None
        try:
            order = orders.find(said)
            wrong = orders.not_found(said) if order is None else None
        except BadInput as fault:
            order, wrong = None, fault.sentence
        if order is None:
            self._again = number
            return f"{wrong}; the same once more goes on without the table"
        facts, note = order_facts(order.facts(), self.given, self.shop, f"{orders.where}: line {order.line}")
        self._take(Step.WORK_ORDER, facts, note)
        return None

    # lists

    def _choices(self, step: Step) -> tuple[Choice, ...]:
        if step not in _PICKED:
            return ()
        offered = self._offered(step)
        words = self._typed.casefold().split()
        return _numbered(offered, lambda c: all(w in _searched(c) for w in words))

    def _offered(self, step: Step) -> tuple[Named, ...]:
        if step is Step.JOB:
            return self.shop.jobs
        if step is Step.INSPECTOR:
            return self.shop.inspectors
        name = str(self.facts["job"])
        if name not in self._gauges:
            self._gauges[name] = self.shop.gauges(self._job_known())
        return self._gauges[name]


_PICKED: Final = frozenset({Step.JOB, Step.INSPECTOR, Step.GAUGE})


def order_facts(said: Known, given: Known, shop: ShopSeen, where: str) -> tuple[dict[str, str | int], str | None]:
    """Return what a work order says that holds beside *given*, and a sentence where its job is none of the shop's.

    Raises:
        BadInput: It is of another job or lot than was given, or its job's file is wrong.
    """
    facts = dict(said)
    if "piece" in given:
        facts.pop("pieces", None)  # the pieces have names
    note = None
    if "job" in facts:
        told = str(facts["job"]).casefold()
        own = next((j.value for j in shop.jobs if j.value.casefold() == told), None)
        if own is None:
            note = f"{where}: there is no job {facts['job']!r} in the shop; pick the one that is meant"
            del facts["job"]
        else:
            shop.job(own)
            facts["job"] = own
    for name in ("job", "lot"):
        if name in given and name in facts and given[name] != facts[name]:
            raise BadInput(
                f"{where}: work order {facts['work_order']!r} is of {name} {facts[name]!r}, and {given[name]!r} was "
                "given; correct one of them"
            )
    return facts, note


def _numbered(offered: Iterable[Named], fits: Callable[[Named], bool] = lambda _: True) -> tuple[Choice, ...]:
    """Number what fits; no number is given that is another one's name."""
    every = tuple(offered)
    names = {c.value for c in every}
    numbers = (n for n in count(1) if str(n) not in names)
    return tuple(
        Choice(n, c.value, f"{c.value} · {c.label}" if c.label else c.value, c.note, c.warns)
        for c, n in zip(filter(fits, every), numbers)  # noqa: B905 - the numbers have no end
    )


def _searched(choice: Named | Choice) -> str:
    return f"{choice.value} {choice.label}".casefold()
