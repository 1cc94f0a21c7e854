"""Plots of another distribution: drawn beside geoqa's own, left out with the reason where they fail."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pytest

from geoqa import plugins
from geoqa.core.errors import CallError, StepError
from geoqa.core.params import param
from geoqa.core.steps import Figure, Plot
from geoqa.reviews.output_steps import Plots
from geoqa.testing import check_step, sample_rows

SVG = '<svg xmlns="http://www.w3.org/2000/svg"><g/></svg>'


def figure(name="moss", svg=SVG):
    return Figure(name, "Moss", svg, "Moss grows.", "Green.")


@dataclass(frozen=True, kw_only=True)
class Moss(Plot):
    """Draw which side the moss grows on."""

    name = "moss-plot"
    needs = ("points",)

    answer: str = param("good", help="What to return")

    def draw(self, frames, job):
        return {
            "good": lambda: (figure(),), "none": lambda: (), "text": lambda: "<svg/>", "raise": lambda: 1 / 0,
            "call": refuse, "twice": lambda: (figure(), figure("Moss")),
            "hostile": lambda: (figure(svg="<svg><script/></svg>"),),
        }[self.answer]()  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Lichen(Moss):
    """Draw under the name of a figure that is taken."""

    name = "lichen-plot"


def refuse():
    raise CallError("no such point")


FRAMES = {"points": pd.DataFrame({"point": ["A"]})}


@pytest.mark.parametrize(
    ("answer", "words"),
    [("none", "nothing to show"), ("text", "tuple of geoqa.Figure"), ("raise", "ZeroDivisionError"),
     ("twice", "is taken"), ("hostile", "element 'script'")],
)  # fmt: skip
def test_a_third_party_plot_that_fails_is_left_out_with_the_reason(answer, words):
    plots = Plots((Moss(answer=answer),), frozenset({"moss-plot"}))
    drawn, notes = plots.draw(FRAMES, sample_rows.job())
    assert drawn == [] and len(notes) == 1
    assert "'moss-plot' is left out" in notes[0] and words in notes[0]


def test_geoqas_own_is_left_out_too_and_told_unless_its_user_is_to_mend_it():
    failed = {}
    drawn, notes = Plots((Moss(answer="raise"), Lichen())).draw(FRAMES, sample_rows.job(), failed=failed)
    assert [one.name for one in drawn] == ["moss"]
    assert failed == {"moss-plot": "ZeroDivisionError: division by zero"}
    assert "'moss-plot' is left out" in notes[0]
    with pytest.raises(CallError):
        Plots((Moss(answer="call"),)).draw(FRAMES, sample_rows.job())


def test_a_name_that_is_taken_and_frames_that_are_missing():
    plots = Plots((Moss(), Lichen()), frozenset({"lichen-plot"}))
    drawn, notes = plots.draw(FRAMES, sample_rows.job())
    assert [one.name for one in drawn] == ["moss"]
    assert notes == ["the plot 'lichen-plot' is left out: the name 'moss' of a figure is taken."]
    assert plots.draw({}, sample_rows.job())[1][0] == "the plot 'moss-plot' is left out: the review has no points"


def test_parameters_come_from_the_recipe_and_from_the_call():
    job = sample_rows.job()
    plots = Plots.of(plugins.catalogue(), job, {"series-plot": {"most": 3}})
    made = {plot.name: plot for plot in plots.usable}
    assert (made["series-plot"].most, made["positions-plot"].most) == (3, 12)


def test_check_step_tries_plots():
    check_step(Moss)
    for answer, words in (("text", "tuple of geoqa.Figure"), ("raise", "ZeroDivisionError"), ("twice", "one name")):
        with pytest.raises(StepError, match=words):
            check_step(Moss(answer=answer))
