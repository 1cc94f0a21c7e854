"""Map layers are loaded once for a review; a third party's that fails is left out, with the reason."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
import sites

import geoqa
from geoqa import plugins
from geoqa.core.errors import RecipeError
from geoqa.core.params import param
from geoqa.core.steps import MapLayer
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews.output_steps import MapLayers


@dataclass(frozen=True, kw_only=True)
class Moss(MapLayer):
    """Fail when told to draw."""

    name = "moss"
    needs = ("points",)

    width_m: float = param(1.0, unit="m", above=0, help="Width")

    def draw(self, frames, job):
        """Fail."""
        raise ZeroDivisionError("no moss here")


@pytest.fixture
def found(monkeypatch):
    """Return what is installed, and Moss as if a third party had brought it."""
    made = plugins.catalogue()
    loads = []

    def load_all(self, group, whole=plugins.Catalogue.load_all):
        loads.append(group)
        return whole(self, group) | ({"moss": Moss} if group == "geoqa.layers" else {})

    monkeypatch.setattr(plugins.Catalogue, "load_all", load_all)
    monkeypatch.setattr(plugins.Catalogue, "is_third_party", lambda self, name: name == "moss")
    monkeypatch.setattr(plugins, "catalogue", lambda: made)
    return made, loads


def job(**steps):
    import tomllib

    return job_from_table(tomllib.loads(sites.RECIPE) | {"step": steps})


def test_a_review_loads_the_layers_once_and_draws_those(tmp_path, found):
    _, loads = found
    data, recipe = sites.write(tmp_path)
    review = geoqa.review(data, recipe)
    recorded = [step["step"] for step in review.record["steps"]]
    review.write(tmp_path / "out")
    assert loads.count("geoqa.layers") == 1
    assert "moss" in recorded
    page = (tmp_path / "out/map.html").read_text(encoding="utf-8")
    assert r"the map layer \u0027moss\u0027 is left out: ZeroDivisionError: no moss here" in page


def test_what_fails_to_draw_is_named_and_the_others_drawn(small_review, found):
    made, _ = found
    review = small_review
    drawings, notes = MapLayers.of(made, review.job).draw(review.frames, review.job)
    assert notes == ["the map layer 'moss' is left out: ZeroDivisionError: no moss here"]
    assert len(drawings) > 2


def test_parameters_that_do_not_fit_are_told_when_drawn_and_refused_where_the_recipe_sets_them(found):
    made, _ = found
    stated = job(moss={"width_m": -1.0})
    layers = MapLayers.of(made, stated)
    assert list(layers.failed) == ["moss"]
    assert "moss" not in [layer.name for layer in layers.usable]
    with pytest.raises(RecipeError, match="width_m"):
        layers.refuse_stated(stated)
    layers.refuse_stated(job())
    assert layers.draw({}, stated)[1][0].startswith("the map layer 'moss' is left out: The parameters")
