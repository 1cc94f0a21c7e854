"""The recipe in the README is one."""

import re
import tomllib
from pathlib import Path

from geoqa.analysis.precision.calibration import Calibration
from geoqa.readers.recipe.recipe import job_from_table

README = Path(__file__).resolve().parents[1] / "README.md"
REST = {
    "site": {"crs": "EPSG:2229"},
    "input": {"precision": "drms", "initialization": "unknown", "timezone": "UTC"},
    "tolerance": {"horizontal_m": 0.05},
}


def example(mark="[[file]]"):
    blocks = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    (block,) = (block for block in blocks if mark in block)
    return block


def test_the_untidy_file_of_the_readme():
    table = tomllib.loads(example())
    job = job_from_table(REST | table | {"input": REST["input"] | table["input"]})
    assert job.columns["precision_h"].unit == "mm"
    assert "precision_h" not in job.files[0].recipe.columns
    assert job.files[0].recipe.input.date == "2026-02-10"


def test_the_recipe_for_a_file_that_says_itself_what_it_holds_is_whole():
    job = job_from_table(tomllib.loads(example("timeStamp")))
    assert set(job.columns) == {"start"} and not job.unit_stated


def test_its_other_lines_are_sound_too():
    text = re.sub(r"(?m)^# (time_format)", r"\1", example()).replace('date = "2026-02-09"', "", 1)
    text = text.split("[[file]]")[0]
    table = tomllib.loads(text)
    assert (
        job_from_table(REST | table | {"input": REST["input"] | table["input"]}).input.time_format == "gps-week-seconds"
    )


def test_the_prior_it_states_is_the_one_that_is_used():
    stated = tomllib.loads(example("[step.calibration]"))["step"]["calibration"]
    assert {name: getattr(Calibration(), name) for name in stated} == stated
