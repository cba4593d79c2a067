"""One byte changed anywhere in a certificate that was signed twice: refused. `make campaign` does the same 2,000 times."""

from __future__ import annotations

from bench.flip_bytes import flips, refused_by
from tests.report.made import small_approved


def test_a_hundred_and_fifty_single_bytes_changed_in_a_certificate_signed_twice_are_all_refused() -> None:
    good = small_approved()
    assert refused_by(good) is None
    accepted = [place for place, changed in flips(good, 150, seed=4) if refused_by(changed) is None]
    assert accepted == []
