"""Two thousand damaged files of every kind, the same each time; the guided hour is `python tests/bench/fuzz.py`."""

from __future__ import annotations

import fuzzing
import pytest
from corpus import Failure

COUNT, SEED = 2000, 20261130


@pytest.fixture(scope="module")
def targets(tmp_path_factory):
    return fuzzing.targets(tmp_path_factory.mktemp("fuzzed"))


def test_every_target_reads_its_sound_file(targets):
    answers = {target.name: target.judge(target.sound) for target in targets}
    assert [name for name, answer in answers.items() if answer != "read"] == []
    assert len(answers) == len(targets)


def test_damaged_files_are_read_or_refused(targets):
    counts, failures = {"read": 0, "refused": 0}, []
    for target, content in fuzzing.seeded(COUNT, SEED, targets):
        try:
            counts[target.judge(content)] += 1
        except Failure as failure:
            failures.append(f"{target.name}: {failure}\n  {content[:300]!r}")
    assert failures == []
    assert sum(counts.values()) == COUNT
    assert min(counts.values()) > COUNT // 5
