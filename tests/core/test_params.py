from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoqa.core.errors import ParameterError
from geoqa.core.params import Declared, param


@dataclass(frozen=True, kw_only=True)
class Example(Declared):
    """Something with one parameter of each kind."""

    length_m: float = param(unit="m", above=0, maximum=10, help="A length")
    count: int = param(3, unit="1", minimum=1, below=9, help="A count")
    word: str = param("one", choices=("one", "two"), help="A word")
    switch: bool = param(False, help="A switch")
    names: tuple[str, ...] = param((), help="Some names")
    share: float | None = param(None, unit="1", minimum=0, help="A share")


LENGTH = "Add length_m = ... (A length: a number in m, at most 10 and above 0)."


def faults_of(table):
    faults = []
    assert Example.from_table(table, "x.toml: [example]", faults) is None
    return [str(fault) for fault in faults]


def test_values_take_their_declared_type():
    example = Example(length_m=2, names=["a", "b"])
    assert example.length_m == 2.0
    assert isinstance(example.length_m, float)
    assert example.names == ("a", "b")
    assert example.as_table() == {"length_m": 2.0, "count": 3, "word": "one", "switch": False, "names": ["a", "b"]}


def test_a_table_is_read():
    faults = []
    example = Example.from_table({"length_m": 2, "word": "two"}, "here", faults)
    assert not faults
    assert example == Example(length_m=2, word="two")


def test_every_fault_of_a_table_at_once():
    table = {"count": 9, "word": "too", "switch": 1, "names": ["a", 2], "share": -1, "swich": True}
    assert faults_of(table) == [
        "x.toml: [example] swich: is not a key here. Did you mean 'switch'?",
        f"x.toml: [example] length_m: must be stated. {LENGTH}",
        "x.toml: [example] count: 9 is not a whole number, at least 1 and below 9.",
        "x.toml: [example] word: 'too' is not one of 'one', 'two'. Did you mean 'two'?",
        "x.toml: [example] switch: 1 is not true or false.",
        "x.toml: [example] names: ['a', 2] is not a list of text.",
        "x.toml: [example] share: -1 is not a number, at least 0.",
    ]


def test_an_open_value_must_be_stated_even_where_there_is_a_default():
    assert faults_of({"length_m": "?", "count": "?"}) == [
        f"x.toml: [example] length_m: must be stated. {LENGTH}",
        "x.toml: [example] count: must be stated. Add count = ... (A count: a whole number, at least 1 and below 9).",
    ]


def test_a_table_that_is_none():
    assert faults_of(3) == ["x.toml: [example]: 3 is not a table."]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("length_m", True), ("length_m", "2"), ("length_m", 0), ("length_m", 10.5), ("length_m", float("nan")),
        ("length_m", float("inf")), ("length_m", 10**400), ("length_m", None), ("count", 2.0), ("count", 10**400),
        ("switch", 1), ("switch", "true"), ("names", "a"), ("word", 1), ("share", float("nan")),
    ],
)  # fmt: skip
def test_what_is_refused(name, value):
    with pytest.raises(ParameterError) as caught:
        Example(**{"length_m": 1.0, name: value})
    assert [fault.where for fault in caught.value.faults] == [name]


def test_text_of_a_command_line():
    parameters = {parameter.name: parameter for parameter in Example.parameters()}
    assert parameters["length_m"].parse("2") == 2.0
    assert parameters["count"].parse("4") == 4
    assert parameters["switch"].parse("True") is True
    assert parameters["names"].parse("a,b") == ("a", "b")
    assert parameters["word"].parse("two") == "two"
    for name, text in (("length_m", "long"), ("count", "4.5"), ("switch", "yes"), ("word", "six")):
        with pytest.raises(ValueError, match="is not"):
            parameters[name].parse(text)


def test_a_long_value_is_shown_short():
    (fault,) = faults_of({"length_m": "x" * 1000})
    assert len(fault) < 200


@given(st.dictionaries(st.text(max_size=4), st.integers()), st.floats() | st.text() | st.integers() | st.none())
def test_any_table_is_read_or_refused(table, value):
    faults = []
    example = Example.from_table({**table, "length_m": value}, "here", faults)
    assert (example is None) == bool(faults)
