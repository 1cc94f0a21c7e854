"""Files that may not be read, folders that may not be entered or written: refused in words, with exit code 2."""

from __future__ import annotations

import fewrights
import pytest
import sites

from geoqa.reviews.review import FILES

pytestmark = pytest.mark.skipif(bool(fewrights.WHY_NOT), reason=fewrights.WHY_NOT or "runs here")
NAMES = (
    "an input that may not be read",
    "an input in a folder that may not be entered",
    "a recipe that may not be read",
    "a recipe in a folder that may not be entered",
    "a lookup that may not be read",
    "decisions that may not be read",
    "a proposal for a file that may not be read",
    "a proposal for a file in a locked folder",
    "an output in a folder that may not be written",
    "an old output that may not be replaced",
    "an output in a folder that may not be entered",
    "an output that is a folder that may not be entered",
)


@pytest.fixture(scope="module")
def calls(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rights")
    yield fewrights.refusals(folder)
    fewrights.unlock(folder)


def test_every_call_is_named(calls):
    assert tuple(calls) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_what_may_not_be_is_refused(calls, name):
    done = fewrights.run(calls[name])
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    said = done.stderr.strip().splitlines()[-1]
    assert "ermission denied" in said
    path = next(str(word) for word in calls[name] if "locked" in str(word) or "read only" in str(word)) if (
        "lookup" not in name and "decisions" not in name
    ) else "locked.csv"  # fmt: skip
    assert path in said
    assert said.endswith(".")


def test_what_may_be_is_done(tmp_path):
    """In open folders the same call is fine: the refusals above come from the permissions alone."""
    data, recipe = sites.write(tmp_path)
    done = fewrights.run(["review", data, "-r", recipe, "-o", tmp_path / "out"])
    assert done.returncode == 1, done.stderr
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names | {"report.pdf"} == set(FILES)
