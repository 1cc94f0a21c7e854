"""End to end through the command line: files, summary, exit codes, messages."""

from __future__ import annotations

import json
import subprocess
import sys

import pandas as pd
import pyogrio
import pytest
import sites

from geoqa.cli import main
from geoqa.reviews.review import FILES


def test_review_writes_its_files_and_ends_with_1_on_findings(tmp_path, capsys):
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out"), "-v"]) == 1
    assert {p.name for p in (tmp_path / "out").iterdir()} == {*FILES} - {"report.pdf"}
    text = capsys.readouterr().out
    assert "occupations.csv: 5 rows read = 5 used + 0 set aside" in text
    assert "A2" in text and "conflict" in text
    assert "does not certify" in text


@pytest.mark.parametrize("width", ["40", "80", "120"])
def test_what_is_printed_fits_one_screen(tmp_path, capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", width)
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 1
    shown = capsys.readouterr().out.splitlines()
    said = " ".join(" ".join(shown).split())
    assert max(map(len, shown)) <= int(width)
    assert len([line for line in shown if line]) <= 30
    for wanted in ("Go back to 2 points", "A2 0.361 m", "2 visits disagree", "Deliver 1 of 3 points", "Held back: 2",
                   "No known point was checked", "Files of review", "not a certification"):  # fmt: skip
        assert wanted in said, wanted


def test_every_help_is_plain_text(capsys):
    from geoqa.cli import cli

    names = [*cli.commands]
    for call in ([], *([name] for name in names), ["experience", "add"], ["run", "closure-status"], ["run", "risk"]):
        assert main([*call, "--help"]) == 0
        shown = capsys.readouterr().out
        assert "\\b" not in shown and "\x08" not in shown, call


def test_review_ends_with_0_when_everything_may_be_delivered(tmp_path):
    data, recipe = sites.write(tmp_path, rows=sites.ROWS[:2])
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 0


def test_single_by_plan_is_no_finding(tmp_path):
    rows = tuple(f"{row},{'once' if row.startswith('A3') else 'twice'}" for row in (*sites.ROWS[:2], sites.ROWS[4]))
    text = sites.RECIPE.replace("[tolerance]", 'role = "Role"\n[roles.once]\nsingle_by_plan = true\n[tolerance]')
    data, recipe = sites.write(tmp_path, rows=rows, recipe=text, head=sites.HEAD + ",Role")
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 0


def test_gpkg_csv_and_record_say_the_same(small_site):
    out = small_site / "out"
    points = pyogrio.read_dataframe(out / "review.gpkg", layer="points")
    table = pd.read_csv(out / "points.csv", dtype=str, keep_default_na=False)
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert points.crs.to_epsg() == 2193
    assert dict(zip(points["point"], points["status"], strict=True)) == {
        "A1": "confirmed", "A2": "conflict", "A3": "unproven",
    }  # fmt: skip
    assert list(table["status"]) == list(points["status"])
    assert list(table["deliver"]) == ["yes", "no", "no"]
    assert table.loc[table["point"] == "A1", "easting_m"].item() == "1600000.0040"
    assert table.loc[table["point"] == "A2", "easting_m"].item() == ""  # a conflict has no coordinate ...
    assert points.geometry.notna().all()  # ... and stays on the map
    assert record["counts"]["status"] == {"confirmed": 1, "strained": 0, "loose": 0, "conflict": 1, "unproven": 1}
    assert record["counts"]["deliver"] == {"yes": 1, "no": 2}
    assert record["accounts"] == {"occupations.csv": {"rows": {"read": 5, "used": 5, "set_aside": 0}}}
    assert set(record) >= {
        "inputs", "recipe", "steps", "versions", "plugins", "accounts", "counts", "statements", "messages",
    }  # fmt: skip
    assert record["recipe"]["tolerance"]["horizontal_m"] == 0.05
    layers = set(pyogrio.list_layers(out / "review.gpkg")[:, 0])
    assert layers >= {"occupations", "closures", "points", "classes", "set_aside", "ellipses"}


def test_demo_ends_with_0_and_says_what_review_would(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["demo", str(tmp_path / "out")]) == 0
    text = capsys.readouterr().out
    assert len([line for line in text.splitlines() if line]) <= 40
    assert "`geoqa review` of these data would end with 1" in text
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {"occupations.csv", "checks.csv", "site.toml", *FILES} - {"report.pdf"}
    out = tmp_path / "again"
    code = main(
        ["review", str(tmp_path / "out/occupations.csv"), "-r", str(tmp_path / "out/site.toml"), "-o", str(out)]
    )
    assert code == 1


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"recipe": "[site\n"}, 2, "site.toml"),
        ({"recipe": sites.RECIPE.replace("horizontal_m = 0.05\nvertical_m = 0.08\n", "")}, 2, "[tolerance]"),
        ({"recipe": sites.RECIPE.replace("EPSG:2193", "EPSG:999999")}, 2, "EPSG:999999"),
        ({"recipe": sites.RECIPE.replace('unit = "m"\n', "")}, 2, "unit"),
        ({"recipe": sites.RECIPE.replace('"Mark"', '"Marke"')}, 2, "Mark"),
        ({"rows": ()}, 2, "no "),
    ],
)
def test_wrong_input_ends_with_2_and_leaves_the_old_folder(small_site, capsys, change, code, words):
    out = small_site / "out"
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    data, recipe = sites.write(small_site, **change)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(out)]) == code
    error = capsys.readouterr().err
    assert words in error
    assert "Traceback" not in error
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


def test_a_missing_file_and_a_folder_are_named(tmp_path, capsys):
    _, recipe = sites.write(tmp_path)
    assert main(["review", str(tmp_path / "none.csv"), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 2
    assert "none.csv" in capsys.readouterr().err
    assert main(["review", str(tmp_path), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 2
    assert "folder" in capsys.readouterr().err


def test_a_wrong_call_ends_with_2(capsys):
    assert main(["review"]) == 2
    assert main(["nonsense"]) == 2
    assert main(["steps", "nonsense"]) == 2
    assert "closure-status" in capsys.readouterr().err


def test_an_error_inside_ends_with_70(tmp_path, capsys, monkeypatch):
    import geoqa.reviews

    def fail(*args, **kwargs):
        raise RuntimeError("planted")

    monkeypatch.setattr(geoqa.reviews.review, "review", fail)
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 70
    assert "planted" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_profile_tells_each_stage_with_its_units(small_site, capsys):
    call = ["review", str(small_site / "occupations.csv"), "-r", str(small_site / "site.toml")]
    assert main([*call, "-o", str(small_site / "out"), "-v", "--profile"]) in (0, 1)
    told = capsys.readouterr().err.splitlines()
    head = next(k for k, line in enumerate(told) if line.split() == ["stage", "seconds", "CPU", "s", "peak", "MB"])
    stages = {line[:-30].rstrip(): [float(word) for word in line[-30:].split()] for line in told[head + 1 :]}
    assert {"start", "reading occupations.csv", "closures", "review.gpkg", "points.csv", "map.html"} <= set(stages)
    *each, whole = stages.values()
    assert whole[0] >= max(seconds for seconds, *_ in each) and whole[2] == max(peak for *_, peak in each) > 10
    named = {line.split(" s  ")[1] for line in told[:head]}
    assert named == set(stages) - {"start", "all"}


def test_two_files_make_one_site(tmp_path):
    first, recipe = sites.write(tmp_path, rows=sites.ROWS[:1])
    first.rename(tmp_path / "monday.csv")
    second, _ = sites.write(tmp_path, rows=sites.ROWS[1:2])
    code = main(["review", str(tmp_path / "monday.csv"), str(second), "-r", str(recipe), "-o", str(tmp_path / "out")])
    assert code == 0
    record = json.loads((tmp_path / "out/run.json").read_text())
    assert record["accounts"] == {
        name: {"rows": {"read": 1, "used": 1, "set_aside": 0}} for name in ("monday.csv", "occupations.csv")
    }


def test_steps_lists_and_describes(capsys):
    assert main(["steps"]) == 0
    listed = capsys.readouterr().out
    assert "delimited" in listed and "closure-status" in listed and "points-on-map" in listed
    assert "Refused" not in listed
    assert main(["steps", "visits"]) == 0
    assert "separation_h_min = 20.0" in capsys.readouterr().out


def test_a_step_template_feeds_back_into_a_recipe(tmp_path, capsys):
    """What `geoqa steps NAME` prints is a valid recipe block for every step."""
    from geoqa import plugins

    blocks = []
    found = plugins.catalogue()
    for name in (name for group in plugins.GROUPS for name in found.names(group)):
        assert main(["steps", name]) == 0
        text = capsys.readouterr().out
        blocks += [text[text.index("[step.") :]] if "[step." in text else []
    data, recipe = sites.write(tmp_path, recipe=sites.RECIPE + "\n" + "\n".join(blocks))
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 1


def test_run_one_step_with_another_parameter(small_site, tmp_path, capsys):
    out = small_site / "out"
    made = tmp_path / "again.gpkg"
    assert main(["run", "visits", str(out), "--separation-h-min", "600", "--out", str(made)]) == 0
    again = pyogrio.read_dataframe(made, layer="occupations")
    assert set(again["visit"]) == {1}
    assert main(["run", "visits", str(out), "--separation-h-min", "600", "--out", str(made)]) == 2
    assert main(["run", "visits", str(out), "--separation-h-min", "minus", "--out", str(tmp_path / "x.gpkg")]) == 2
    assert "a number in min" in capsys.readouterr().err
    assert main(["run", "no-such-step", str(out), "--out", str(tmp_path / "x.gpkg")]) == 2
    assert main(["run", "visits", str(tmp_path), "--out", str(tmp_path / "x.gpkg")]) == 2
    assert "run.json" in capsys.readouterr().err


def test_a_stored_review_draws_the_same_map(small_site, tmp_path):
    out = small_site / "out"
    assert main(["map", str(out), "--out", str(tmp_path / "again.html")]) == 0
    assert (tmp_path / "again.html").read_text() == (out / "map.html").read_text()


def test_a_proposed_recipe_is_refused_until_filled_in_then_reviews(tmp_path, capsys):
    data, _ = sites.write(tmp_path)
    proposal = tmp_path / "proposal.toml"
    assert main(["recipe", str(data), "--out", str(proposal)]) == 0
    assert main(["review", str(data), "-r", str(proposal), "-o", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    for key in ("crs", "unit", "horizontal_m"):
        assert key in error
    assert main(["recipe", str(data), "--out", str(proposal)]) == 2  # never overwrites


def test_unknown_step_in_the_recipe_is_named(tmp_path, capsys):
    data, recipe = sites.write(tmp_path, recipe=sites.RECIPE + "\n[step.no-such]\nx = 1\n")
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 2
    assert "no-such" in capsys.readouterr().err
    data, recipe = sites.write(tmp_path, recipe=sites.RECIPE + "\n[step.visits]\nseparation_h_mins = 1\n")
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out")]) == 2
    assert "Did you mean 'separation_h_min'" in capsys.readouterr().err


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["review", "--help"], ["steps", "--help"]])
def test_help_imports_nothing_heavy(arguments):
    heavy = ("numpy", "pandas", "geopandas", "folium", "pyproj", "scipy", "shapely", "pyarrow")
    code = (
        "import sys; from geoqa.cli import main; code = main(sys.argv[1:]); "
        f"print([m for m in {heavy!r} if m in sys.modules], file=sys.stderr); sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    assert done.stderr.strip().splitlines()[-1] == "[]"


def test_the_module_runs_as_a_command():
    done = subprocess.run([sys.executable, "-m", "geoqa", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("geoqa, version ")


@pytest.mark.parametrize("error", [EOFError("marshal data too short"), ZeroDivisionError("division by zero")])
def test_what_fails_inside_is_told_as_that(small_site, capsys, monkeypatch, error):
    """An end of file too, which the library of commands takes for Ctrl-D: it was a compiled module cut short."""

    def fail(*_):
        raise error

    monkeypatch.setattr("geoqa.reviews.stored.compare", fail)
    assert main(["compare", str(small_site / "out"), str(small_site / "out")]) == 70
    said = capsys.readouterr().err
    assert f"geoqa: an error inside geoqa ({type(error).__name__}: {error})." in said
    assert "Traceback" in said and "stopped" not in said


def test_ctrl_c_is_told_as_that(small_site, capsys, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("geoqa.reviews.stored.compare", stop)
    assert main(["compare", str(small_site / "out"), str(small_site / "out")]) == 130
    said = capsys.readouterr().err
    assert "geoqa: stopped; an earlier result is as it was." in said and "Traceback" not in said
