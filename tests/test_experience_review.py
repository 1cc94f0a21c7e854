"""A review that uses what earlier jobs taught, by the commands that people type."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

import geoqa
from geoqa.cli import cli
from geoqa.core.errors import InputError

SAMPLE = Path(__file__).resolve().parents[1] / "sample_data"


def run(*words, code=(0, 1)):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    assert done.exit_code in code, done.output
    return done.output


def review(folder, file, out, *more, code=(0, 1)):
    return run("review", folder / file, folder / "site.toml", "--out", out, *more, code=code)


def used(out):
    return json.loads((out / "run.json").read_text(encoding="utf-8"))["experience"]


@pytest.fixture(scope="module")
def work(tmp_path_factory):
    """The larger sample site reviewed and added, and the other one under a recipe that names the file."""
    folder = tmp_path_factory.mktemp("firm")
    for name in ("totara_saddle", "lantern_fork"):
        shutil.copytree(SAMPLE / name, folder / name)
    with (folder / "lantern_fork" / "site.toml").open("a", encoding="utf-8") as recipe:
        recipe.write('\n[experience]\nfile = "../experience.json"\n')
    review(folder / "totara_saddle", "occupations.csv", folder / "first")
    run("experience", "add", folder / "first", "--to", folder / "experience.json")
    return folder


def test_a_later_job_counts_with_it_and_says_so(work):
    said = review(work / "lantern_fork", "points.txt", work / "second")
    record = used(work / "second")
    assert len(record["used"]["jobs"]) == 1
    assert record["used"]["hash"] in run("experience", "show", work / "experience.json")
    told = json.loads((work / "second/run.json").read_text(encoding="utf-8"))["messages"]
    assert any("the experience of 1 earlier job counts" in text for text in told) and "Lantern Fork" in said


def test_what_a_job_teaches_does_not_depend_on_experience(work, tmp_path):
    with_it = tmp_path / "with"
    review(work / "lantern_fork", "points.txt", with_it)
    review(SAMPLE / "lantern_fork", "points.txt", tmp_path / "without")
    one, other = used(with_it)["taught"], used(tmp_path / "without")["taught"]
    # Repeats are learnt from the points as they are judged; everything else by the reference prior.
    assert one.pop("repeats") == pytest.approx(other.pop("repeats"), abs=0.01)
    assert one == other
    assert used(tmp_path / "without")["used"] is None


def test_an_earlier_state_can_be_asked_for(work, tmp_path):
    content = json.loads((work / "experience.json").read_text(encoding="utf-8"))
    state = content["states"][-1]["hash"]
    review(work / "lantern_fork", "points.txt", tmp_path / "out", "--experience-as-of", state)
    assert used(tmp_path / "out")["used"]["hash"] == state
    with pytest.raises(InputError, match="no state of '2001-01-01'"):
        geoqa.review(
            work / "lantern_fork" / "points.txt", work / "lantern_fork" / "site.toml", experience_as_of="2001-01-01"
        )


def test_a_job_added_twice_is_one_job_and_does_not_inform_itself(work, tmp_path):
    shutil.copy(work / "experience.json", tmp_path / "experience.json")
    said = run("experience", "add", work / "first", "--to", tmp_path / "experience.json")
    assert "1 job, state" in said
    own = tmp_path / "totara_saddle"
    shutil.copytree(SAMPLE / "totara_saddle", own)
    with (own / "site.toml").open("a", encoding="utf-8") as recipe:
        recipe.write('\n[experience]\nfile = "../experience.json"\n')
    review(own, "occupations.csv", tmp_path / "again")
    assert used(tmp_path / "again")["used"]["jobs"] == []


def test_what_cannot_be_added_is_named_and_nothing_is_lost(work, tmp_path):
    def result(name, change):
        record = json.loads((work / "first" / "run.json").read_text(encoding="utf-8"))
        change(record["experience"]["taught"])
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.json").write_text(json.dumps(record), encoding="utf-8")
        return tmp_path / name

    bare = result("bare", lambda taught: taught.update(classes=[]))
    fewer = result("fewer", lambda taught: taught.update(rows=taught["rows"][:-5]))
    target = tmp_path / "experience.json"
    said = run("experience", "add", bare, work / "first", "--to", target)
    assert f"{bare}: not added, it teaches nothing" in said and "1 job, state" in said
    before = target.read_bytes()
    refused = str(CliRunner().invoke(cli, ["experience", "add", str(fewer), "--to", str(target)]).exception)
    assert f"{fewer}: the job" in refused and f"Nothing was added to {target}." in refused
    assert target.read_bytes() == before
