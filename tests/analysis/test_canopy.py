"""The canopy of each point, and where the label, the areas and the raster do not say the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from analysis.builders import DRAWN, job, occupations, run, visits

from geoqa.analysis.canopy import CanopyContext


def told(**columns):
    n = len(columns["point"])
    plain = {"canopy_height_m": [3.0] * n, "canopy_mean_m": [4.0] * n, "canopy_max_m": [9.0] * n,
             "cover_fraction": [0.5] * n, "sky_view": [0.6] * n}  # fmt: skip
    words = {name: pd.Categorical(columns.pop(name, [None] * n)) for name in ("canopy_mapped", "canopy_raster")}
    return pd.DataFrame(columns | plain | words)


def site(*labels, label_column=None):
    rows = [
        row
        for k, label in enumerate(labels)
        for row in visits((20.0 * k, 0, 0), (20.0 * k, 0, 0), p=f"P{k}", canopy=label)
    ]
    frame = occupations(rows)
    return frame if label_column is None else frame.assign(canopy_label=pd.Categorical(label_column))


def context(frame, canopy):
    kept, messages = run(frame, job(), (*DRAWN, CanopyContext), more={"canopy": canopy})
    return kept, messages


def test_points_get_what_is_known_of_them_whatever_the_order():
    canopy = told(point=["P1", "P0"]).assign(canopy_mean_m=[11.0, 1.0])
    kept, _ = context(site("open", "open", "open"), canopy)
    points = kept["points"].set_index("point")
    assert points.loc[["P0", "P1"], "canopy_mean_m"].tolist() == [1.0, 11.0]
    assert np.isnan(points.loc["P2", "canopy_mean_m"])


def test_who_disagrees_is_listed_and_who_agrees_is_not():
    canopy = told(point=["P0", "P1", "P2", "P3"], canopy_mapped=["Open ", "pine", None, None],
                  canopy_raster=["open", "pine", "pine", None])  # fmt: skip
    kept, messages = context(site("open", "open", "pine", "light"), canopy)
    checks = kept["canopy_checks"]
    assert checks["point"].tolist() == ["P1"]
    assert checks["message"].tolist() == [
        "labelled open; the areas say pine, the raster says pine (mean height 4.0 m, cover 50%); open counts"
    ]
    assert checks.geometry.notna().all()
    assert "1 point: its label is not what the areas say (layer canopy_checks)" in messages
    assert "1 point: its label is not what the raster's classes say (layer canopy_checks)" in messages


def test_areas_and_raster_are_held_against_each_other_where_there_is_no_label():
    canopy = told(point=["P0", "P1"], canopy_mapped=["open", "open"], canopy_raster=["pine", "open"])
    checks = context(site(None, None), canopy)[0]["canopy_checks"]
    assert checks["point"].tolist() == ["P0"]
    assert checks["message"].iloc[0].startswith("no label; the areas say open, the raster says pine")


def test_the_crews_own_label_is_compared_not_the_class_that_counts():
    frame = site("pine", label_column=["open", "open"])
    canopy = told(point=["P0"], canopy_mapped=["pine"])
    checks = context(frame, canopy)[0]["canopy_checks"]
    assert checks[["canopy", "labelled", "mapped"]].astype(object).to_numpy().tolist() == [["pine", "open", "pine"]]


def test_labels_that_differ_within_a_point_are_compared_with_nothing():
    frame = site("open").assign(canopy=pd.Categorical(["open", "light"]))
    kept, messages = context(frame, told(point=["P0"], canopy_mapped=["light"]))
    assert kept["canopy_checks"].empty
    assert not [text for text in messages if "label" in text]


@pytest.mark.parametrize(
    ("column", "words"), [("canopy_mapped", "[canopy.values]"), ("canopy_raster", "[canopy.classes]")]
)
def test_other_words_altogether_are_named_with_the_remedy(column, words):
    canopy = told(point=["P0", "P1"], **{column: ["PINE", "GRASS"]})
    _, messages = context(site("dense conifer", "open"), canopy)
    (said,) = [text for text in messages if "one of the crew's" in text]
    assert words in said and "grass, pine" in said
