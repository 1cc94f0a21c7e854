"""A few hundred hostile files and recipes; the long run is `python tests/bench/hostile.py`."""

from __future__ import annotations

import random

import corpus
import damage
import pytest
import sites
import soundfiles

from geoqa.cli import main
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews import review

SEEDS = soundfiles.seeds()
WHOLE = damage.whole()


def answers(judge, contents):
    """Return how many were read and refused; a Failure names the first input answered wrongly."""
    counts = {"read": 0, "refused": 0}
    for content in contents:
        try:
            counts[judge(content)] += 1
        except corpus.Failure as failure:
            pytest.fail(f"{failure}\nthe input: {content[:500]!r}")
    return counts


def test_every_installed_reader_has_a_sound_file_to_damage():
    assert soundfiles.without_seed(SEEDS) == []


@pytest.mark.parametrize("seed", SEEDS, ids=[seed.label for seed in SEEDS])
def test_sound_files_are_read_and_damaged_ones_read_or_refused(tmp_path, seed):
    job, write = job_from_table(seed.recipe), seed.place(tmp_path)

    def judge(content):
        return corpus.judge_reading(write(content), job, each_line=seed.each_line)

    assert judge(seed.content) == "read"
    counts = answers(judge, damage.mutants(seed.content, 20, random.Random(damage.SEED)))
    assert sum(counts.values()) == 20


@pytest.mark.parametrize("suffix", [".csv", ".xml", ".geojson", ".xlsx"])
def test_files_hostile_from_end_to_end(tmp_path, suffix):
    job, path = job_from_table(soundfiles.PLANE), tmp_path / f"hostile{suffix}"

    def judge(content):
        path.write_bytes(content)
        return corpus.judge_reading(path, job)

    for name, content in WHOLE.items():
        try:
            answer = judge(content)
        except corpus.Failure as failure:
            pytest.fail(f"{name}: {failure}")
        assert answer == "refused" or name in READABLE, name


#: Hostile files that hold a table all the same; every row of them is accounted for.
READABLE = ("long cell", "shift jis", "cut character", "utf-7")


def test_the_command_keeps_its_exit_codes_and_the_old_folder(tmp_path, capsys):
    data, recipe = sites.write(tmp_path)
    out = tmp_path / "out"
    arguments = ["review", str(data), "-r", str(recipe), "-o", str(out)]
    assert main(arguments) == 1
    codes = set()
    for content in [
        *damage.mutants(sites.text(), 5, random.Random(damage.SEED)),
        WHOLE["noise"],
        WHOLE["zip bomb"],
    ]:
        data.write_bytes(content)
        before = {path.name: path.read_bytes() for path in out.iterdir()}
        code = corpus.judge_command(arguments, main)
        codes.add(code)
        assert "Traceback" not in capsys.readouterr().err
        after = {path.name: path.read_bytes() for path in out.iterdir()}
        assert set(after) == {*review.FILES} - {"report.pdf"}
        if code > 1:
            assert after == before
    assert 2 in codes
    assert codes & {0, 1}


def test_the_judge_notices(tmp_path, monkeypatch):
    """A reader that loses a line, fails, or ends with 70 is a failure: the corpus can fail."""
    from geoqa.core.errors import StepError
    from geoqa.readers.delimited import DelimitedReader

    job, path = job_from_table(soundfiles.PLANE), tmp_path / "a.csv"
    path.write_bytes(sites.text())
    sound = DelimitedReader.read

    def losing(self, file, job):
        result = sound(self, file, job)
        kept = result.frames["occupations"].iloc[:-1]
        result.accounts["rows"].update(read=len(kept), used=len(kept))
        return type(result)({**result.frames, "occupations": kept}, result.accounts)

    def told(read):
        monkeypatch.setattr(DelimitedReader, "read", read)
        with pytest.raises(corpus.Failure) as caught:
            corpus.judge_reading(path, job)
        return str(caught.value)

    def inside(self, file, job):
        raise StepError("a step did not fit")

    assert "line 6 is unaccounted for" in told(losing)
    assert "ZeroDivisionError" in told(lambda self, file, job: 1 / 0)
    assert "exit code 70" in told(inside)
