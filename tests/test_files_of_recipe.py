"""The recipe names its files: a review by the recipe alone, and what it may lead to."""

from __future__ import annotations

import json

import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core.errors import CallError, RecipeError


def job(folder, files, more=""):
    """Write two crews' files and a recipe that names `files` in a folder of their own."""
    folder.mkdir()
    (folder / "logs").mkdir()
    (folder / "b.csv").write_text("\n".join((sites.HEAD, *sites.ROWS[:2])) + "\n")
    (folder / "a.csv").write_text("\n".join((sites.HEAD, *sites.ROWS[2:4])) + "\n")
    (folder / "logs" / "c.txt").write_text("\n".join((sites.HEAD, *sites.ROWS[4:])) + "\n")
    recipe = folder / "site.toml"
    recipe.write_text(sites.RECIPE.replace("[input]", f"[input]\nfiles = {files}\n{more}"))
    return recipe


def inputs(folder):
    return [one["file"] for one in json.loads((folder / "run.json").read_text())["inputs"]]


def test_a_recipe_alone_is_a_review(tmp_path, monkeypatch, capsys):
    recipe = job(tmp_path / "site", '["*.csv", "logs/*.txt"]')
    monkeypatch.chdir(tmp_path)  # relative to the recipe, wherever the command is given
    assert main(["review", "site/site.toml"]) == 1
    assert inputs(recipe.parent / "result") == ["a.csv", "b.csv", "c.txt"]
    # And again, as it is: the results are not taken for input.
    assert main(["review", "site/site.toml"]) == 1


def test_out_and_files_of_the_call_go_first(tmp_path):
    recipe = job(tmp_path / "site", '["*.csv"]')
    assert main(["review", str(recipe), str(recipe.parent / "a.csv"), "-o", str(tmp_path / "out")]) == 1
    assert inputs(tmp_path / "out") == ["a.csv"]


def test_from_python(tmp_path):
    review = geoqa.review((), job(tmp_path / "site", '["?.csv", "a.csv"]'))
    assert set(review.accounts) == {"a.csv", "b.csv"}  # a file that two patterns find is read once


@pytest.mark.parametrize("pattern", ["../*.csv", "../far.csv", "link.csv", "ln/*.csv"])
def test_what_lies_outside_is_refused_unless_the_recipe_says_so(tmp_path, pattern):
    (tmp_path / "far.csv").write_text("\n".join((sites.HEAD, *sites.ROWS)) + "\n")
    recipe = job(tmp_path / "site", f'["{pattern}"]')
    (recipe.parent / "link.csv").symlink_to(tmp_path / "far.csv")
    (recipe.parent / "ln").symlink_to(tmp_path)
    with pytest.raises(RecipeError, match="outside the recipe's folder") as refused:
        geoqa.review((), recipe)
    assert "outside = true" in str(refused.value)
    recipe.write_text(recipe.read_text().replace("[input]", "[input]\noutside = true"))
    assert geoqa.review((), recipe).accounts


def test_a_pattern_without_a_file_is_told_with_every_other(tmp_path):
    recipe = job(tmp_path / "site", '["day2/*.csv", "a.csv", "gone.csv"]')
    with pytest.raises(RecipeError) as refused:
        geoqa.review((), recipe)
    assert "'day2/*.csv'" in str(refused.value) and "'gone.csv'" in str(refused.value)
    assert "'a.csv'" not in str(refused.value)


def test_without_files_the_recipe_alone_is_not_enough(tmp_path, capsys):
    _, recipe = sites.write(tmp_path)
    assert main(["review", str(recipe)]) == 2
    assert 'files = ["*.csv"]' in capsys.readouterr().err
    with pytest.raises(CallError, match="names none"):
        geoqa.review((), recipe)


def test_data_without_a_recipe_and_two_recipes(tmp_path, capsys):
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data)]) == 2
    assert "no recipe was given" in capsys.readouterr().err
    other = recipe.with_name("other.toml")
    other.write_text(recipe.read_text())
    assert main(["review", str(recipe), str(other)]) == 2
    assert "both recipes" in capsys.readouterr().err


def test_files_hold_for_the_whole_site(tmp_path):
    recipe = job(tmp_path / "site", '["*.csv"]')
    recipe.write_text(recipe.read_text() + '[[file]]\npath = "a.csv"\n[file.input]\nfiles = ["b.csv"]\n')
    with pytest.raises(RecipeError, match="holds for the whole site"):
        geoqa.review((), recipe)
