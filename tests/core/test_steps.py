"""Steps and their declared parameters: checked once, frozen, recorded with their units."""

from dataclasses import FrozenInstanceError, dataclass
from pathlib import Path

import pytest

from geoqa.core.errors import ParameterError
from geoqa.core.params import OPEN, Declared, param
from geoqa.core.steps import API, Analysis, MapLayer, Reader, Result, Step


@dataclass(frozen=True, kw_only=True)
class Count(Analysis):
    """Count the rows."""

    name = "count"
    needs = ("occupations",)
    gives = ("tally",)

    limit_m: float = param(0.5, unit="m", above=0, maximum=2, help="Largest distance")
    most: int = param(10, unit="1", minimum=1, help="Rows")
    way: str = param("quick", choices=("quick", "slow"), help="How")
    loud: bool = param(False, help="Whether to say so")
    names: tuple[str, ...] = param((), help="Which")
    label: str | None = param(None, help="A label")

    def run(self, frames, job):
        return Result({})


@dataclass(frozen=True, kw_only=True)
class Table(Declared):
    """A recipe table."""

    height_m: float = param(unit="m", minimum=0, help="The height.")
    note: str = param("", help="A note")


def test_a_step_is_frozen_and_complete():
    step = Count()
    assert (step.limit_m, step.most, step.way, step.loud, step.names, step.label) == (0.5, 10, "quick", False, (), None)
    with pytest.raises(FrozenInstanceError):
        step.limit_m = 1.0


def test_the_record_gives_each_value_with_its_unit():
    record = Count(limit_m=1, names=["a", "b"]).as_record()
    assert record["step"] == "count"
    assert record["parameters"]["limit_m"] == {"value": 1.0, "unit": "m"}
    assert record["parameters"]["most"] == {"value": 10, "unit": "1"}
    assert record["parameters"]["names"] == {"value": ("a", "b"), "unit": ""}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"limit_m": 0}, "limit_m: 0 is not a number in m, at most 2 and above 0."),
        ({"limit_m": 2.1}, "2.1 is not a number"),
        ({"limit_m": float("nan")}, "nan is not a number"),
        ({"limit_m": float("inf")}, "inf is not a number"),
        ({"limit_m": True}, "True is not a number"),
        ({"limit_m": "0.5"}, "'0.5' is not a number"),
        ({"limit_m": 10**400}, "is not a number"),
        ({"most": 2.5}, "2.5 is not a whole number, at least 1."),
        ({"most": 0}, "0 is not a whole number"),
        ({"way": "quik"}, "'quik' is not one of 'quick', 'slow'. Did you mean 'quick'?"),
        ({"loud": 1}, "1 is not true or false."),
        ({"names": "a"}, "'a' is not a list of text."),
        ({"names": ["a", 1]}, "is not a list of text."),
        ({"label": 3}, "3 is not text."),
    ],
)
def test_a_value_outside_its_range_is_refused_with_the_rule(values, said):
    with pytest.raises(ParameterError) as caught:
        Count(**values)
    assert said in str(caught.value)
    assert "count cannot be used" in str(caught.value)


def test_all_wrong_values_are_told_at_once():
    with pytest.raises(ParameterError) as caught:
        Count(limit_m=-1, most=0, way="x")
    assert [fault.where for fault in caught.value.faults] == ["limit_m", "most", "way"]


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [("limit_m", "0.25", 0.25), ("limit_m", "1", 1.0), ("most", "7", 7), ("way", "slow", "slow"),
     ("loud", " TRUE", True), ("names", "a,b", ("a", "b")), ("label", "12", "12")],
)  # fmt: skip
def test_options_of_the_command_line_become_values(name, text, value):
    parameter = next(p for p in Count.parameters() if p.name == name)
    parsed = parameter.parse(text)
    assert parsed == value
    assert type(parsed) is type(value)


@pytest.mark.parametrize(("name", "text"), [("limit_m", "deep"), ("most", "2.5"), ("loud", "yes"), ("limit_m", "nan")])
def test_options_that_are_no_value_are_refused(name, text):
    parameter = next(p for p in Count.parameters() if p.name == name)
    with pytest.raises(ValueError, match="is not"):
        parameter.parse(text)


def test_a_recipe_table_tells_every_fault_with_its_place():
    faults = []
    assert Table.from_table({"hieght_m": 1, "note": 3}, "site.toml: [t]", faults) is None
    told = "\n".join(map(str, faults))
    assert "site.toml: [t] hieght_m: is not a key here. Did you mean 'height_m'?" in told
    assert "site.toml: [t] note: 3 is not text." in told
    assert (
        "site.toml: [t] height_m: must be stated. Add height_m = ... (The height: a number in m, at least 0)." in told
    )
    assert len(faults) == 3


@pytest.mark.parametrize("table", [[1], "text", None, 4])
def test_what_is_no_table_is_refused(table):
    faults = []
    assert Table.from_table(table, "site.toml: [t]", faults) is None
    assert "is not a table" in str(faults[0])


def test_an_open_value_is_not_taken_for_stated():
    faults = []
    assert Table.from_table({"height_m": OPEN}, "[t]", faults) is None
    assert "must be stated" in str(faults[0])


def test_a_sound_table_is_built_and_written_back():
    faults = []
    made = Table.from_table({"height_m": 2}, "[t]", faults)
    assert not faults
    assert made == Table(height_m=2.0)
    assert Table.from_table(made.as_table(), "[t]", faults) == made


def test_a_step_must_do_its_work():
    for base in (Reader, Analysis, MapLayer):
        assert base.__abstractmethods__
        with pytest.raises(TypeError):
            base()
    assert Step.api == API


def test_a_reader_claims_files_by_their_suffix():
    class Ink(Reader):
        """Read ink."""

        name = "ink"
        suffixes = (".ink",)

        def read(self, path, job):
            return None

    assert Ink.sniff(Path("a/B.INK"), b"") == 0.5
    assert Ink.sniff(Path("a/b.csv"), b"") == 0.0
