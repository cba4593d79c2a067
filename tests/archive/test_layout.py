from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive.layout import CommitName, checked_bench, checked_key, first_month, name_time, next_seq, parse
from schemas.errors import BadInput

AT = datetime(2026, 11, 3, 9, 35, 2, 123000, UTC)
NAME = CommitName(AT, "bench1", 42, "20261103-091502-7KQ4", 1)

times = st.datetimes(timezones=st.just(UTC)).map(lambda at: at.replace(microsecond=at.microsecond // 1000 * 1000))
names = st.builds(
    CommitName,
    times,
    st.from_regex(r"[a-z0-9]{1,16}", fullmatch=True),
    st.integers(1, 99_999_999),
    st.from_regex(r"[A-Za-z0-9][A-Za-z0-9-]{0,79}", fullmatch=True),
    st.integers(1, 999_999_999),
)


def test_a_name_says_when_who_which_and_what() -> None:
    assert NAME.file_name == "20261103T093502123Z-bench1-00000042-20261103-091502-7KQ4-r1.parquet"
    assert NAME.month == "2026-11"


@given(names)
def test_every_name_comes_apart_as_it_was_put_together(name: CommitName) -> None:
    assert name == parse(name.file_name)


@given(names, names)
def test_names_sort_by_time(one: CommitName, other: CommitName) -> None:
    if one.at != other.at:
        assert (one.at < other.at) == (one.file_name < other.file_name)


@pytest.mark.parametrize(
    "other",
    [
        ".writing-" + NAME.file_name,
        NAME.file_name + ".bak",
        NAME.file_name.replace("20261103T", "20260231T"),
        NAME.file_name.replace("-r1.", "-r0."),
        NAME.file_name.replace("-r1.", "-r01."),
        NAME.file_name.replace("-00000042-", "-00000000-"),
        NAME.file_name.replace("bench1", "Bench1"),
        NAME.file_name.replace("20261103T", "２0261103T"),
        "readings.parquet",
    ],
)
def test_other_names_are_no_commits(other: str) -> None:
    assert parse(other) is None


@pytest.mark.parametrize("bench", ["", "Bench", "a-b", "a" * 17, "bänch", "a/b", "a\n"])
def test_a_bench_name_that_would_make_names_ambiguous_is_refused(bench: str) -> None:
    with pytest.raises(BadInput, match="give it 1 to 16 small letters"):
        checked_bench(bench)


@pytest.mark.parametrize("key", ["", "-a", "a/b", "a.b", "..", "a" * 81, "a\n", "é"])
def test_a_key_that_no_file_name_takes_is_refused(key: str) -> None:
    with pytest.raises(BadInput, match="the check is called"):
        checked_key("check", key)


def test_a_name_never_steps_back_in_time() -> None:
    earlier, later = AT - timedelta(days=40), AT + timedelta(days=1)
    assert name_time(earlier, "K1", NAME) == AT
    assert later == name_time(later, "K1", NAME)
    assert datetime(2026, 12, 1, tzinfo=UTC) == name_time(AT, "20261201-000000-0001", NAME)
    assert later == name_time(AT, "K1", None, later)


def test_a_name_holds_utc_in_whole_milliseconds() -> None:
    at = datetime(2026, 12, 1, 0, 30, 0, 999_999, timezone(timedelta(hours=2)))
    assert datetime(2026, 11, 30, 22, 30, 0, 999_000, UTC) == name_time(at, "K1", None)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(BadInput, match="no time zone"):
        name_time(datetime(2026, 1, 1), "K1", None)  # noqa: DTZ001 - the very thing that is refused


def test_the_month_to_look_from_is_told_by_the_key_alone() -> None:
    assert first_month("20261103-091502-7KQ4") == "2026-11"
    assert first_month("KLC-20261103-091502-7KQ4") == ""
    assert first_month("20269903-091502-7KQ4") == ""


def test_a_bench_that_used_up_its_numbers_is_told_so() -> None:
    assert next_seq(None, "bench1") == 1
    assert next_seq(NAME, "bench1") == 43
    with pytest.raises(BadInput, match="give it a new name"):
        next_seq(CommitName(AT, "bench1", 99_999_999, "K", 1), "bench1")
