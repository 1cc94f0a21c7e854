"""How often a wrong fix comes back: the stated prior, and what is told where the points say otherwise."""

import pytest

from geoqa.analysis.points import _fix_sequences, _posterior
from geoqa.analysis.points.risk import Repeats
from geoqa.core.errors import ParameterError


@pytest.fixture
def step(monkeypatch):
    """Return a function that runs the step on points from which `found` is learnt."""

    def run(found, **settings):
        asked = []
        monkeypatch.setattr(
            _fix_sequences, "fix_sequences", lambda frames, job, fades_s: asked.append(fades_s) or "points"
        )
        monkeypatch.setattr(
            _posterior, "learn_repeat", lambda points, prior: asked.append((points, prior)) or (found, 1.7, 6.5)
        )
        result = Repeats(**settings).run({}, None)
        (row,) = result.frames["repeats"].to_dict("records")
        return row, result.messages, asked

    return run


def test_what_the_points_say_is_told_where_it_is_another_percentage(step):
    row, messages, asked = step(0.1751, repeat=0.18, fades_s=900.0)
    assert row == {"repeat": 0.1751, "repeat_prior": 0.18, "fades_s": 900.0, "came": 1.7, "could": 6.5}
    assert messages == ()
    assert asked == [900.0, ("points", 0.18)]
    assert step(0.1849, repeat=0.18)[1] == ()
    for found, said in ((0.1749, "17 %"), (0.186, "19 %"), (0.62, "62 %")):
        assert step(found, repeat=0.18)[1] == (
            f"a wrong fix is taken to come back at once with {said}; before this site's points were looked at: 18 %",
        )


def test_a_prior_that_nothing_may_correct(step):
    row, messages, asked = step(0.62, learn=False)
    assert row == {"repeat": 0.3, "repeat_prior": 0.3, "fades_s": 1800.0, "came": 0.0, "could": 0.0}
    assert (messages, asked) == ((), [])


@pytest.mark.parametrize("wrong", [{"repeat": -0.01}, {"repeat": 0.991}, {"fades_s": 0.0}, {"fades_s": 1.1e6}])
def test_what_is_no_probability_and_no_time_is_refused(wrong):
    Repeats(repeat=0.0, fades_s=1e6)
    with pytest.raises(ParameterError, match=next(iter(wrong))):
        Repeats(**wrong)
