"""The documents that other programs read, held against their JSON schemas by a validator nobody here wrote."""

from __future__ import annotations

import json
from importlib.resources import files

import jsonschema
import pandas as pd
import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.errors import InputError
from geoqa.core.frames.schema import RUN_FORMAT
from geoqa.core.frames.wording import delivery_reasons
from geoqa.core.params import param
from geoqa.plugins import FORMAT
from geoqa.readers import earlier_review


def schema(name):
    found = json.loads(files("geoqa").joinpath(f"schemas/{name}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(found)
    return found


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("site")
    geoqa.review(*sites.write(folder)).write(folder / "out", also=["csv"])
    return folder / "out"


@pytest.fixture(scope="module")
def document():
    from geoqa import plugins

    return plugins.document(plugins.catalogue())


def test_the_record_is_what_its_schema_says(written):
    record = json.loads((written / "run.json").read_text(encoding="utf-8"))
    jsonschema.validate(record, schema("run"))
    assert record["format"] == RUN_FORMAT == schema("run")["properties"]["format"]["const"]
    # Every key that is written is described, so that nobody has to guess.
    assert set(record) <= set(schema("run")["properties"])


@pytest.mark.parametrize("key", ["format", "inputs", "recipe", "accounts", "counts"])
def test_the_schema_of_the_record_asks_for_what_matters(written, key):
    record = json.loads((written / "run.json").read_text(encoding="utf-8"))
    del record[key]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(record, schema("run"))


def test_a_record_of_another_format_is_refused_by_name(written, tmp_path):
    record = json.loads((written / "run.json").read_text(encoding="utf-8"))
    (tmp_path / "run.json").write_text(json.dumps(record | {"format": "geoqa-run/2"}))
    with pytest.raises(InputError, match=r"format 'geoqa-run/2', this geoqa reads 'geoqa-run/1'"):
        earlier_review.read_record(tmp_path)
    # One that was written before there was a key is read.
    (tmp_path / "run.json").write_text(json.dumps({k: v for k, v in record.items() if k != "format"}))
    assert earlier_review.read_record(tmp_path)["counts"] == record["counts"]


def test_the_document_of_steps_is_what_its_schema_says(document):
    jsonschema.validate(document, schema("steps"))
    assert document["format"] == FORMAT == schema("steps")["properties"]["format"]["const"]
    told = {step["name"]: step for step in document["steps"]}
    revisits = told["revisits"]
    assert revisits["kind"] == "analysis"
    assert revisits["gives"] == ["revisits"]
    near = next(one for one in revisits["parameters"] if one["name"] == "near_m")
    assert (near["types"], near["unit"], near["default"], near["above"]) == (["number"], "m", 120.0, 0)


def test_the_command_prints_it_whole_or_for_one_step(document, capsys):
    assert main(["steps", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == document
    assert main(["steps", "zones", "--json"]) == 0
    (zones,) = json.loads(capsys.readouterr().out)["steps"]
    assert zones == next(step for step in document["steps"] if step["name"] == "zones")
    assert main(["steps", "no-such-step", "--json"]) == 2


def test_a_value_that_must_be_stated_and_a_list_are_told():
    from dataclasses import dataclass

    from geoqa.core.params import Declared

    @dataclass(frozen=True, kw_only=True)
    class Thing(Declared):
        names: tuple[str, ...] = param(("a", "b"), help="Names")
        must: str = param(help="Must be stated", choices=("x", "y"))

    names, must = (parameter.as_record() for parameter in Thing.parameters())
    assert (names["types"], names["default"], names["required"]) == (["list of text"], ["a", "b"], False)
    assert (must["default"], must["required"], must["choices"]) == (None, True, ["x", "y"])


def test_a_review_without_keys_is_read_by_its_words():
    """Versions before the keys wrote the words alone."""
    old = pd.DataFrame({"point": ["A", "B"], "action": ["second visit", "accept as single by plan"]})
    assert earlier_review._typed("revisits", old)["action_key"].tolist() == ["second", "accept"]
    held = pd.DataFrame({"point": ["A"], "deliver_reason": ["in conflict; height alone"]})
    read = earlier_review._typed("points", held)
    assert read["deliver_key"].isna().all()
    assert delivery_reasons(read).tolist() == ["in conflict; height alone"]


def test_a_review_that_names_the_whole_site_and_mixed_as_classes_is_read_as_null():
    classes = pd.DataFrame({"canopy": ["whole site", "open", "whole site"], "solution": [None, "fixed", "float"]})
    assert earlier_review._typed("classes", classes)["canopy"].astype("object").fillna("").tolist() == ["", "open", ""]
    # Today a crew may call a cover so: the row of the site has none.
    today = classes.assign(canopy=[None, "open", "whole site"])
    assert earlier_review._typed("classes", today)["canopy"].astype("object").fillna("").tolist() == [
        "",
        "open",
        "whole site",
    ]
    points = pd.DataFrame({"point": ["A", "B", "C"], "canopy": ["open", "mixed", None]})
    read = earlier_review._typed("points", points)
    assert read["canopy"].astype("object").fillna("").tolist() == ["open", "", ""]
    assert read["canopy_mixed"].tolist() == [False, True, False]
    today = earlier_review._typed("points", points.assign(canopy_mixed=False))
    assert today["canopy"].astype("object").fillna("").tolist() == ["open", "mixed", ""]
