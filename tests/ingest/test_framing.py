"""Bytes to lines: how a stream is cut into chunks makes no difference."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.framing import Frame, Framer


def _lines(chunks: list[bytes], most: int = 64) -> list[Frame]:
    framer = Framer(most)
    frames = [frame for chunk in chunks for frame in framer.feed(chunk)]
    tail = framer.close()
    return frames + ([tail] if tail else [])


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"], ids=["LF", "CR", "CRLF"])
def test_each_usual_line_end_ends_a_line_once(end: bytes) -> None:
    assert [Frame(b"3.12", 4), Frame(b"", 0), Frame(b"3.14", 4)] == _lines([b"3.12" + end + end + b"3.14" + end])


def test_a_crlf_that_is_split_over_two_chunks_is_one_end() -> None:
    assert [Frame(b"3.12", 4), Frame(b"3.14", 4)] == _lines([b"3.12\r", b"\n3.14\r", b"\n"])


def test_of_a_crlf_that_comes_byte_by_byte_one_lf_belongs_to_the_cr_and_the_next_ends_a_blank_line() -> None:
    assert [Frame(b"3.12", 4), Frame(b"", 0), Frame(b"3.14", 4)] == _lines([b"3.12\r", b"\n", b"\n", b"3.14\n"])


def test_a_tail_without_an_end_says_so() -> None:
    assert [Frame(b"3.12", 4), Frame(b"3.1", 3, ended=False)] == _lines([b"3.12\n3.", b"1"])


def test_a_line_beyond_the_bound_keeps_its_head_and_its_length_and_the_next_line_is_whole() -> None:
    frames = _lines([b"x" * 50, b"x" * 50, b"x\n3.12\n"])
    assert [Frame(b"x" * 64, 101), Frame(b"3.12", 4)] == frames
    assert frames[0].overlong


@given(
    st.lists(st.binary(max_size=80).map(lambda b: b.replace(b"\r", b"").replace(b"\n", b"")), max_size=40),
    st.sampled_from([b"\n", b"\r", b"\r\n"]),
    st.integers(0, 2**32),
)
def test_cuts_in_the_byte_stream_do_not_matter(lines: list[bytes], end: bytes, seed: int) -> None:
    stream = b"".join(line + end for line in lines)
    rng = random.Random(seed)
    cuts = sorted(rng.randrange(len(stream) + 1) for _ in range(rng.randrange(12)))
    chunks = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [Frame(line[:64], len(line)) for line in lines] == _lines(chunks)


#: Ends of their own: Tab, ETX, a letter beyond ASCII, and such that begin again within themselves.
OWN_ENDS = [b"\t", b"\x03", "¶".encode(), b"##", b"aab", b"abab", b";\x00;"]


def _as_one_piece(stream: bytes, end: bytes | None) -> list[bytes]:
    """Return the lines of *stream* as the definition has them: looked at byte by byte, the whole of it at hand."""
    lines, line, at = [], b"", 0
    while at < len(stream):
        for one in (b"\r\n", b"\r", b"\n", *([end] if end else [])):
            if stream.startswith(one, at):
                lines.append(line)
                line, at = b"", at + len(one)
                break
        else:
            line, at = line + stream[at : at + 1], at + 1
    return [*lines, line]


@given(st.data(), st.sampled_from([None, *OWN_ENDS]))
def test_any_chunking_gives_the_lines_of_the_whole_stream_whatever_ends_them(
    data: st.DataObject, end: bytes | None
) -> None:
    pieces = st.sampled_from([b"\r", b"\n", b"a", b"b", b"#", b";", b"\x00", b"3.12", "¶".encode()[:1], end or b"x"])
    chunks = [b"".join(chunk) for chunk in data.draw(st.lists(st.lists(pieces, max_size=6), max_size=20))]
    framer = Framer(64, end)
    frames = [frame for chunk in chunks for frame in framer.feed(chunk)]
    *whole, tail = _as_one_piece(b"".join(chunks), end)
    assert [Frame(line[:64], len(line)) for line in whole] == frames
    assert framer.holds_a_tail == bool(tail)
    assert (Frame(tail[:64], len(tail), ended=False) if tail else None) == framer.close()


def test_a_pause_ends_a_line_where_the_profile_says_so_and_an_empty_pause_ends_none() -> None:
    framer = Framer(64)
    assert framer.feed(b"3.1") == []
    assert framer.feed(b"2") == []
    assert framer.pause() == Frame(b"3.12", 4, ended=True)
    assert framer.pause() is None
    assert framer.feed(b"3.14\r") == [Frame(b"3.14", 4)]
    assert framer.pause() is None
    assert framer.feed(b"\n3.16\r\n") == [Frame(b"3.16", 4)]


def test_what_may_begin_an_end_belongs_to_the_line_when_a_pause_or_the_close_comes_first() -> None:
    framer = Framer(64, b"##")
    assert framer.feed(b"3.12#") == []
    assert framer.pause() == Frame(b"3.12#", 5)
    assert framer.feed(b"#") == []
    assert framer.close() == Frame(b"#", 1, ended=False)


@pytest.mark.parametrize("end", [None, b"##"], ids=["usual ends", "an end of its own"])
def test_garbage_without_any_end_stays_within_the_bound(end: bytes | None) -> None:
    framer = Framer(64, end)
    for _ in range(1000):
        assert framer.feed(b"#\x00" * 500) == []
    tail = framer.close()
    assert tail is not None
    assert (len(tail.data), tail.length, tail.ended) == (64, 1_000_000, False)


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"], ids=["CR", "LF", "CRLF"])
def test_a_usual_end_that_is_named_as_well_changes_nothing(end: bytes) -> None:
    framer = Framer(64, end)
    assert framer.feed(b"3.12" + end + b"3.14" + end) == [Frame(b"3.12", 4), Frame(b"3.14", 4)]


def test_an_end_with_cr_or_lf_beside_other_bytes_is_refused() -> None:
    with pytest.raises(ValueError, match="leave them out"):
        Framer(64, b"\x03\r\n")
