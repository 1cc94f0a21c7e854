"""When two labels are one."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import geoqa
from geoqa.core.site import labels


@pytest.mark.parametrize(
    "ways",
    [
        ["i1", "I1", " i1 ", "ｉ１", "i1\u200b", "\ufeffi1", "i\u00ad1", "i1\ufe0f", "i01", "i1\u00a0"],
        ["1", "01", "1.0", "001", "１", "1,0", "01.00", "\u0661", "1\u3164"],
        ["A-1", "a-01", "A\u20111", "a\u22121", "A\u20131"],
        ["Fix  3", "fix 3", "FIX\t03"],
        ["Straße 1", "STRASSE 1"],
        ["0", "00", "0.0"],
        ["", "\u200b", " \u2800"],
    ],
)
def test_labels_that_look_alike_are_one(ways):
    assert len({labels.normal(label) for label in ways}) == 1


@pytest.mark.parametrize(
    "several",
    [
        ["1.1", "1.10", "1.01"],
        ["1", "10", "100"],
        ["i1", "i10", "i2"],
        ["A1", "A-1"],
        ["1.0", "1.1"],
        ["10:05", "10:50"],
    ],
)
def test_labels_that_say_something_else_are_several(several):
    assert len({labels.normal(label) for label in several}) == len(several)


def frame(*words, column="initialization"):
    return pd.DataFrame({column: pd.Categorical(pd.Series(words, dtype="str"))})


def test_the_commonest_spelling_stands_for_all_and_files_are_united():
    (one, two), said = labels.united([frame("I1", "i1", "2", None), frame("i1", "02", "\u200b")], [False, False])
    assert one["initialization"].astype(object).where(one["initialization"].notna(), None).tolist() == [
        "i1", "i1", "02", None,
    ]  # fmt: skip
    assert two["initialization"].isna().tolist() == [False, False, True]
    assert len(said) == 1 and '"I1" = "i1"' in said[0] and '"<U+200B>"' in said[0] and "exact_labels" in said[0]


def test_what_is_exact_is_left_alone_and_nothing_is_said():
    given = [frame("I1", "i1"), frame("i1")]
    kept, said = labels.united(given, [True, True])
    assert said == [] and all(a.equals(b) for a, b in zip(kept, given, strict=True))
    kept, said = labels.united([frame("1.1", "1.10")], [False])
    assert said == [] and kept[0]["initialization"].astype(str).tolist() == ["1.1", "1.10"]


RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {"unit": "m", "precision": "sigma", "timezone": "UTC", "columns": {
        "point": "Mark", "easting": "E", "northing": "N", "height": "H", "precision_h": "sH", "precision_v": "sV",
        "start": "Start", "initialization": "Init", "base": "Base"}},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
}  # fmt: skip


@pytest.mark.parametrize(("first", "second"), [("i1,B1", "I1,B1"), ("1,B1", "01.0,B1"), ("i1,B1", "i1,b1\u200b")])
@pytest.mark.parametrize("exact", [False, True])
def test_a_fix_under_another_spelling_is_no_fresh_one(tmp_path, first, second, exact):
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    head = "Mark,E,N,H,sH,sV,Start,Init,Base\n"
    paths[0].write_text(f"{head}A,1600000.003,5400000.007,80.011,0.011,0.017,2026-02-09T01:00:00Z,{first}\n")
    paths[1].write_text(f"{head}A,1600000.009,5400000.001,80.022,0.011,0.017,2026-02-09T03:17:00Z,{second}\n")
    recipe = RECIPE | {"input": RECIPE["input"] | ({"exact_labels": True} if exact else {})}
    review = geoqa.review(paths, recipe)
    assert review.frames["points"]["status"].tolist() == ["confirmed" if exact else "unproven"]
    assert any("written in several ways" in text for text in review.messages) is not exact


@given(st.text(st.characters(codec="ascii"), max_size=12))
def test_the_quick_way_for_plain_text_says_what_the_long_one_says(label):
    assert labels.normal(label) == labels.normal(label + "\u200b")  # which is not drawn, and goes the long way
