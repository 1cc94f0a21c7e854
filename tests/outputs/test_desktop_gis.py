"""The plugin for the desktop GIS: what is written, what it runs, and, where QGIS is installed, that it works there."""

from __future__ import annotations

import ast
import csv
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import time
import zipfile
from importlib import metadata
from pathlib import Path

import click
import pyogrio
import pytest
import sites

import geoqa
from geoqa import cli, plugins
from geoqa.core import errors
from geoqa.core.frames.schema import DECISION_FILE
from geoqa.core.job import COLUMNS
from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance
from geoqa.outputs.symbology import SYMBOLS
from geoqa.readers.companions import read_decisions
from geoqa.readers.recipe.recipe import read_recipe

PYTHON = "/usr/bin/python3"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("plugins")
    assert cli.main(["desktop-gis", "--out", str(out)]) == 0
    return out / "geoqa_provider"


def module(folder, name):
    """Return a module of the plugin that needs no GIS."""
    spec = importlib.util.spec_from_file_location(f"provider_{name}", folder / f"{name}.py")
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


@pytest.fixture(scope="module")
def calls(folder):
    return module(folder, "calls")


@pytest.fixture(scope="module")
def command(folder):
    return module(folder, "command")


@pytest.fixture(scope="module")
def written(folder, calls):
    return calls.read(folder)


def test_its_modules_are_python_3_9_and_import_the_gis_and_the_standard_library_alone(folder):
    own = {"qgis", "processing", *sys.stdlib_module_names}
    sources = list(folder.glob("*.py"))
    assert {path.stem for path in sources} == {"__init__", "provider", "algorithm", "layers", "calls", "command"}
    for path in sources:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), feature_version=(3, 9))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and not node.level:
                names = [node.module]
            assert {name.partition(".")[0] for name in names} <= own, (path.name, names)


def test_the_metadata_is_the_packages_own(folder):
    told = metadata.metadata("geoqa-survey")
    lines = dict(
        line.split("=", 1) for line in (folder / "metadata.txt").read_text().splitlines() if not line.startswith("[")
    )
    assert (lines["version"], lines["author"]) == (told["Version"], told["Author"] or told["Author-email"])
    assert lines["license"] == told["License-Expression"] == "MIT"
    assert lines["hasProcessingProvider"] == "yes"
    assert (folder / lines["icon"]).read_text().startswith("<svg")


def test_the_archive_holds_the_folder_and_nothing_else_and_is_the_same_twice(folder, tmp_path):
    for name in ("a", "b"):
        assert cli.main(["desktop-gis", "--out", str(tmp_path / name), "--zip"]) == 0
    first, second = (tmp_path / name / "geoqa_provider.zip" for name in ("a", "b"))
    assert first.read_bytes() == second.read_bytes()
    with zipfile.ZipFile(first) as packed:
        assert {Path(name).parts[0] for name in packed.namelist()} == {"geoqa_provider"}
        assert {Path(name).name for name in packed.namelist()} == {path.name for path in folder.iterdir()}
        for name in packed.namelist():
            assert packed.read(name) == (folder / Path(name).name).read_bytes()


def test_another_folder_of_its_name_is_left_alone(tmp_path, capsys):
    (tmp_path / "geoqa_provider").mkdir()
    (tmp_path / "geoqa_provider" / "mine.txt").write_text("x")
    assert cli.main(["desktop-gis", "--out", str(tmp_path)]) == errors.CallError.exit_code
    assert "was not written by geoqa desktop-gis" in capsys.readouterr().err
    assert [path.name for path in (tmp_path / "geoqa_provider").iterdir()] == ["mine.txt"]


def test_the_steps_parameters_are_the_declarations(calls, written):
    document = plugins.document(plugins.catalogue())
    steps = {one["id"]: one for one in calls.every(written)}
    declared = {one["name"]: one for one in document["steps"] if one["kind"] == "analysis" and one["parameters"]}
    assert len(declared) > 20
    for name, cls in plugins.catalogue().load_all("geoqa.analysis").items():
        if name not in declared:
            continue
        made = steps[name.replace("-", "")]
        inputs = {one["name"]: one for one in made["inputs"]}
        assert set(inputs) == {"REVIEW", "OUTPUT"} | {p.name.upper() for p in cls.parameters()}
        for p in cls.parameters():
            one = inputs[p.name.upper()]
            assert p.help in one["help"] and p.rule in one["help"]
            assert one["optional"] and "default" not in one
            lowest = p.minimum if p.minimum is not None else p.above
            assert (one["minimum"], one["maximum"]) == (lowest, p.maximum if p.maximum is not None else p.below)
            assert one.get("choices", list(p.choices)) in (list(p.choices), ["true", "false"])
            assert p.unit in ("", "1") or f"[{p.unit}]" in one["label"]
    for one in steps.values():
        assert one["id"].isalnum()
    assert [one for one in steps if one not in {name.replace("-", "") for name in declared}] == [
        "review", "recipe", "deliver", "compare", "report", "decide",
    ]  # fmt: skip


def test_every_call_is_one_of_the_command_line(calls, written):
    for call in calls.every(written):
        if not call["call"]:
            continue
        context = click.Context(cli.cli)
        command = cli.cli.get_command(context, call["call"][0])
        if call["call"][0] == "run":
            command = command.get_command(context, call["call"][1])
        options = {name for one in command.params for name in one.opts}
        positional = [one for one in command.params if isinstance(one, click.Argument)]
        flags = [one["flag"] for one in call["inputs"] if one["flag"] is not None]
        assert {flag for flag in flags if flag} <= options, call["id"]
        assert bool(positional) == ("" in flags)
        needed = {one.opts[0] for one in command.params if one.required and isinstance(one, click.Option)}
        stated = {one["flag"] for one in call["inputs"] if not one["optional"]}
        assert needed <= stated


def test_the_form_without_a_recipe_has_what_the_recipe_declares(calls, written):
    tables = {"site": Site, "input": InputFormat, "tolerance": Tolerance, "requirement": Requirement}
    review = {one["name"]: one for one in calls.every(written)[0]["inputs"]}
    for name, table, key in calls.STATED:
        declared = next(one for one in tables[table].parameters() if one.name == key)
        assert declared.help in review[name]["help"]
        assert review[name].get("choices", []) == list(declared.choices)
    assert {column for _, column in calls.FIELDS} <= set(COLUMNS)


def test_the_form_writes_a_recipe_that_is_read_back_as_stated(calls, tmp_path):
    values = {
        "TOLERANCE_H": 0.05, "TOLERANCE_V": 0.08, "REQUIREMENT_H": 0.04, "REQUIREMENT_V": 0.1, "PRECISION": "drms",
        "HEIGHT_REFERENCE": 'the "old" datum', "CONFIDENCE": None, "TIMEZONE": "",
    }  # fmt: skip
    text = calls.recipe_text('A\\B "x"\x7f', "EPSG:2193", values, {"point": "Mark", "initialization": "Init"})
    path = tmp_path / "site.toml"
    # The unit is left to the layer's coordinate system.
    path.write_text(text, encoding="utf-8")
    job = read_recipe(path)
    assert (job.site.name, job.site.height) == ('A\\B "x"\x7f', 'the "old" datum')
    assert (job.tolerance.horizontal_m, job.tolerance.vertical_m) == (0.05, 0.08)
    assert (job.requirement.horizontal_m, job.requirement.vertical_m) == (0.04, 0.1)
    assert (job.input.precision, job.input.initialization) == ("drms", "column")
    assert dict(job.columns) == {"point": "Mark", "initialization": "Init"}


def test_names_that_differ_by_case_are_told_apart(calls):
    assert calls.distinct(["Name", "name", "name_2", "NAME"]) == {
        "Name": "Name", "name": "name_3", "name_2": "name_2", "NAME": "NAME_4",
    }  # fmt: skip


def test_values_become_arguments_that_no_name_can_turn_into_an_option(calls, written):
    call = calls.every(written)[0]
    values = {"OCCUPATIONS": ["a b.csv", "-x.csv"], "RECIPE": "site.toml", "OUTPUT": "-o", "EARLIER": None}
    made = calls.arguments(call, values)
    assert made == ["review", "-v", "a b.csv", f".{os.sep}-x.csv", "--recipe=site.toml", "--out=-o"]


def test_decisions_are_as_geoqa_reads_them(calls, written, tmp_path):
    path, words = tmp_path / "decisions.csv", written["decisions"]
    entry = {
        "action": "reject",
        "kind": "occupation",
        "target": "=a, b.csv:4",
        "guard": "=1+A1",
        "who": "J",
        "why": "w",
    }
    calls.decide(str(path), entry, words)
    path.write_bytes(path.read_bytes().removesuffix(b"\n"))  # as another program may leave it
    calls.decide(str(path), dict(entry, action="accept", kind="point", target="A3", guard=""), words)
    read = read_decisions(path)
    assert read["target"].tolist() == ["=a, b.csv:4", "A3"]
    assert read["guard"].tolist()[0] == "=1+A1"
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    assert tuple(rows[0]) == DECISION_FILE
    assert not any(cell.startswith("=") for row in rows for cell in row)
    with pytest.raises(ValueError, match="already, entry 1"):
        calls.decide(str(path), entry, words)
    with pytest.raises(ValueError, match="reassign"):
        calls.decide(str(path), dict(entry, target="c.csv:1", new_point="B"), words)
    with pytest.raises(ValueError, match="why is empty"):
        calls.decide(str(path), dict(entry, target="c.csv:1", why=" "), words)
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    with pytest.raises(ValueError, match="no file of decisions"):
        calls.decide(str(tmp_path / "other.csv"), entry, words)


def fake(folder, text):
    """Return a command made of a few lines of Python."""
    path = folder / "fake.py"
    path.write_text(text, encoding="utf-8")
    return [sys.executable, str(path)]


def test_the_first_stated_command_counts_and_is_not_passed_over(command, tmp_path):
    good = str(Path(sys.executable))
    assert command.found(good, {"GEOQA_EXE": "/nowhere"}, ["/else"]) == [good]
    assert command.found("", {"GEOQA_EXE": good}, ["/else"]) == [good]
    assert command.found("", {}, [good, "-m", "geoqa"]) == [good, "-m", "geoqa"]
    for setting, environment in (("/nowhere", {"GEOQA_EXE": good}), ("", {"GEOQA_EXE": "/nowhere"})):
        with pytest.raises(command.CommandError, match="'/nowhere'") as failed:
            command.found(setting, environment, [good])
        assert "GEOQA_EXE" in str(failed.value) and "Settings > Options" in str(failed.value)
    with pytest.raises(command.CommandError, match="no geoqa on the PATH"):
        command.found("", {"PATH": str(tmp_path)}, ["/gone/python"])


def test_what_leads_to_the_gis_libraries_is_removed_and_the_rest_kept(command):
    given = dict.fromkeys((*command.REMOVED, "HOME", "PATH"), "x")
    assert set(command.environment(given)) == {"HOME", "PATH", "PYTHONIOENCODING"}


def test_a_command_that_is_no_geoqa_is_told_by_name(command, tmp_path):
    assert command.version([sys.executable, "-m", "geoqa"]) == metadata.version("geoqa-survey")
    with pytest.raises(command.CommandError, match=r"(?s)does not answer as geoqa.*GEOQA_EXE.*hello"):
        command.version(fake(tmp_path, "print('hello')"))


def test_lines_are_forwarded_as_they_come_and_errors_kept_whole(command, tmp_path):
    call = fake(tmp_path, (
        "import sys, time\nprint('one', flush=True)\ntime.sleep(0.6)\n"
        "print('  0.1 s  stage', file=sys.stderr)\nprint('geoqa: wrong:\\n  - a\\n  - b \\u00e9', file=sys.stderr)\n"
        "sys.exit(2)\n"
    ))  # fmt: skip
    heard = []
    done = command.run(call, [], lambda line, error: heard.append((line, error, time.monotonic())))
    assert (done.code, done.said) == (2, ["one"])
    assert done.message() == "geoqa: wrong:\n  - a\n  - b é"
    assert heard[0][:2] == ("one", False)
    assert heard[1][2] - heard[0][2] > 0.3  # not all at the end


def test_a_cancelled_run_ends_its_process(command, tmp_path):
    call = fake(tmp_path, "import os, time\nprint(os.getpid(), flush=True)\ntime.sleep(60)\n")
    heard = []
    with pytest.raises(command.CancelledError):
        command.run(call, [], lambda line, error: heard.append(int(line)), lambda: bool(heard))
    if os.name == "posix":
        with pytest.raises(ProcessLookupError):
            os.kill(heard[0], 0)


def test_decisions_may_be_named_on_the_command_line(tmp_path):
    data, recipe = sites.write(tmp_path)
    (tmp_path / "other").mkdir()
    path = tmp_path / "other" / "decided.csv"
    path.write_text(f"{','.join(DECISION_FILE)}\nreject,occupation,occupations.csv:5,A2,,J,2026-02-20,false fix\n")
    call = ["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "out"), "--files", "csv"]
    assert cli.main([*call, "--decisions", str(path)]) == 1
    run = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert run["recipe"]["decisions"]["file"] == str(Path("other", "decided.csv"))
    assert [one["target"] for one in run["decisions"]] == ["occupations.csv:5"]


def qgis_environment(folder):
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "GDAL", "PROJ"))}
    # The Python inside the GIS looks for its library beside the first python3 of the PATH.
    own = {"PATH": f"{Path(PYTHON).parent}{os.pathsep}{os.environ['PATH']}"}
    own |= {"QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": folder / "run", "HOME": folder / "home"}
    own |= {"QGIS_CUSTOM_CONFIG_PATH": folder / "home", "QGIS_PLUGINPATH": folder}
    for name in ("run", "home"):
        (folder / name).mkdir(mode=0o700, exist_ok=True)
    return kept | {name: str(value) for name, value in own.items()}


@pytest.fixture(scope="module")
def seen(folder):
    """Return what the plugin did in QGIS, with the same site reviewed by the command beside it."""
    if not Path(PYTHON).exists() or subprocess.run([PYTHON, "-c", "import qgis.core"], capture_output=True).returncode:
        pytest.skip("QGIS is not installed for the system's Python (Debian: apt-get install python3-qgis)")
    site = folder.parent / "site"
    site.mkdir()
    geoqa.review(*sites.write(site)).write(site / "plain")
    script = Path(__file__).with_name("run_provider.py")
    beside = Path(sys.executable).with_name("geoqa")
    done = subprocess.run(
        [PYTHON, script, folder.parent, site, beside],
        env=qgis_environment(folder.parent), capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.qgis
def test_qgis_has_every_algorithm_with_its_parameters(seen, calls, written):
    every = calls.every(written)
    assert seen["algorithms"] == sorted(one["id"] for one in every)
    for one in every:
        assert set(seen["parameters"][one["id"]]) == {p["name"] for p in one["inputs"]}


@pytest.mark.qgis
def test_a_review_in_qgis_is_the_review_of_the_command(seen, folder):
    site = folder.parent / "site"
    plain, files, layer = (json.loads((site / n / "run.json").read_text()) for n in ("plain", "files", "layer"))
    assert plain["id"] == files["id"] == layer["id"]
    table = pyogrio.read_dataframe(site / "plain" / "review.gpkg", layer="points", read_geometry=False)
    assert [row[:3] for row in seen["points"]] == table[["point", "status", "deliver"]].to_numpy().tolist()
    assert [seen["files"][name] for name in ("POINTS", "DELIVERED", "CONFLICTS")] == [3, 1, 1]
    assert seen["warned"] == ["There are findings: look at what may not be delivered, and why."]
    assert any("reading occupations.csv" in line for line in seen["said"])


@pytest.mark.qgis
def test_the_layers_are_one_group_styled_and_in_the_order_of_the_project(seen):
    assert seen["groups"] == ["geoqa: Test field, files"]
    names = [name for name, *_ in seen["layers"]]
    assert names[:3] == ["Go back", "Points", "Problem zones"]
    assert all(kind == "RuleRenderer" for name, _, kind in seen["layers"] if name != "Decisions")
    assert SYMBOLS["conflict"].light in seen["colours"]


@pytest.mark.qgis
def test_a_layer_is_its_file_or_is_written_beside_the_output(seen, folder):
    assert seen["layer said"].startswith("The layer is read from its file")
    assert seen["form"]["POINTS"] == 2
    assert "form-occupations.gpkg, as only some of its features are chosen" in seen["form said"][0]
    assert "'mark' is written as 'mark_2'" in seen["form warned"][0]
    assert "says something else than the form" in seen["form again"]["error"]
    assert read_recipe(folder.parent / "site" / "form-recipe.toml").site.name == "tramp"


@pytest.mark.qgis
def test_what_goes_wrong_is_told_whole(seen):
    assert "ended with 2" in seen["wrong"]["error"]
    assert seen["wrong"]["error"].count("\n  - ") >= 3
    assert "GEOQA_EXE" in seen["missing"]["error"] and "Settings >" in seen["missing"]["error"]
    assert seen["cancelled"]["error"].startswith("Cancelled") and seen["cancelled"]["as before"]
    assert "log" in seen["failed"]["error"] and "ended with 70" in seen["failed"]["error"]
    assert "deliberate" in seen["failed"]["error"]
    own = metadata.version("geoqa-survey")
    assert len(seen["other version"]) == 1
    assert f"written by geoqa {own}" in seen["other version"][0] and "is geoqa 9.9" in seen["other version"][0]


@pytest.mark.qgis
def test_the_one_setting_states_the_command(seen):
    assert seen["settings"] == [["GEOQA_EXE", "The geoqa command"]]
    assert (
        "Settings > Options > Processing" in seen["set"]["error"] and "occupations.csv' as the" in seen["set"]["error"]
    )


@pytest.mark.qgis
def test_a_batch_goes_on_after_one_that_fails(seen, folder):
    site = folder.parent / "site"
    plain, first, third = (json.loads((site / n / "run.json").read_text()) for n in ("plain", "batch1", "batch3"))
    assert plain["id"] == first["id"] == third["id"] and not (site / "batch2").exists()
    assert seen["batch"].count("<h3>Results</h3>") == 2 and "ended with 2" in seen["batch"]


@pytest.mark.qgis
def test_it_works_in_a_model_and_beside_other_calls(seen, folder):
    assert seen["model"] == {"fine": True, "areas": 3, "kind": 2}
    assert Path(seen["stated"]["OUTPUT"]).is_file()
    assert seen["decided"]["DELIVERED"] == 0 and "already" in seen["decide again"]["error"]
    assert seen["compare"]["DIFFERS"] is True and "only B: decisions.csv" in seen["compare"]["TEXT"]
    site = folder.parent / "site"
    assert (site / "files" / "all-points.geojson").is_file()
    assert (site / "report" / "report.html").is_file()
    assert "must be stated" in (site / "proposed.toml").read_text(encoding="utf-8")


@pytest.mark.qgis
def test_it_runs_without_a_window(seen, folder):
    """By the GIS's own command line, on a layer that is a file; the plugin is found, enabled and asked there."""
    site, environment = folder.parent / "site", qgis_environment(folder.parent)
    process = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
    if not process:
        pytest.skip("qgis_process is not installed (Debian: apt-get install qgis)")
    call = [f"--LAYER={site / 'occupations.csv'}", f"--RECIPE={site / 'site.toml'}", f"--OUTPUT={site / 'process'}"]
    for arguments in (["plugins", "enable", "geoqa_provider"], ["run", "geoqa:review", *call]):
        done = subprocess.run([process, *arguments], env=environment, capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert "DELIVERED:\t1" in done.stdout and "findings" in done.stdout + done.stderr
    plain, made = (json.loads((site / name / "run.json").read_text()) for name in ("plain", "process"))
    assert plain["id"] == made["id"]
