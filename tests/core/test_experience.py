"""The experience file: what is kept, which jobs are one, which state counts."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from analysis.builders import occupations
from click.testing import CliRunner

from geoqa.cli import cli
from geoqa.core import experience
from geoqa.core.errors import InputError


def rows(count, seed=1):
    rng = np.random.default_rng(seed)
    return occupations(
        [
            {"p": f"SECRET{i}", "t": 7 * i, "e": e, "n": n, "u": u}
            for i, (e, n, u) in enumerate(rng.normal(size=(count, 3)) * 50)
        ]
    )


def job(frame, **sums):
    one = {"canopy": "dense", "solution": "fixed"} | dict.fromkeys(experience.SUMS, 1.0) | sums
    return {"rows": experience.sketch(frame), "month": "2026-02", "convention": ["sigma", "sigma"], "classes": [one]}


def day(number):
    return datetime(2026, 3, number, 12, tzinfo=UTC)


def add(content, one, group=None, now=None):
    """Put one job in; return its id, and that of the one it replaces."""
    ((name, before, fault),) = experience.add_all(content, [(one, group)], now)
    if fault:
        raise InputError(fault)
    return name, before


@pytest.mark.parametrize("count", [40, 2000])
def test_a_day_more_is_the_same_job_and_replaces_it(count):
    frame, content = rows(count), experience.nothing()
    first, none = add(content, job(frame.iloc[: count * 3 // 4]), None, day(1))
    other, _ = add(content, job(rows(count, seed=9)), None, day(2))
    second, replaced = add(content, job(frame), None, day(3))
    assert (none, replaced) == ("", first)
    assert set(experience.current(content)) == {other, second}
    assert set(experience.state(content, "2026-03-02")["jobs"]) == {first, other}
    assert experience.state(content, experience.state(content)["hash"][:8])["jobs"] == sorted([other, second])


def test_a_job_never_informs_itself():
    frame, content = rows(60), experience.nothing()
    add(content, job(frame), "crew 1")
    add(content, job(rows(60, seed=2)), "crew 2")
    assert len(experience.of_job(content, frame.iloc[:40], None)[0]) == 1
    assert len(experience.of_job(content, rows(30, seed=3), None)[0]) == 2
    assert len(experience.of_job(content, rows(30, seed=3), "crew 2")[0]) == 1


def test_nothing_of_places_names_or_people_is_kept():
    content = experience.nothing()
    add(content, job(rows(30)), None)
    text = json.dumps(content)
    for word in ("SECRET", "1600", "5400", "field.csv"):
        assert word not in text


def test_a_removed_job_counts_no_more_but_verdicts_can_be_repeated():
    content = experience.nothing()
    name, _ = add(content, job(rows(30)), None, day(1))
    experience.remove(content, name, day(2))
    assert experience.current(content) == []
    assert experience.state(content, "2026-03-01")["jobs"] == [name]
    with pytest.raises(InputError, match="no job"):
        experience.remove(content, name)
    with pytest.raises(InputError, match="no state"):
        experience.state(content, "2025-01-01")


def test_what_is_no_experience_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        experience.read(tmp_path / "none.json")
    (tmp_path / "other.json").write_text('{"format": "x"}', encoding="utf-8")
    with pytest.raises(InputError, match="no experience file"):
        experience.read(tmp_path / "other.json")
    with pytest.raises(InputError, match="stores nothing"):
        experience.taught({"experience": {}}, "run.json")


def test_months_that_differ_by_more_than_their_jobs_are_told():
    content = experience.nothing()
    for k in range(12):
        ratio = 1.2 + 0.02 * (k % 6) + (1.0 if k >= 6 else 0.0)
        made = job(rows(20, seed=k), total_h=40 * ratio**2, freedom_h=40.0)
        add(content, made | {"month": "2026-01" if k < 6 else "2026-07"}, f"crew {k % 2}")
    (said,) = experience.differences(experience.frame(content, experience.current(content)))
    assert said.startswith("dense: months differ")


def test_a_plot_of_what_was_taught(tmp_path):
    pytest.importorskip("matplotlib")
    content = experience.nothing()
    for k in range(3):
        add(content, job(rows(20, seed=k)) | {"month": f"2026-0{k + 1}"}, None)
    (tmp_path / "e.json").write_text(json.dumps(content), encoding="utf-8")
    done = CliRunner().invoke(cli, ["experience", "show", str(tmp_path / "e.json"), "--plot", str(tmp_path / "e.svg")])
    assert done.exit_code == 0, done.output
    drawn = (tmp_path / "e.svg").read_text(encoding="utf-8")
    assert "3 months, 3 jobs" in drawn and ">dense<" in drawn


def test_a_damaged_file_is_refused_by_name(tmp_path):
    content = experience.nothing()
    name, _ = add(content, job(rows(30)), None, day(1))
    for spoil in (
        lambda c: c.pop("states"), lambda c: c["jobs"].clear(), lambda c: c["jobs"][name].update(group="another"),
        lambda c: c["jobs"][name]["classes"][0].update(total_h="much"),
        lambda c: c["jobs"][name]["classes"][0].update(total_h=None),
    ):  # fmt: skip
        spoilt = json.loads(json.dumps(content))
        spoil(spoilt)
        (tmp_path / "e.json").write_text(json.dumps(spoilt), encoding="utf-8")
        with pytest.raises(InputError, match="damaged"):
            experience.read(tmp_path / "e.json")


def test_what_a_hash_stands_for_never_changes():
    content, frame = experience.nothing(), rows(30)
    first, _ = add(content, job(frame), None, day(1))
    second, replaced = add(content, job(frame), "crew 1", day(2))
    assert replaced == first != second
    assert experience.frame(content, experience.state(content, "2026-03-01")["jobs"])["group"].isna().all()
    with pytest.raises(InputError, match="holds more rows"):
        add(content, job(frame.iloc[:20]), None, day(3))


def test_an_empty_file_stops_nothing():
    assert experience.of_job(experience.nothing(), rows(9), None)[1]["jobs"] == []
