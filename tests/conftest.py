"""Settings every test shares."""

import pytest
from hypothesis import settings

from geoqa.reviews.review import Review

# The same examples on every run, and no deadline: a slow machine is no fault of the code.
settings.register_profile("geoqa", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("geoqa")

_WRITE_REPORT = Review.write_report


def _placeholder(self, folder):
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
