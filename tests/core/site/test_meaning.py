"""Columns that hold something else than labels are told from those that do."""

import tomllib

import geopandas as gpd
import pandas as pd
import pytest
import shapely
import sites

import geoqa
from geoqa.core.errors import InputError
from geoqa.core.site import labels as site_labels
from geoqa.readers.recipe.recipe import job_from_table

HEAD = sites.HEAD + ",Cover,Role"


def site(folder, count, column, more=""):
    """Write a site of so many points, each with a label of its own in one column."""
    rows = []
    for i in range(count):
        own = {name: f"{name}{i}" if name == column else "one" for name in ("Base", "Cover", "Role")}
        for day, init in (("02", "a"), ("03", "b")):
            place = f"{1600000 + 20 * (i % 60)}.000,{5400000 + 20 * (i // 60)}.000,100.000"
            rows.append(
                f"P{i},{place},0.010,0.015,2026-02-{day}T08:00:00Z,{i}{init},{own['Base']},{own['Cover']},{own['Role']}"
            )
    columns = 'base = "Base"\ncanopy = "Cover"\nrole = "Role"\n'
    recipe = sites.RECIPE.replace('base = "Base"\n', columns) + more
    return sites.write(folder, tuple(rows), recipe, HEAD)


@pytest.mark.parametrize(
    ("column", "ours", "what"), [("Cover", "canopy", "canopy classes"), ("Role", "role", "roles"),
                                 ("Base", "base", "base set-ups")]
)  # fmt: skip
def test_a_column_with_too_many_labels_is_taken_for_a_mistake(tmp_path, monkeypatch, column, ours, what):
    if ours == "base":
        monkeypatch.setitem(site_labels.MOST, "base", 200)
    with pytest.raises(InputError) as caught:
        geoqa.review(*site(tmp_path, 201, column))
    said = str(caught.value)
    assert f"[input.columns] {ours} = '{column}': gives 201 different {what} ('{column}0', '{column}1'," in said
    assert "at most 200 are taken for that: it is probably another column. Map the one that is meant" in said
    assert f"[input.values.{ours}], or take the line away" in said
    assert said.count("\n") == 1


def test_rows_that_are_none_are_counted_in_words():
    frame = pd.DataFrame({"origin": ["measured", "control", "control"], "method": ["direct"] * 3})
    assert site_labels.no_direct_measurements(frame)[0].startswith(
        "2 rows are no direct measurement, are kept as what they are and form"
    )
    assert site_labels.no_direct_measurements(frame[:2])[0] == (
        "1 row is no direct measurement, is kept as what it is and forms no pairs: 1 control"
    )


def test_as_many_as_there_can_be_are_labels():
    job = job_from_table(tomllib.loads(sites.RECIPE))
    for name, most in site_labels.MOST.items():
        one = pd.Categorical(["a"] * (most + 1))
        labels = pd.Categorical.from_codes([*range(most), 0], [*map(str, range(most)), "in no row"])
        frame = pd.DataFrame({key: labels if key == name else one for key in site_labels.MOST})
        site_labels.refuse_many(frame, job)
        with pytest.raises(InputError, match=f"gives {most + 1:,} different"):
            site_labels.refuse_many(frame.assign(**{name: pd.Categorical(range(most + 1))}), job)


def test_areas_with_too_many_covers_are_a_mistake_too(tmp_path):
    data, _ = site(tmp_path, 210, "none")
    boxes = [shapely.box(x - 5, y - 5, x + 5, y + 5) for x, y in (
        (1600000 + 20 * (i % 60), 5400000 + 20 * (i // 60)) for i in range(210))]  # fmt: skip
    gpd.GeoDataFrame({"id": [f"c{i}" for i in range(210)]}, geometry=boxes, crs=2193).to_file(tmp_path / "a.gpkg")
    recipe = tmp_path / "site.toml"
    recipe.write_text(sites.RECIPE + '[canopy]\nareas = "a.gpkg"\ncolumn = "id"\n')
    with pytest.raises(InputError, match=r"\[canopy\] column = 'id': gives 210 .*under \[canopy\.values\]"):
        geoqa.review(data, recipe)
