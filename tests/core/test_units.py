import pytest
from pyproj.database import get_units_map

from geoqa.core import units


@pytest.mark.parametrize(
    ("ours", "name"),
    [("m", "metre"), ("ft", "foot"), ("ftUS", "US survey foot"), ("mm", "millimetre"), ("cm", "centimetre")],
)
def test_factors_are_those_of_the_epsg_dataset(ours, name):
    assert units.METRES_PER[ours] == pytest.approx(get_units_map(category="linear")[name].conv_factor, rel=1e-15)


def test_two_million_survey_feet():
    # read, 85 FR 62698; computed: 2 000 000 ftUS is 2 000 004.000008 ft
    assert 2_000_000 * units.METRES_PER["ftUS"] / units.METRES_PER["ft"] == pytest.approx(2_000_004.000008, abs=1e-6)


def test_the_names_of_units():
    assert units.spoken("ftUS") == "US survey feet"
    assert units.spoken("ft") == "international feet"
    assert units.spoken("cm") == "cm"
    assert [units.decimals(unit) for unit in ("m", "ft", "mm")] == [3, 3, 2]
    assert set(units.JOB_UNITS) <= set(units.PRECISION_UNITS) <= set(units.METRES_PER)
