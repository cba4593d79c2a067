"""The questions before the first reading, as values: what is asked, what is refused, and what an answer changes."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.starting import Asked, Dialog, Drawn, Named, ShopSeen, Step, order_facts
from ingest.work_orders import read_orders
from schemas.errors import BadInput
from schemas.job import Job
from schemas.vocabulary import Demand
from tests.ingest.taking import job

JOBS = (Named("gate-leaf", "Garden-gate leaf"), Named("hinge", "Strap hinge"), Named("hinge-2", "Long strap hinge"), Named("2", "Rail"))  # fmt: skip
ORDERS = read_orders(
    b"work_order,job,lot,pieces,lot_size\n7001,HINGE,L-1,2,40\n7002,hingle,L-2,,\n7003,hinge,L-3,x,\n7004,gate-leaf,L-4,,\n",
    "orders.csv",
)
SAMPLED = job(sampling={"scheme": "attributes", "aql": Decimal("1.0")})


def _seen(
    *,
    orders: bool = True,
    demands: frozenset[Demand] = frozenset(),
    drawn: Drawn | None = None,
    the_job: Job | None = None,
    gauges: tuple[Named, ...] = (
        Named("G1", "by the oven", "valid now"),
        Named("G2", "in the yard", "not covered", True),
    ),
) -> ShopSeen:
    def load(name: str) -> Job:
        if name == "gate-leaf":
            raise BadInput("jobs/gate-leaf.toml: rule is missing; add it")
        return the_job or job()

    return ShopSeen(
        jobs=JOBS,
        job=load,
        orders=ORDERS if orders else None,
        inspectors=(Named("mk", "Maire Kettle"), Named("oj", "Odo Jasper")),
        gauges=lambda _: gauges,
        drawn=lambda name, lot: drawn if (name, lot) == ("hinge", "L-1") else None,
        demands=lambda _: demands,
        plan_fault=lambda _, size: "a lot of 1: no plan" if size == 1 else None,
    )


def _now(dialog: Dialog) -> Asked:
    asked = dialog.question()
    assert asked is not None
    return asked


def _answers(dialog: Dialog, *texts: str) -> None:
    for text in texts:
        assert dialog.answer(text) is None, text


def test_a_scanned_work_order_leaves_only_inspector_and_gauge_to_be_asked() -> None:
    dialog = Dialog(_seen(), {})
    assert _now(dialog).question == "Which work order?"
    _answers(dialog, "*7001*")
    asked = _now(dialog)
    assert asked.question == "Who measures?"
    assert asked.known == (("work order", "7001"), ("job", "hinge"), ("lot", "L-1"), ("pieces in the lot", "40"), ("pieces measured", "2"))  # fmt: skip
    _answers(dialog, "1")
    assert [(c.number, c.value, c.note, c.warns) for c in _now(dialog).choices] == [
        (1, "G1", "valid now", False),
        (2, "G2", "not covered", True),
    ]
    _answers(dialog, "g2")
    assert dialog.question() is None
    assert dialog.facts == {"work_order": "7001", "job": "hinge", "lot": "L-1", "pieces": 2, "lot_size": 40, "inspector": "mk", "gauge": "G2"}  # fmt: skip
    with pytest.raises(ValueError):
        dialog.answer("more")


def test_without_a_table_a_scanned_work_order_is_a_fact_and_job_and_lot_are_asked() -> None:
    dialog = Dialog(_seen(orders=False), {})
    _answers(dialog, "*WO 12*")
    assert _now(dialog).question == "Which job?"
    _answers(dialog, "hinge", "L-9", "", "mk", "1")
    assert dialog.facts == {"work_order": "WO 12", "job": "hinge", "lot": "L-9", "pieces": 1, "inspector": "mk", "gauge": "G1"}  # fmt: skip


def test_what_was_given_is_not_asked_and_holds() -> None:
    dialog = Dialog(_seen(), {"job": "hinge", "lot": "L-1", "pieces": 5, "inspector": "oj"})
    assert _now(dialog).question == "Which gauge?"
    _answers(dialog, "1")
    assert dialog.question() is None
    assert dialog.facts["pieces"] == 5
    dialog = Dialog(_seen(), {"lot": "L-1", "pieces": 5})
    _answers(dialog, "7001")
    assert dialog.facts["pieces"] == 5
    dialog = Dialog(_seen(), {"lot": "L-7"})
    assert dialog.answer("7001") == (
        "orders.csv: line 2: work order '7001' is of lot 'L-1', and 'L-7' was given; correct one of them"
    )


def test_a_number_that_the_table_lacks_or_has_wrong_is_taken_when_it_comes_twice_running() -> None:
    dialog = Dialog(_seen(), {})
    lacking = dialog.answer("7999")
    assert lacking is not None
    assert lacking.endswith("the same once more goes on without the table")
    wrong = dialog.answer("7003")
    assert wrong is not None
    assert "column pieces: 'x' is no number" in wrong
    assert dialog.answer("7999") is not None, "another number came in between"
    _answers(dialog, "7999")
    assert dialog.facts == {"work_order": "7999"}
    assert _now(dialog).question == "Which job?"


def test_a_job_that_the_shop_has_not_is_asked_for_and_said() -> None:
    dialog = Dialog(_seen(), {})
    _answers(dialog, "7002")
    asked = _now(dialog)
    assert asked.question == "Which job?"
    assert asked.note == "orders.csv: line 3: there is no job 'hingle' in the shop; pick the one that is meant"
    assert dialog.facts == {"work_order": "7002", "lot": "L-2"}


def test_a_list_is_narrowed_by_typing_and_no_number_is_anothers_name() -> None:
    dialog = Dialog(_seen(), {})
    _answers(dialog, "")
    assert [(c.number, c.value) for c in _now(dialog).choices] == [(1, "gate-leaf"), (3, "hinge"), (4, "hinge-2"), (5, "2")]  # fmt: skip
    _answers(dialog, "strap long")
    asked = _now(dialog)
    assert [(c.number, c.label) for c in asked.choices] == [(1, "hinge-2 · Long strap hinge")]
    assert asked.hint == "type a number; Enter: hinge-2"
    assert dialog.answer("nonesuch") == "nothing here is called 'nonesuch'; type less of it, or a number"
    assert dialog.answer("77") == "there is no number 77 in the list; type one that stands there, or part of a name"
    _answers(dialog, "<")
    assert len(_now(dialog).choices) == 4
    _answers(dialog, "strap", "")
    assert len(_now(dialog).choices) == 4, "Enter with several left shows the whole list again"
    _answers(dialog, "2")
    assert dialog.facts == {"job": "2"}


def test_a_job_whose_file_is_wrong_says_so_and_is_asked_again() -> None:
    dialog = Dialog(_seen(), {})
    _answers(dialog, "")
    assert dialog.answer("1") == "jobs/gate-leaf.toml: rule is missing; add it"
    assert _now(dialog).question == "Which job?"


def test_a_work_order_whose_job_has_a_wrong_file_says_what_is_wrong_with_it() -> None:
    assert Dialog(_seen(), {}).answer("7004") == "jobs/gate-leaf.toml: rule is missing; add it"


def test_one_step_back_forgets_the_answer_and_what_came_with_it() -> None:
    dialog = Dialog(_seen(), {})
    assert dialog.answer("<") == "this is the first question; answer it, or leave with Ctrl-C"
    _answers(dialog, "7001", "")
    assert _now(dialog).question == "Which work order?"
    assert dialog.facts == {}
    _answers(dialog, "", "hinge", "L-4", "<", "")
    assert _now(dialog).question == "Which job?"


@pytest.mark.parametrize(
    ("answers", "bad", "sentence"),
    [
        (("", "hinge"), "L\x07", "lot 'L\\x07' has a line end or a control character; write it on one line"),
        (("", "hinge"), "L" * 201, "lot has 201 characters; at most 200 are kept"),
        (("", "hinge", "L-9"), "two", "'two' is no number from 1 to 100000; type it with digits alone"),
        (("", "hinge", "L-9"), "0", "'0' is no number from 1 to 100000; type it with digits alone"),
        (("", "hinge", "L-9"), "²", "'²' is no number from 1 to 100000; type it with digits alone"),
        (("", "hinge", "L-9", "1"), "zz", "nothing here is called 'zz'; type less of it, or a number"),
    ],
)
def test_an_answer_that_cannot_be_used_is_told_at_once(answers: tuple[str, ...], bad: str, sentence: str) -> None:
    dialog = Dialog(_seen(), {})
    _answers(dialog, *answers)
    before = dialog.question()
    assert dialog.answer(bad) == sentence
    assert dialog.question() == before


def test_what_the_customer_wants_on_the_certificate_is_asked_and_can_be_left_open() -> None:
    wanted = frozenset({Demand.POWDER_BATCH, Demand.PURCHASE_ORDER, Demand.LOT_SIZE, Demand.DRAWING})
    dialog = Dialog(_seen(orders=False, demands=wanted), {"inspector": "mk", "gauge": "G1", "pieces": 3})
    _answers(dialog, "", "hinge", "L-9")
    assert _now(dialog).question == "How many pieces are in the lot?"
    assert _now(dialog).hint == "Customer wants it on the certificate; Enter: not known now"
    assert dialog.answer("2") == "2 is less than the 3 pieces measured; correct it"
    _answers(dialog, "", "PO-1", "")
    assert dialog.question() is None
    assert dialog.facts["purchase_order"] == "PO-1"
    assert "powder_batch" not in dialog.facts
    assert "lot_size" not in dialog.facts


def test_a_plan_needs_the_size_of_the_lot_and_a_draw_answers_it() -> None:
    dialog = Dialog(_seen(the_job=SAMPLED), {"job": "hinge", "lot": "L-9", "inspector": "mk", "gauge": "G1"})
    assert _now(dialog).hint == "the plan needs it"
    assert dialog.answer("1") == "a lot of 1: no plan"
    _answers(dialog, "40")
    assert dialog.answer("41") == "41 is more than the 40 pieces of the lot; correct it"
    _answers(dialog, "8")
    assert dialog.question() is None
    drawn = Dialog(_seen(the_job=SAMPLED, drawn=Drawn(40, 8)), {"job": "hinge", "lot": "L-1", "inspector": "mk"})
    assert _now(drawn).question == "Which gauge?"
    assert _now(drawn).known[-1] == ("drawn", "8 of 40 pieces")


def test_the_only_gauge_is_taken_with_enter_and_none_is_said() -> None:
    given_facts = {"job": "hinge", "lot": "L-9", "pieces": 1, "inspector": "mk"}
    one = Dialog(_seen(gauges=(Named("G7", "", "valid now"),)), given_facts)
    assert _now(one).hint == "type a number, or part of a name; Enter: G7"
    _answers(one, "")
    assert one.facts["gauge"] == "G7"
    none = Dialog(_seen(gauges=()), given_facts)
    assert _now(none).question == "No gauge of the shop measures this job."
    assert none.answer("1") is not None


def test_named_pieces_stand_against_the_number_that_a_work_order_says() -> None:
    facts, _ = order_facts({"work_order": "1", "pieces": 3}, {"piece": 1}, _seen(), "orders.csv: line 2")
    assert facts == {"work_order": "1"}


@given(st.lists(st.one_of(st.sampled_from(["", "<", "1", "7001", "7002", "hinge", "strap", "L", "mk"]), st.text(max_size=6)), max_size=25))  # fmt: skip
def test_whatever_is_typed_is_taken_or_answered_with_one_sentence(texts: list[str]) -> None:
    """Steps stay in order, no fact has a value that its own question would refuse, and the end is complete."""
    dialog = Dialog(_seen(), {})
    for text in texts:
        if dialog.question() is None:
            break
        before = dialog.facts
        against = dialog.answer(text)
        if against is not None:
            assert "\n" not in against
            assert dialog.facts == before
    if dialog.question() is None:
        assert {s.value for s in (Step.JOB, Step.LOT, Step.PIECES, Step.INSPECTOR, Step.GAUGE)} <= set(dialog.facts)
    assert all(str(value).strip() and str(value).isprintable() for value in dialog.facts.values())


def test_a_long_line_is_broken_between_words_and_keeps_its_indent() -> None:
    from ingest.start_at_terminal import _broken

    note = "  NOTE: orders.csv: line 3: there is no job 'brackett' in the shop; pick the one that is meant"
    parts = _broken(note, 40)
    assert all(len(part) <= 40 and part.startswith("  ") for part in parts)
    assert " ".join(part.strip() for part in parts) == note.strip()
    assert _broken("  lot   4713", 40) == ["  lot   4713"]
