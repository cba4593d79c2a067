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
