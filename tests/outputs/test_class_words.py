"""What the canopy classes show, in words."""

import numpy as np
import pandas as pd

from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.outputs import key_tables


def job(unit="m", unit_height=None):
    return Job(
        site=Site(crs="EPSG:2193"), input=InputFormat(unit=unit, unit_height=unit_height), columns={},
        tolerance=Tolerance(horizontal_m=0.05), requirement=Requirement(),
    )  # fmt: skip


def classes(**more):
    row = {"canopy": "dense conifer", "pairs": 46, "stated_h_m": 0.014, "stated_v_m": 0.02, "basis_h": "own",
           "solution": "fixed", "basis_v": "other classes of this site",
           "used_repeatability_h_m": 0.031, "used_repeatability_v_m": 0.04,
           "used_ratio_h": 30 / 14, "used_ratio_v": 2.1, "degrees_of_freedom_h": 50.0, "degrees_of_freedom_v": 8.0,
           "wrong_fix_rate": 0.128, "wrong_fix_rate_low": 0.071, "wrong_fix_rate_high": 0.21,
           "used_wrong_fix_rate": 0.11}  # fmt: skip
    for axis, values in (("h", (31 / 14, 24 / 14, 40 / 14)), ("v", (2.0, 1.5, 2.6))):
        row |= {f"precision_ratio_{axis}{end}": v for end, v in zip(("", "_low", "_high"), values, strict=True)}
    return pd.DataFrame([row | more])


def test_a_class_is_a_row_and_a_sentence():
    assert key_tables.class_table(classes(), job()) == [
        # Bounds of an inverse chi-square, 50 and 8 degrees of freedom (computed): 0.836 and 1.243, 0.676 and 1.915.
        ("dense conifer", "46", "14 → 30 (25 to 37)", "20 → 42 (28 to 80)", "11 % (7.1 to 21)",
         "own pairs; height other classes")
    ]  # fmt: skip
    assert key_tables.class_sentences(classes(), job()) == [
        "Under dense conifer the stated 14 mm was worth 31 mm (24 to 40) horizontally; 46 pairs of different visits"
    ]


def test_feet_are_told_in_feet():
    (row,) = key_tables.class_table(classes(), job("ftUS"))
    assert row[2] == "0.046 → 0.098 (0.082 to 0.122)"
    assert key_tables.class_head(job("ftUS"))[2] == "horizontal, ftUS"
    (sentence,) = key_tables.class_sentences(classes(), job("ftUS"))
    assert "the stated 0.046 ftUS was worth 0.102 ftUS (0.079 to 0.131) horizontally" in sentence


def test_heights_are_told_in_their_own_unit():
    (row,) = key_tables.class_table(classes(), job("ftUS", "m"))
    assert row[2:4] == ("0.046 → 0.098 (0.082 to 0.122)", "20 → 42 (28 to 80)")
    assert key_tables.class_head(job("ftUS", "m"))[2:4] == ("horizontal, ftUS", "height, mm")


def test_small_figures_keep_a_decimal():
    (row,) = key_tables.class_table(classes(stated_h_m=0.0008), job())
    assert row[2] == "0.8 → 1.7 (1.4 to 2.1)"


def test_a_rate_that_the_class_itself_does_not_show_has_no_bounds():
    missing = dict.fromkeys(("wrong_fix_rate", "wrong_fix_rate_low", "wrong_fix_rate_high"), np.nan)
    assert key_tables.class_table(classes(**missing), job())[0][4] == "11 %"


def test_what_is_not_stated_is_said():
    nothing = {"used_ratio_h": np.nan, "precision_ratio_h": np.nan, "stated_h_m": np.nan}
    assert key_tables.class_table(classes(**nothing), job())[0][2] == "none stated → 31"
    assert key_tables.class_sentences(classes(**nothing), job()) == []


def test_several_solutions_are_told_apart():
    both = pd.concat([classes(canopy=None, solution=None), classes(), classes(solution="float"), classes(canopy=None)])
    assert [row[0] for row in key_tables.class_table(both, job())] == [
        "whole site", "dense conifer, fixed", "dense conifer, float", "no label, fixed"
    ]  # fmt: skip


def test_classes_of_an_older_review_say_nothing():
    old = classes().drop(columns=["used_ratio_h"])
    assert key_tables.class_table(old, job()) == []
    assert key_tables.class_sentences(old, job()) == []


def test_hostile_names_come_out_as_text():
    (row,) = key_tables.class_table(classes(canopy="a\x1b[31m\u202eb"), job())
    assert "\x1b" not in row[0]
    assert "\u202e" not in row[0]
    (row,) = key_tables.class_table(classes(canopy="x" * 10_000), job())
    assert len(row[0]) == key_tables.LONGEST_NAME
