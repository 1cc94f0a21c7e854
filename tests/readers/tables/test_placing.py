"""What a file states of its place, against the recipe; cases that no one format shows."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.tables import coordinate_checks


@pytest.fixture
def job(plain):
    return job_from_table(plain())


def said(faults):
    return [str(fault) for fault in faults]


def test_the_same_system_in_other_words(job):
    for found in ("EPSG:2193", "urn:ogc:def:crs:EPSG::2193", "EPSG:2193+7839"):
        assert coordinate_checks.own_system(job, found, "f", "") == [], found


def test_a_local_job_takes_files_without_a_system_and_no_other():
    local = SimpleNamespace(site=SimpleNamespace(crs="local", height=None))
    assert coordinate_checks.own_system(local, None, "f", "") == []
    assert (
        "is 'local', and the file states 'EPSG:2193'"
        in said(coordinate_checks.own_system(local, "EPSG:2193", "f", ""))[0]
    )


def test_a_vertical_unit_of_the_file_must_be_the_recipes(job):
    """EPSG:6360 is NAVD88 height in US survey feet."""
    tall = replace(job, site=replace(job.site, crs="EPSG:26910", height="NAVD88"))
    (fault,) = coordinate_checks.own_system(tall, "EPSG:26910+6360", "f", "")
    assert str(fault) == (
        "[input] unit_height: is 'm', and the file's heights are in US survey feet. Write unit_height = \"ftUS\"."
    )
    feet = replace(tall, input=replace(tall.input, unit_height="ftUS"))
    assert coordinate_checks.own_system(feet, "EPSG:26910+6360", "f", "") == []


def test_heights_want_their_reference_and_their_tolerance(job):
    assert len(coordinate_checks.own_heights(job, "vector")) == 2
    flat = replace(job, site=replace(job.site, height="NZVD2016"), requirement=replace(job.requirement, judge="h"))
    assert coordinate_checks.own_heights(flat, "vector") == []


@pytest.mark.parametrize(
    ("label", "vertical", "same"),
    [
        ("NZVD2016", "7839", True), ("nzvd2016 height", "7839", True),
        ("New Zealand Vertical Datum 2016", "7839", True),
        ("EPSG:7839", "7839", True), ("NZVD2016 (NZGeoid2016)", "7839", True), ("NZVD2009", "7839", False),
        ("NZVD2016", "5759", False), ("Auckland 1946", "5759", True), ("Auckland 1946 height", "7839", False),
        ("ellipsoidal", "7839", False), ("NAVD88 (GEOID18)", "5703", True), ("EGM2008", "3855", True),
        ("EGM96", "3855", False), ("AHD", "5711", True), ("AHD", "5712", False), ("site datum", "7839", False),
    ],
)  # fmt: skip
def test_a_vertical_part_is_the_recipes_or_is_refused(job, label, vertical, same):
    """EPSG: 7839 NZVD2016, 5759 Auckland 1946, 5703 NAVD88, 3855 EGM2008, 5711 AHD, 5712 AHD (Tasmania)."""
    above = replace(job, site=replace(job.site, height=label))
    faults = said(coordinate_checks.own_system(above, f"EPSG:2193+{vertical}", "f", ""))
    assert (faults == []) is same, faults
    if not same:
        (fault,) = faults
        assert f"[site] height: is {label!r}, and the file's heights are" in fault and "Write height =" in fault
