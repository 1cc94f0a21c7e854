"""Settings every test shares."""

import os
import shutil
from dataclasses import replace

import judged_once
import pytest
import sites
from hypothesis import settings
from judged_once import Judged

import geoqa
from geoqa import pipeline
from geoqa.reviews.review import Review

# The same examples on every run, and no deadline: a slow machine is no fault of the code.
settings.register_profile("geoqa", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("geoqa")

_WRITE_REPORT = Review.write_report


def _placeholder(self, folder, parts=()):
    """Stand in for the report, which takes longer than all other files of a small site together."""
    (folder / "report.html").write_text("not written in this test\n", encoding="utf-8")
    return [folder / "report.html"]


Review.write_report = _placeholder


@pytest.fixture(scope="module")
def real_reports():
    """Reports as users get them, for the tests of reports."""
    Review.write_report = _WRITE_REPORT
    yield
    Review.write_report = _placeholder


@pytest.fixture(scope="session", autouse=True)
def _judged(tmp_path_factory):
    """Keep what the steps make of the same frames; under xdist for all workers."""
    folder = tmp_path_factory.getbasetemp()
    patch, setattr_ = pytest.MonkeyPatch(), pytest.MonkeyPatch.setattr

    def seen(self, target, *more, **named):
        Judged.anew |= judged_once.bears_on_steps(target)
        setattr_(self, target, *more, **named)

    patch.setattr(
        pipeline, "run", Judged((folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder) / "judged")
    )
    patch.setattr(pytest.MonkeyPatch, "setattr", seen)
    yield
    patch.undo()


@pytest.fixture
def judged_anew():
    """Have the steps run for this test, whatever was made of the same frames before."""


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """Before any fixture of the test, those of its module too."""
    Judged.anew = "judged_anew" in item.fixturenames


@pytest.fixture(scope="session")
def _smallest(tmp_path_factory):
    """The smallest site with its review, and the folder that holds inputs and, in `out`, files: made once."""
    folder = tmp_path_factory.mktemp("smallest")
    review = geoqa.review(*sites.write(folder))
    review.write(folder / "out")
    return review, folder


@pytest.fixture
def small_review(_smallest):
    """The review of the smallest site, its frames to be changed at will."""
    review, _ = _smallest
    return replace(review, frames={name: frame.copy() for name, frame in review.frames.items()})


@pytest.fixture
def small_site(_smallest, tmp_path):
    """A folder with the smallest site's occupations.csv, site.toml and, in `out`, the files of its review."""
    return shutil.copytree(_smallest[1], tmp_path, dirs_exist_ok=True)
