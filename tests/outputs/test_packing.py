"""Columns in, the same columns out: by the reader in Python for all that can be, by the one in JavaScript for some."""

from __future__ import annotations

import gzip
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from outputs import unpacked

from geoqa.outputs.packing import Guess, Pack, counts

STEPS = (1.0, 0.1, 0.001, 0.0001, 1e-8, 60.0)
any_number = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.floats(-1e7, 1e7), st.integers(-200, 200))


def data(pack: Pack) -> bytes:
    return unpacked.block(pack.text())


@given(st.lists(any_number, max_size=40), st.sampled_from(STEPS))
def test_every_number_comes_back_within_half_a_step_and_none_is_cut(values, step):
    pack = Pack()
    d = pack.numbers(values, step)
    found = unpacked.numbers(data(pack), d)
    for value, back in zip(values, found, strict=True):
        if not math.isfinite(value):
            assert math.isnan(back)
        else:
            # Half a step, and what a double of that size cannot tell.
            assert abs(back - value) <= 0.5 * step * (1 + 1e-9) + 4 * math.ulp(value)


@given(st.lists(st.integers(0, 127), min_size=1, max_size=60), st.integers(-(10**6), 10**6))
def test_numbers_that_never_fall_come_back(rises, first):
    values = first + np.cumsum(rises)
    pack = Pack()
    d = pack.numbers(values)
    assert unpacked.numbers(data(pack), d).tolist() == values.tolist()


@pytest.mark.parametrize(
    ("values", "kind"),
    [
        ([1.0, float("nan"), -127.0], "i1"),
        ([0.0, 254.0], "i1"),
        ([0.0, 256.0], "i2"),
        ([1e6, 1e6 + 65000], "i2"),
        ([0.0, 65536.0], "i4"),
        ([0.0, 2.0**32], "f8"),
        ([2.0**53, 1.0], "f8"),
    ],
)
def test_a_column_takes_the_fewest_bytes_that_hold_it(values, kind):
    assert Pack().numbers(values)["type"] == kind


def test_a_wild_value_costs_bytes_and_not_precision():
    pack = Pack()
    d = pack.numbers([19.4123, 4e9], 0.0001)
    assert d["type"] == "f8"
    assert unpacked.numbers(data(pack), d).tolist() == [19.4123, 4e9]


@given(st.lists(st.one_of(st.text(max_size=8), st.none()), max_size=30))
def test_every_text_comes_back_as_it_is_shown(values):
    from geoqa.outputs.text import display_text

    pack = Pack()
    d = pack.texts(values)
    assert unpacked.texts(data(pack), d) == [display_text(value) for value in values]


def test_equal_columns_stand_in_the_block_once():
    pack = Pack()
    first = pack.numbers(np.arange(1000) % 300, 0.5)
    size = len(data(pack))
    assert pack.numbers(np.arange(1000) % 300, 0.5) == first
    assert len(data(pack)) == size


@given(
    st.lists(st.tuples(st.integers(-(10**6), 10**6), st.one_of(st.none(), st.integers(-(10**6), 10**6))), min_size=1)
)
def test_a_guess_however_wrong_changes_no_value(pairs):
    values = np.array([value for value, _ in pairs], float)
    guessed = np.array([math.nan if guess is None else guess for _, guess in pairs], float)
    pack = Pack()
    of = pack.numbers(guessed)
    d = pack.numbers(values, guess=Guess(guessed, {"terms": [{"of": of, "sign": 1}]}))
    assert unpacked.numbers(data(pack), d).tolist() == values.tolist()


def test_a_good_guess_leaves_next_to_nothing():
    rng = np.random.default_rng(5)
    a, b = rng.integers(-30_000, 30_000, (2, 5000)).astype(float)
    plain, guessed = Pack(), Pack()
    for pack in (plain, guessed):
        of = [pack.numbers(a), pack.numbers(b)]
    plain.numbers(b - a)
    guessed.numbers(b - a, guess=Guess(b - a, {"terms": [{"of": of[1], "sign": 1}, {"of": of[0], "sign": -1}]}))
    assert len(guessed.text()) < 0.76 * len(plain.text())


def test_the_text_is_plain_gzip_and_the_same_each_time():
    import base64

    def made():
        pack = Pack()
        pack.numbers(np.linspace(0, 9e5, 4000), 0.01)
        pack.texts(["A", "B", None, "A"])
        return pack.text()

    assert made() == made()
    assert len(gzip.decompress(base64.b64decode(made()))) > 12_000
    assert gzip.decompress(base64.b64decode(Pack().text())) == b""


@given(st.lists(st.integers(-2, 6), max_size=50))
def test_rows_are_sorted_by_their_entry_and_keep_their_order(entry):
    order, each = counts(entry, 7)
    rows = [(e, k) for k, e in enumerate(entry) if e >= 0]
    assert [(entry[k], k) for k in order] == sorted(rows)
    assert each.tolist() == [sum(e == k for e, _ in rows) for k in range(7)]


def test_the_browsers_reader_says_what_this_one_says():
    rng = np.random.default_rng(3)
    columns = [
        (rng.normal(0, 10.0**scale, 50) * np.where(rng.random(50) < 0.1, np.nan, 1), step)
        for scale in (-2, 0, 3, 7, 14)
        for step in STEPS
    ]
    columns += [(np.cumsum(rng.integers(0, 100, 50)), 1.0), ([], 1.0), ([math.nan], 0.001)]
    pack = Pack()
    heads = [pack.numbers(values, step) for values, step in columns]
    words = pack.texts(["α", "", None, "line\nbreak", "α"])
    expected = [[None if math.isnan(v) else v for v in unpacked.numbers(data(pack), d)] for d in heads]
    program = (
        "[heads.map(d => Array.from(packed.numbers(block, d))), [0, 1, 2, 3, 4].map(packed.texts(block, words).at)]"
    )
    found = unpacked.script(program, block=data(pack), heads=heads, words=words)
    assert found[0] == expected
    assert found[1] == unpacked.texts(data(pack), words)


def test_the_browser_reads_base_64_and_gzip():
    pack = Pack()
    pack.numbers(np.arange(5000) ** 2)
    program = "packed.inflate(packed.bytes(text)).then(b => Array.from(b))"
    assert unpacked.script(program, text=pack.text()) == list(data(pack))


def test_a_column_like_a_guessed_one_is_read_without_the_guess():
    pack = Pack()
    guessed = pack.numbers([0.0], 0.001, Guess(np.array([3.0]), {"grid": "easting"}))
    plain = pack.numbers([0.0], 0.001)
    assert "guess" in guessed
    assert "guess" not in plain
    assert unpacked.numbers(data(pack), plain).tolist() == [0.0]


def test_texts_that_show_alike_are_one_word():
    pack = Pack()
    d = pack.texts([None, "", "a\n", "a⟨U+000A⟩", float("nan")])
    assert d["words"] == 2
    assert unpacked.texts(data(pack), d) == ["", "", "a⟨U+000A⟩", "a⟨U+000A⟩", ""]
