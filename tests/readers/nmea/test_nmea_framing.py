"""Sentences found in bytes, against a plain loop; damaged, cut, doubled, mixed with binary."""

from __future__ import annotations

import random
import time

import logs
import numpy as np
import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.readers.nmea import sentences

SOUND = logs.log([*logs.stay(0, 6), logs.Epoch(6, quality=0)], precision=(0.01, 0.012, 0.02))


def framed(data, size=sentences.BLOCK):
    found = []
    for block in sentences.blocks(data, size):
        found += zip((block.start + block.first).tolist(), block.state.tolist(), block.line.tolist(), strict=True)
    return found


def test_every_sentence_of_a_sound_log_is_good_as_another_reader_says():
    lines = SOUND.decode().splitlines()
    assert len(framed(SOUND)) == len(lines)
    assert {state for _, state, _ in framed(SOUND)} == {sentences.GOOD}
    for text in lines:
        pynmea2.parse(text, check=True)
    assert [line for _, _, line in framed(SOUND)] == list(range(1, len(lines) + 1))


def test_the_oracle_says_the_same():
    assert framed(SOUND) == logs.slow_sentences(SOUND)


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\r\r\n", "\n\n"])
def test_line_ends_of_every_kind(end):
    data = SOUND.replace(b"\r\n", end.encode())
    assert sum(state == sentences.GOOD for _, state, _ in framed(data)) == SOUND.count(b"$")
    assert framed(data) == logs.slow_sentences(data)


@pytest.mark.parametrize(
    ("text", "states"),
    [
        (b"$GNGGA,1", [sentences.CUT_OFF]),
        (b"$GNGGA,1\r\n", [sentences.NO_SUM]),
        (b"$GNGGA,1*0", [sentences.CUT_OFF]),
        (b"$GNGGA,1*00\r\n", [sentences.WRONG_SUM]),
        (b"GNGGA,1*00\r\n", [sentences.NO_START]),
        (b"$GNGGA,12$GPZDA,1*0", [sentences.CUT_OFF, sentences.CUT_OFF]),
        (b"$GNG\r\n", [sentences.NO_SUM]),
        (b"$G", [sentences.CUT_OFF]),
        (b"$", []),
        (b"", []),
        (b"\r\n\r\n", []),
        (b"costs $5 * 20\r\n", []),
        (b"\xb5b\x01$A\x00\x01\x02*\x80\n", []),
        (b"!AIVDM,1,1,,A,13u,0*00\r\n", [sentences.WRONG_SUM]),
    ],
)
def test_what_is_cut_off_or_none_is_told(text, states):
    assert [state for _, state, _ in framed(text)] == states
    assert framed(text) == logs.slow_sentences(text)


def test_a_line_broken_off_by_another_costs_one_sentence():
    one, other = logs.gga(logs.Epoch(0)), logs.gga(logs.Epoch(1))
    assert [s for _, s, _ in framed(f"{one[:30]}{other}\r\n".encode())] == [sentences.CUT_OFF, sentences.GOOD]


def test_binary_between_sentences_costs_none():
    dice = random.Random(3)
    lines = SOUND.splitlines(keepends=True)
    noisy = b"".join(b"\xb5\x62" + dice.randbytes(60).replace(b"$", b"#") + line for line in lines)
    assert sum(state == sentences.GOOD for _, state, _ in framed(noisy)) == len(lines)
    pure = dice.randbytes(200_000)
    assert sum(state == sentences.GOOD for _, state, _ in framed(pure)) == 0
    assert len(framed(pure)) < 20


@pytest.mark.parametrize("size", [100, 257, 1000])
@pytest.mark.parametrize("end", [b"\r\n", b"\r"])
def test_the_size_of_a_stretch_changes_nothing(size, end):
    data = SOUND.replace(b"\r\n", end)
    assert framed(data, size) == framed(data)


def test_no_flipped_byte_loses_a_sentence():
    count = len(framed(SOUND))
    for at in range(len(SOUND)):
        for mask in (0xFF, 1 << at % 8):
            data = SOUND[:at] + bytes([SOUND[at] ^ mask]) + SOUND[at + 1 :]
            found = framed(data)
            assert len(found) >= count, (at, mask)
            assert sum(state == sentences.GOOD for _, state, _ in found) >= count - 2
            assert found == logs.slow_sentences(data)


@given(st.lists(st.one_of(st.binary(max_size=12), st.sampled_from(
    [b"$GN", b"$GNGGA,1*", b"*0A", b"\r\n", b"\n", b"\r", b"!AI", b"$", b"*", logs.gga(logs.Epoch(0)).encode(), b"00"]
)), max_size=30))  # fmt: skip
def test_anything_is_framed_as_the_plain_loop_does(parts):
    data = b"".join(parts)
    assert framed(data) == logs.slow_sentences(data)
    assert [s for _, s, _ in framed(data)].count(sentences.GOOD) == sum(s == 0 for _, s, _ in logs.slow_sentences(data))


@pytest.mark.parametrize("piece", [b"$G", b"*00", b"$GNGGA," + b"1" * 60, b"x", b"\n", b"$GNGGA,*00\r", b","])
def test_time_grows_with_the_length_and_not_with_its_square(piece):
    def took(n):
        data = piece * (n // len(piece))
        begin = time.process_time()
        for _ in sentences.blocks(data):
            pass
        return time.process_time() - begin

    took(100_000)
    few, many = (min(took(n) for _ in range(3)) for n in (1_000_000, 8_000_000))
    assert many < 40 * few + 0.2


def test_the_address_of_a_kind_is_a_number():
    block = next(sentences.blocks(SOUND))
    assert set(np.unique(block.kinds()).tolist()) == {sentences.code(kind) for kind in ("GGA", "GST", "RMC")}
