"""Small recipes and files to read."""

import copy

import pytest

from geoqa.core.frames import schema
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.recipe.recipe import job_from_table

RECIPE = {
    "site": {"name": "Totara Saddle", "crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {
        "unit": "m",
        "precision": "sigma",
        "timezone": "UTC",
        "columns": {
            "point": "Mark", "easting": "E", "northing": "N", "height": "H",
            "precision_h": "sH", "precision_v": "sV", "start": "Start", "end": "End", "initialization": "Init",
        },
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
}  # fmt: skip
PLAIN = {
    "site": {"crs": "EPSG:2193"},
    "input": {
        "unit": "m",
        "initialization": "unknown",
        "columns": {"point": "Mark", "easting": "E", "northing": "N"},
    },
    "tolerance": {"horizontal_m": 0.05},
}


def changed(base, /, **changes):
    """Return a copy of a recipe; `input__unit="ft"` sets a key, a value of None takes it away."""
    table = copy.deepcopy(base)
    for path, value in changes.items():
        *parents, key = path.split("__")
        place = table
        for parent in parents:
            place = place.setdefault(parent, {})
        if value is None:
            place.pop(key, None)
        else:
            place[key] = value
    return table


@pytest.fixture
def full():
    """Return a function that gives the full recipe with changes."""
    return lambda **changes: changed(RECIPE, **changes)


@pytest.fixture
def plain():
    """Return a function that gives the plain recipe (2-D, no precision, no times) with changes."""
    return lambda **changes: changed(PLAIN, **changes)


@pytest.fixture
def read(tmp_path):
    """Return a function that reads text or bytes under a recipe table and checks what every read must hold."""

    def reader(content, recipe=RECIPE, name="site.csv"):
        path = tmp_path / name
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        result = DelimitedReader().read(path, job_from_table(recipe))
        occupations, aside = result.frames["occupations"], result.frames["set_aside"]
        later = {"easting_m", "northing_m"} if occupations["lon_deg"].notna().any() else set()
        schema.check("occupations", occupations, columns=[c for c in occupations.columns if c not in later])
        schema.check("set_aside", aside)
        rows = result.accounts["rows"]
        assert rows["read"] == rows["used"] + rows["set_aside"]
        assert (rows["used"], rows["set_aside"]) == (len(occupations), len(aside))
        return result

    return reader
