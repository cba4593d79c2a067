"""One byte changed anywhere in a certificate that was signed twice: refused. `make campaign` does the same 2,000 times."""

from __future__ import annotations

from bench.flip_bytes import refused_by, spread_flips
from tests.report.made import small_approved


def test_single_bytes_changed_in_every_part_of_a_certificate_signed_twice_are_all_refused() -> None:
    good = small_approved()
    assert refused_by(good) is None
    changed = list(spread_flips(good, 40, seed=4))
    assert len(changed) >= 40
    assert [place for place, copy in changed if refused_by(copy) is None] == []
