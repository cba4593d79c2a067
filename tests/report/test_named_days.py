"""Days that are named in options: when they begin and end."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from report.named_days import begin_and_end, day_named
from schemas.errors import BadInput


def test_a_day_ends_by_the_wall_clock_also_where_it_has_25_hours() -> None:
    """Summer time ends in the European Union on the last Sunday of October (Directive 2000/84/EC, article 3; from memory)."""
    sunday = date(2026, 10, 25)
    assert begin_and_end(sunday, sunday, ZoneInfo("Europe/Berlin")) == (
        datetime(2026, 10, 24, 22, tzinfo=UTC),
        datetime(2026, 10, 25, 23, tzinfo=UTC),
    )


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Etc/GMT+12", "UTC"])
def test_the_outermost_days_of_the_calendar_leave_nothing_out(zone: str) -> None:
    assert begin_and_end(date.min, date.max, ZoneInfo(zone)) == (None, None)
    assert begin_and_end(None, None, ZoneInfo(zone)) == (None, None)


def test_what_is_no_day_is_said_with_where_it_stands() -> None:
    assert day_named("--received", "2026-01-31") == date(2026, 1, 31)
    with pytest.raises(BadInput, match=r"lots\.csv: line 2: received '31\.1\.2026' is no day; write it as 2026-01-31"):
        day_named("lots.csv: line 2: received", "31.1.2026")
