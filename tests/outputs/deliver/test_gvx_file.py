"""Vectors written for an adjustment: they come back as they came in, calibrated, and rejected ones are marked."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from xml.etree import ElementTree

import gvx_sample as gvx
import numpy as np
import pandas as pd
import pytest

import geoqa
from geoqa.outputs.deliver import table
from geoqa.outputs.deliver.csv_file import CovarianceFile
from geoqa.outputs.deliver.gvx import GvxFile
from geoqa.reviews import stored

RECIPE = {**gvx.RECIPE, "input": {"unit": "m", "initialization": "asserted", "asserted_by": "kw"}}
#: What makes a vector: the file's own words.
STATED = ("DX", "DY", "DZ", "BASE_X", "BASE_Y", "BASE_Z", "BASE_ARP_HEIGHT", "SOLUTION_TYPE", "REFERENCE_SYSTEM")
PLACE = ["easting_m", "northing_m", "height_m"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("vectors")


@pytest.fixture(scope="module")
def made(folder):
    (folder / "site.gvx").write_text(gvx.site(), encoding="utf-8")
    found = geoqa.review([folder / "site.gvx"], RECIPE)
    points = found.frames["points"].set_index("point")
    assert points["deliver"].to_dict() == {"101": "yes", "102": "no", "103": "yes"}
    found.write(folder / "out", also=["gvx", "covariance"])
    return found


def records(path, kind):
    root = ElementTree.parse(path).getroot()
    return {one.findtext("ID"): one for one in root.findall(kind)}


def test_vectors_come_back_as_they_came_in(folder, made):
    again = geoqa.review([folder / "out" / "delivered.gvx"], RECIPE).frames["occupations"]
    before = made.frames["occupations"]
    keys = ["VECTOR_ID", *STATED, "POINT_TYPE", "EPOCH", "point", "base", "operator", "solution"]
    back, was = (frame[keys].astype("object").sort_values("VECTOR_ID").to_numpy().tolist() for frame in (again, before))
    assert back == was
    assert again["VECTOR_ID"].tolist() == ["V1", "V4", "V2", "V5", "V3", "V6"]
    again, before = (frame.set_index("VECTOR_ID").loc[["V1", "V2", "V3", "V4"]] for frame in (again, before))
    assert np.abs(again[PLACE].to_numpy(float) - before[PLACE].to_numpy(float)).max() < 2e-5
    for key in ("start_utc", "end_utc", "antenna_height_m", "epochs", "pdop", "correction_age_s"):
        assert again[key].tolist() == before[key].tolist(), key


def test_the_covariance_is_the_calibrated_one_turned_back(folder, made):
    rows = made.frames["occupations"].set_index("VECTOR_ID")
    found = records(folder / "out" / "delivered.gvx", "GNSS_VECTOR")
    for name in ("V1", "V5"):
        stated = rows.loc[name]
        sigma = stated[["sigma_e_m", "sigma_n_m", "sigma_u_m"]].to_numpy(float)
        local = np.diag(sigma**2)
        for i, j, key in ((0, 1, "en"), (0, 2, "eu"), (1, 2, "nu")):
            local[i, j] = local[j, i] = stated[f"cov_{key}_m2"]
        per_axis = np.linalg.det(local[:2, :2]) ** 0.25
        worth = np.diag([*[stated["expected_h_m"] / per_axis] * 2, stated["expected_v_m"] / sigma[2]])
        calibrated = worth @ local @ worth
        assert calibrated[0, 0] > 1.1 * local[0, 0]  # else nothing would show
        matrix = found[name].find("CORRELATION_MATRIX")
        numbers = [float(matrix.findtext(key)) for key in ("SDX", "SDY", "SDZ", "PXY", "PXZ", "PYZ")]
        written = gvx.covariance(numbers[:3], numbers[3:])
        # What does not turn: the eigenvalues; and the height's part, along the normal of the ellipsoid.
        assert np.linalg.eigvalsh(written) == pytest.approx(np.linalg.eigvalsh(calibrated), rel=1e-4)
        up = gvx.horizon(*gvx.BASES["B1"][:2])[2]
        assert up @ written @ up == pytest.approx(calibrated[2, 2], rel=5e-4)  # the base's normal, 1 km away
    assert "calibrated by the review" in (folder / "out" / "delivered.gvx").read_text(encoding="utf-8")


def test_rejected_vectors_are_marked_as_such(folder, made):
    path = folder / "out" / "delivered.gvx"
    setups, points = records(path, "SURVEY_SETUP"), records(path, "POINT")
    told = {
        name: (setups[one.findtext("SURVEY_SETUP_ID")].findtext("REMARK"), points[one.findtext("TERMINAL_POINT_ID")])
        for name, one in records(path, "GNSS_VECTOR").items()
    }
    rejected = {name for name, (remark, _) in told.items() if remark}
    assert rejected == {"V2", "V5"}
    assert {told[name][0] for name in rejected} == {"rejected by the review: in conflict"}
    assert {name: point.findtext("CODE") for name, (_, point) in told.items()} == {
        name: "rejected" if name in rejected else None for name in told
    }


def test_positions_with_their_covariance_come_back(folder, made):
    path = folder / "out" / "delivered.covariance.csv"
    columns = {
        "point": "point", "easting": "easting_m", "northing": "northing_m", "height": "height_m", "start": "start_utc",
        "sigma_e": "sigma_e_m", "sigma_n": "sigma_n_m", "sigma_u": "sigma_u_m", "cov_en": "cov_en_m2",
        "cov_eu": "cov_eu_m2", "cov_nu": "cov_nu_m2", "base": "base",
    }  # fmt: skip
    recipe = {**RECIPE, "input": {**RECIPE["input"], "precision": "sigma", "timezone": "UTC", "columns": columns}}
    back = geoqa.review([path], recipe).frames["occupations"]
    rows = table.observations(made.frames)
    assert np.abs(back[PLACE].to_numpy(float) - rows[PLACE].to_numpy(float)).max() <= 5.1e-5
    assert back["sigma_e_m"].to_numpy(float) ** 2 == pytest.approx(rows["var_e_m2"].to_numpy(float), rel=2e-4)
    for key in ("cov_en_m2", "cov_eu_m2", "cov_nu_m2"):
        assert back[key].to_numpy(float) == pytest.approx(rows[key].to_numpy(float), abs=1e-12)
    with path.open(encoding="utf-8", newline="") as file:
        told = list(csv.DictReader(file))
    assert [(one["accepted"], one["reason"]) for one in told if one["point"] == "102"] == [("no", "in conflict")] * 2
    assert {one["accepted"] for one in told if one["point"] != "102"} == {"yes"}
    assert {one["covariance"] for one in told} == {"calibrated"}


def test_an_earlier_review_gives_the_same_bytes(folder, made):
    made.write(folder / "later")
    stored.deliver(folder / "later", ["gvx", "covariance"])
    for name in ("delivered.gvx", "delivered.covariance.csv"):
        assert (folder / "later" / name).read_bytes() == (folder / "out" / name).read_bytes()


def test_hostile_names_are_content(tmp_path, made, names):
    names = [name for name in names if "\ud800" not in name]  # a frame holds none
    rows = table.observations(made.frames)
    at = np.arange(len(names)) % len(rows)
    hostile = pd.Series(names, dtype=object)
    rows = rows.drop(columns="geometry", errors="ignore").iloc[at].reset_index(drop=True)
    rows = rows.assign(point=hostile, base=hostile, occupation_id=np.arange(len(names)) + 1)
    points = replace(table.deliverable(made.frames, made.job), observations=rows)
    for writer in (GvxFile(), CovarianceFile()):
        writer.write(tmp_path / "a", points, made.job)
        text = (tmp_path / "a").read_text(encoding="utf-8")
        assert "<script>" not in text or writer.suffix.endswith("csv")
    GvxFile().write(tmp_path / "a", points, made.job)
    back = records(tmp_path / "a", "POINT")
    assert back["P1"].findtext("NAME") == "=1+1"
    assert len(back) == 2 * len(names)


def test_a_site_without_vectors_says_so(tmp_path, review):
    review.write(tmp_path / "out", also=["gvx", "covariance"])
    said = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["messages"]
    assert "no vector came in: delivered.gvx holds none. Ask for covariance" in said
    assert records(tmp_path / "out" / "delivered.gvx", "GNSS_VECTOR") == {}
    text = (tmp_path / "out" / "delivered.covariance.csv").read_text(encoding="utf-8")
    assert text.count("\n") == 14
