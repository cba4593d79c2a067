"""How the labelled lines of a certificate are laid out in two columns."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from report.page import _LINE, _halves
from report.page_facts import Fact

_FACTS = st.lists(st.text("x", min_size=1, max_size=150).map(lambda text: Fact("label", text)), max_size=25)


@given(facts=_FACTS)
def test_two_columns_hold_every_line_in_its_order_and_no_other_place_to_break_makes_them_shorter(
    facts: list[Fact],
) -> None:
    left, right = _halves(tuple(facts))
    assert left + right == tuple(facts)
    height = max(map(_lines, (left, right)))
    assert all(height <= max(_lines(facts[:n]), _lines(facts[n:])) for n in range(len(facts) + 1))


def _lines(facts: list[Fact] | tuple[Fact, ...]) -> int:
    return sum(math.ceil(len(f.text) / _LINE) for f in facts)
