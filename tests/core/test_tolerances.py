import pytest

from geoqa.core.errors import ParameterError
from geoqa.core.recipe import PRESETS, Requirement, Tolerance


def test_a_from_mean_tolerance_lets_a_pair_differ_by_twice_it():
    assert Tolerance(horizontal_m=0.05).pair_factor == 1
    assert Tolerance(horizontal_m=0.05, convention="from-mean").pair_factor == 2


def test_in_words_and_in_the_job_s_unit():
    tolerance = Tolerance(horizontal_m=0.03048, horizontal_ppm=2, vertical_m=None)
    assert tolerance.spoken("ft", "m") == "horizontal 0.100 ft + 2 ppm, vertical not stated (pair closure)"
    assert PRESETS["rt1"].spoken("m", "m").endswith("(each visit against the average)")


def test_every_fault_at_once():
    with pytest.raises(ParameterError) as caught:
        Tolerance(horizontal_m=-1, vertical_m="deep", convention="mean")
    assert [fault.where for fault in caught.value.faults] == ["horizontal_m", "vertical_m", "convention"]


def test_an_empty_reference_is_refused():
    with pytest.raises(ParameterError, match="reference: is empty"):
        Tolerance(horizontal_m=0.05, reference="  ")


@pytest.mark.parametrize("name", PRESETS)
def test_presets_name_themselves_and_their_source(name):
    preset = PRESETS[name]
    assert preset.purpose == name
    assert preset.convention == "from-mean"
    assert f"class {name.upper()}:" in preset.reference


def test_presets_are_the_looser_ends():
    # memory: NGS real-time classes, 95 % H / V m: RT1 0.01-0.02 / 0.02-0.04; RT2 0.02-0.04 / 0.03-0.05;
    # RT3 0.04-0.06 / 0.04-0.08; RT4 0.1-0.2 / 0.1-0.3
    values = {name: (preset.horizontal_m, preset.vertical_m) for name, preset in PRESETS.items()}
    assert values == {"rt1": (0.02, 0.04), "rt2": (0.04, 0.05), "rt3": (0.06, 0.08), "rt4": (0.2, 0.3)}


@pytest.mark.parametrize("confidence", [0.4, 1.0, 95])
def test_a_requirement_s_confidence_is_a_probability(confidence):
    with pytest.raises(ParameterError, match=r"is not a number, at least 0\.5 and at most 0\.9999"):
        Requirement(confidence=confidence)


def test_a_requirement_in_words_and_in_the_units_of_the_job():
    stated = Requirement(horizontal_m=0.03048, vertical_m=0.0456, confidence=0.99)
    assert stated.spoken("ft", "m") == "horizontal 0.100 ft, vertical 0.046 m at 99 %"
    assert Requirement(vertical_m=0.0456).spoken("ft", "m") == "vertical 0.046 m at 95 %"
    assert Requirement().spoken("m", "m") == "none stated, so nothing can be delivered"
