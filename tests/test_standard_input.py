"""``-``: the file comes in by standard input, packed or not."""

import gzip
import io
import json
import sys
from pathlib import Path

import pytest
import sites

from geoqa import cli
from geoqa.cli import main
from geoqa.core.errors import CallError, InputError


class Given:
    def __init__(self, content):
        self.buffer = io.BytesIO(content)


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_review_of_standard_input(tmp_path, monkeypatch, capsys, pack):
    data, recipe = sites.write(tmp_path)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(tmp_path / "one")]) == 1
    monkeypatch.setattr(sys, "stdin", Given(pack(data.read_bytes())))
    assert main(["review", "-", "-r", str(recipe), "-o", str(tmp_path / "two"), "-v"]) == 1
    one, two = (json.loads((tmp_path / name / "run.json").read_text()) for name in ("one", "two"))
    assert two["counts"] == one["counts"]
    assert two["accounts"] == {"standard-input": one["accounts"]["occupations.csv"]}
    assert two["inputs"][0]["file"] == "standard-input"
    assert "standard-input: 5 rows read" in capsys.readouterr().out


def test_recipe_of_standard_input(tmp_path, monkeypatch, capsys):
    data, _ = sites.write(tmp_path)
    monkeypatch.setattr(sys, "stdin", Given(data.read_bytes()))
    assert main(["recipe", "-"]) == 0
    assert 'easting = "E"' in capsys.readouterr().out


def test_it_is_removed_afterwards_and_other_files_stay_as_they_are(monkeypatch):
    monkeypatch.setattr(sys, "stdin", Given(b"a"))
    with cli.standard_input_files([Path("x.csv"), Path("-")]) as (other, kept):
        assert other == Path("x.csv")
        assert kept.read_bytes() == b"a"
    assert not kept.exists()


def test_there_is_one_standard_input():
    with pytest.raises(CallError, match="named twice"), cli.standard_input_files([Path("-"), Path("-")]):
        pass


def test_what_never_ends_is_refused(monkeypatch):
    monkeypatch.setattr(cli, "LARGEST_MB", 1.5)
    monkeypatch.setattr(sys, "stdin", Given(b"a" * 2_000_000))
    with pytest.raises(InputError, match=r"is larger than 1\.5 MB"), cli.standard_input_files([Path("-")]):
        pass


def test_nothing_comes_in(tmp_path, monkeypatch, capsys):
    _, recipe = sites.write(tmp_path)
    monkeypatch.setattr(sys, "stdin", Given(b""))
    assert main(["review", "-", "-r", str(recipe), "-o", str(tmp_path / "out")]) == 2
    assert "is empty" in capsys.readouterr().err
