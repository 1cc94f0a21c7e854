"""Columns in, the same columns out: by the reader in Python for all that can be, by the one in JavaScript for some."""

from __future__ import annotations

import gzip
import math

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st
from outputs import unpacked

from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import StepError
from geoqa.core.frames import wording
from geoqa.outputs.map import block
from geoqa.outputs.map.packing import Guess, Pack, counts

STEPS = (1.0, 0.1, 0.001, 0.0001, 1e-8, 60.0)
TO_SHEET = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
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


def drawn(kind, columns, **more):
    """Return a drawing in two looks, and its columns as a browser unpacks them."""
    looks = (Style("a", "A", "circle", "#aa0000"), Style("b", "B", "square", "#00bb00", dark="#11cc11"))
    site = Drawing("symbols", "Site", {"lon_deg": [170.0, 171.0], "lat_deg": [-41.0, -42.0], "style": ["a", "b"],
                                       "label": ["P", "Q"]}, looks, points=True)  # fmt: skip
    heads, pack = block.packed([site, Drawing(kind, "Mine", columns, looks, **more)])
    found = {}
    for name, d in heads[1]["columns"].items():
        if isinstance(d, list):
            found[name] = d
        else:
            found[name] = unpacked.texts(data(pack), d) if "words" in d else unpacked.numbers(data(pack), d).tolist()
    return heads[1], found


def test_what_is_drawn_comes_back_in_its_steps():
    """Places to a millimetre, lengths to a tenth of one, azimuths to a hundredth of a degree."""
    lon, lat = [171.0000123, 172.5, 173.25], [-41.5, -41.2500001, 12.0]
    head, found = drawn(
        "ellipses",
        {
            "lon_deg": lon, "lat_deg": lat, "style": ["b", "a", "b"], "semi_major_m": [0.01234, 0.5, 2.00006],
            "semi_minor_m": [0.00456, 0.25, 1.00004], "azimuth_deg": [12.346, 359.994, 0.004], "mark": [True, False, 1],
            "urgency": [0.25, np.nan, 3.0], "label": ["x", "y", "x"], "turn_deg": [-1.234, 1.238, 0.0],
        },
        exaggerated=True, shown=False, about="what it is",
    )  # fmt: skip
    x, y = TO_SHEET.transform(lon, lat)
    assert found["x"] == pytest.approx(np.round(x, 3), abs=1e-6)
    assert found["y"] == pytest.approx(y, abs=5.1e-4)
    assert found["semi_major_m"] == pytest.approx([0.0123, 0.5, 2.0001])
    assert found["semi_minor_m"] == pytest.approx([0.0046, 0.25, 1.0])
    assert found["azimuth_deg"] == pytest.approx([12.35, 359.99, 0.0])
    assert found["turn_deg"] == pytest.approx([-1.23, 1.24, 0.0])
    assert found["mark"] == [1.0, 0.0, 1.0]
    assert found["style"] == [1.0, 0.0, 1.0]
    assert found["label"] == ["x", "y", "x"]
    assert np.array(found["urgency"]) == pytest.approx([0.25, np.nan, 3.0], nan_ok=True, abs=wording.EXCESS_STEP)
    said = {key: head[key] for key in ("n", "title", "about", "exaggerated", "shown", "listed", "points")}
    assert said == {"n": 3, "title": "Mine", "about": "what it is", "exaggerated": True, "shown": False,
                    "listed": True, "points": False}  # fmt: skip
    assert [style["dark"] for style in head["styles"]] == ["#aa0000", "#11cc11"]


def test_vectors_end_at_a_millimetre_and_may_stand_at_points_of_the_site():
    _, found = drawn("vectors", {"point": ["Q", "P"], "style": ["a", "a"], "east_m": [0.0124, -1.0006],
                                 "north_m": [-0.0126, 2.0]})  # fmt: skip
    assert found["point"] == [1.0, 0.0]
    assert found["east_m"] == pytest.approx([0.012, -1.001])
    assert found["north_m"] == pytest.approx([-0.013, 2.0])
    _, found = drawn("vectors", {"point": np.array([1, 1, 0]), "style": ["a"] * 3, "east_m": [0, 0, 0],
                                 "north_m": [0, 0, 0]})  # fmt: skip
    assert found["point"] == [1.0, 1.0, 0.0]
    with pytest.raises(StepError, match="'Mine' names the point 'R', which the site has not"):
        drawn("vectors", {"point": ["P", "R"], "style": ["a", "a"], "east_m": [0, 0], "north_m": [0, 0]})


def test_outlines_come_back_with_their_holes():
    ring = [(170.0, -41.0), (170.2, -41.0), (170.1, -40.9)]
    hole, other = [(170.05, -40.99), (170.06, -40.98)], [(-179.0, -43.0), (-178.5, -43.5), (-178.0, -42.0), (-179, -42)]
    columns = {"path": [ring, other], "holes": [[hole, hole[::-1]], []], "style": ["a", "b"]}
    _, found = drawn("polygons", columns)
    assert found["rings"] == [3.0, 1.0]
    assert found["vertices"] == [3.0, 2.0, 2.0, 4.0]
    places = np.array([*ring, *hole, *hole[::-1], *other])
    x, y = TO_SHEET.transform(*places.T)
    x[7:] += 2 * np.pi * 6378137  # beyond the date line, on the side of the site
    assert found["x"] == pytest.approx(x, abs=6e-4)
    assert found["y"] == pytest.approx(y, abs=6e-4)
    plain = {"path": [ring, other[:3]], "style": ["a", "b"]}
    assert drawn("lines", plain)[1]["rings"] == [1.0, 1.0]
    with pytest.raises(StepError, match="holds in path a number that is not finite"):
        drawn("lines", plain | {"path": [ring, [(0.0, np.nan)]]})


def test_the_longitude_that_others_are_packed_next_to():
    looks = (Style("a", "A", "circle", "#aa0000"),)
    lines = Drawing("lines", "L", {"path": [[(177.0, 0.0)]], "style": ["a"]}, looks)
    none = Drawing("symbols", "S", {"lon_deg": [np.nan], "lat_deg": [np.nan], "style": ["a"]}, looks)
    some = Drawing("symbols", "S", {"lon_deg": [np.nan, -12.0], "lat_deg": [np.nan, 1.0], "style": ["a"] * 2}, looks)
    assert [block._first_lon(drawings) for drawings in ([none, lines], [some, lines], [none])] == [177.0, -12.0, 0.0]
    site = Drawing("symbols", "S", {"lon_deg": [1.0], "lat_deg": [1.0], "style": ["a"], "label": ["x"]}, looks,
                   points=True)  # fmt: skip
    with pytest.raises(StepError, match="2 drawings hold the points of the site; only one may"):
        block.packed([site, site])
