"""The recipe's [canopy]: completed, read again, and every fault told."""

from __future__ import annotations

import tomllib

import pytest
import sites

from geoqa.core.errors import RecipeError
from geoqa.core.recipe import AREAS, LABEL, RASTER
from geoqa.readers.recipe.recipe import job_from_table

WHOLE = """
[canopy]
areas = "stands.gpkg"
column = "Cover"
raster = "canopy.tif"
unit = "ft"
radius_m = 8
decides = "areas"
[canopy.values]
PINE = "dense conifer"
[canopy.classes]
"dense conifer" = 12
open = 0
light = 2.5
"""


def job(text):
    return job_from_table(tomllib.loads(sites.RECIPE + text), "site.toml")


def faults(text):
    with pytest.raises(RecipeError) as caught:
        job(text)
    return str(caught.value)


def test_without_the_table_the_label_decides_and_nothing_is_read():
    canopy = job("").canopy
    assert canopy.files == {}
    assert canopy.order == (LABEL, AREAS, RASTER)


def test_the_table_is_read_and_what_is_completed_reads_again():
    first = job(WHOLE)
    assert first.canopy.classes == {"open": 0.0, "light": 2.5, "dense conifer": 12.0}
    assert list(first.canopy.classes) == ["open", "light", "dense conifer"]
    assert first.canopy.words == {"PINE": "dense conifer"}
    assert first.canopy.order == (AREAS, LABEL, RASTER)
    assert first.canopy.cover_above_m == 2.0
    assert job_from_table(first.as_table(), "again").canopy == first.canopy
    assert first.canopy.files == {"canopy areas": "stands.gpkg", "canopy raster": "canopy.tif"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[canopy]\nareas = "a.gpkg"', "[canopy] column: must be stated"),
        ('[canopy]\ncolumn = "Cover"', "[canopy] column: means nothing without areas"),
        ('[canopy.values]\nA = "open"', "[canopy] values: means nothing without areas"),
        ('[canopy]\nraster = "c.tif"', "[canopy] unit: must be stated: a raster does not say it"),
        ('[canopy]\nunit = "mm"', "[canopy] unit: 'mm' is not one of"),
        ('[canopy]\nsurface = "s.tif"', "[canopy] surface: means nothing without a raster"),
        ("[canopy.classes]\nopen = 0", "[canopy] classes: means nothing without a raster"),
        ('[canopy]\ndecides = "areas"', "[canopy] decides: is 'areas', and no areas are stated"),
        ('[canopy]\nraster = "c.tif"\nunit = "m"\ndecides = "raster"', "it needs raster and [canopy.classes]"),
        ('[canopy]\nraster = "c.tif"\nunit = "m"\n[canopy.classes]\nopen = 1', "no class begins at 0"),
        ('[canopy]\nraster = "c.tif"\nunit = "m"\n[canopy.classes]\na = 0\nb = 0', "two classes begin at one height"),
        ('[canopy]\nraster = "c.tif"\nunit = "m"\n[canopy.classes]\na = "0"', "is not a height in metres"),
        ('[canopy]\nareas = "a.gpkg"\ncolumn = "C"\n[canopy.values]\nX = 3', "[canopy.values] 'X': must be stated"),
        ("[canopy]\nradius_m = 0", "[canopy] radius_m: 0 is not"),
        ("[canopy]\nheight = 3", "[canopy] height: is not a key here"),
        ("[canopy]\nvalues = 3", "[canopy.values]: must be a table"),
        ("[canopy]\nclasses = 3", "[canopy.classes]: must be a table"),
    ],
)
def test_each_fault_is_named_with_its_key(text, words):
    assert words in faults(text)


def test_a_canopy_that_is_no_table_is_a_fault():
    table = tomllib.loads(sites.RECIPE) | {"canopy": 3}
    with pytest.raises(RecipeError, match=r"\[canopy\].*is not a table"):
        job_from_table(table, "site.toml")


def test_a_site_that_lies_nowhere_cannot_be_looked_up():
    text = sites.RECIPE.replace('"EPSG:2193"', '"local"') + '[canopy]\nraster = "c.tif"\nunit = "m"'
    with pytest.raises(RecipeError, match="whose place is not stated"):
        job_from_table(tomllib.loads(text), "site.toml")
