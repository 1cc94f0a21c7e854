"""What canopy costs: each point once, nothing forced, nothing said that was not shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import STEPS, job, occupations, run
from scipy import stats

from geoqa.analysis.canopy import CanopyCosts
from geoqa.core.frames.canopy import BEYOND, CLASS, CLOSURE_H, KRUSKAL, LATE, LOGISTIC


def site(rng, classes, visits=2, gross=None):
    """Return rows of points under classes of (name, how many, sigma), with a share of gross errors by name."""
    rows = []
    for name, many, sigma in classes:
        for k in range(many):
            at = np.array([30.0 * len(rows), 0, 0])
            for v in range(visits):
                off = rng.normal(size=3) * [sigma, sigma, 2 * sigma]
                off[:2] += 0.4 * (rng.random() < (gross or {}).get(name, 0) and v == 1)
                e, n, u = at + np.round(off, 3)
                rows.append({"p": f"{name}-{k}", "e": e, "n": n, "u": u, "t": 400.0 * v, "s": sigma, "sv": 2 * sigma,
                             "canopy": name})  # fmt: skip
    return rows


def costs(rows, more=None, settings=None, **stated):
    made = job(**stated)
    kept, messages = run(occupations(rows), made, (*STEPS, CanopyCosts), settings, more)
    return kept, [text for text in messages if "canopy" in text or "closures" in text or "share of points" in text]


def of(kept, name):
    table = kept["canopy_costs"]
    return table[(table["by"] == CLASS) & (table["value"] == name)].iloc[0]


@pytest.fixture(scope="module")
def three():
    rng = np.random.default_rng(11)
    return costs(site(rng, [("open", 60, 0.006), ("light", 50, 0.006), ("pine", 40, 0.02)]))


def test_closures_are_medians_over_points_and_their_ratio_is_found(three):
    kept, _ = three
    closures, points = kept["closures"], kept["points"]
    pine = closures[closures["canopy"] == "pine"]["horizontal_m"]
    assert of(kept, "pine")["closure_h_m"] == pytest.approx(pine.median())
    assert of(kept, "pine")["compared"] == 40
    # Planted: 0.020 over 0.006.
    assert of(kept, "pine")["ratio_h_low"] < 0.020 / 0.006 < of(kept, "pine")["ratio_h_high"]
    assert of(kept, "pine")["reference"] == "open"
    assert of(kept, "open")["reference"] is None or pd.isna(of(kept, "open")["reference"])
    share = (points.loc[points["canopy"] == "pine", "status"].isin(["loose", "conflict"])).mean()
    assert of(kept, "pine")["beyond"] == pytest.approx(share)


def test_the_test_over_classes_is_scipys_on_one_value_a_point(three):
    kept, _ = three
    groups = [g["horizontal_m"].to_numpy() for _, g in kept["closures"].groupby("canopy", observed=True)]
    tests = kept["canopy_tests"]
    row = tests[(tests["cost"] == CLOSURE_H) & (tests["by"] == CLASS)].iloc[0]
    expected = stats.kruskal(*groups)
    assert (row["test"], row["n"], row["groups"]) == (KRUSKAL, 150, 3)
    assert (row["statistic"], row["p"]) == pytest.approx(tuple(expected))


def test_the_sentence_says_how_much_with_bounds_and_counts(three):
    kept, said = three
    row = of(kept, "pine")
    figures = f"about {row['ratio_h']:.1f} times ({row['ratio_h_low']:.1f} to {row['ratio_h_high']:.1f})"
    assert said[0].startswith(
        f"closures are {figures} as large under pine as in the open (n 40 and 60 points, p < 0.001)"
    )
    assert "closures under light cover (n 50, p = " in said[1]
    assert "not shown to differ from those in the open (n 60)" in said[1]
    assert said[-1].startswith("canopy is compared as it was met")


def test_a_point_counts_once_however_often_it_was_visited():
    rng = np.random.default_rng(2)
    rows = site(rng, [("open", 20, 0.006), ("pine", 20, 0.012)])
    # One pine point visited six times more, always far off.
    more = [rows[-1] | {"e": rows[-1]["e"] + 0.04 * (-1) ** k, "t": 3000.0 + 400 * k} for k in range(6)]
    once, _ = costs(rows)
    many, _ = costs([*rows, *more])
    assert of(many, "pine")["compared"] == of(once, "pine")["compared"] == 20
    tests = many["canopy_tests"]
    assert tests.loc[tests["cost"] == CLOSURE_H, "n"].tolist() == [40]
    assert of(many, "pine")["closure_h_m"] <= of(once, "pine")["closure_h_m_high"]


def test_same_classes_are_rarely_said_to_differ():
    said = 0
    for seed in range(10):
        rng = np.random.default_rng(100 + seed)
        _, texts = costs(site(rng, [("open", 15, 0.01), ("light", 15, 0.01), ("pine", 15, 0.01)]))
        said += any(text.startswith("closures are") for text in texts)
    assert said <= 3  # 5 % over all pairs with the same one: P(more than 3 of 10) is 0.1 %


def with_measures(rows, measure, settings=None, **stated):
    """Run the step on points that have `measure(point)` of a raster."""
    kept, _ = run(occupations(rows), job(**stated), STEPS)
    points = kept["points"]
    values = {name: np.array([f(p) for p in points["point"]], float) for name, f in measure.items()}
    frames = {name: kept[name] for name in ("occupations", "closures", "classes")} | {"points": points.assign(**values)}
    return CanopyCosts(**(settings or {})).run(frames, job(**stated))


def number(point):
    return int(point.rpartition("-")[2])


def test_the_share_beyond_tolerance_follows_the_measure_up_and_down():
    # Bad in the middle of the heights alone: 10 to 20 of 30 m.
    rng = np.random.default_rng(3)
    rows = []
    for k in range(240):
        high = k % 30
        rows += site(rng, [(f"c-{k}", 1, 0.006)], gross={f"c-{k}": 0.45 if 10 <= high < 20 else 0.02})
    for row in rows:
        row["canopy"] = "pine"
        row["p"] = row["p"].removesuffix("-0")
    found = with_measures(rows, {"canopy_mean_m": lambda p: number(p) % 30})
    curve = found.frames["canopy_curves"]
    assert set(curve["by"]) == {"canopy_mean_m"} and set(curve["cost"]) == {BEYOND}
    top = curve.loc[curve["share"].idxmax()]
    assert 10 < top["x"] < 20
    assert (curve["low"] <= curve["share"]).all() and (curve["share"] <= curve["high"]).all()
    assert curve["x"].between(0, 29).all()
    tests = found.frames["canopy_tests"].set_index(["cost", "by"])
    row = tests.loc[(BEYOND, "canopy_mean_m")]
    assert row["test"] == LOGISTIC and row["p"] < 0.001 and row["n"] == 240
    (said,) = [text for text in found.messages if "mean canopy height" in text]
    assert "most, " in said and "p < 0.001" in said
    quarters = found.frames["canopy_costs"].query("by == 'canopy_mean_m'")
    assert quarters["points"].sum() == 240
    assert quarters["beyond"].iloc[1:3].min() > quarters["beyond"].iloc[[0, 3]].max()
    assert (quarters["from_value"] <= quarters["to_value"]).all()


def test_where_a_measure_parts_the_points_no_curve_is_drawn_and_it_is_said():
    rng = np.random.default_rng(4)
    rows = site(rng, [("pine", 60, 0.005)])
    for row in rows:
        if number(row["p"]) >= 40 and row["t"] > 0:
            row["e"] += 0.5
    found = with_measures(rows, {"sky_view": lambda p: 0.01 * number(p)})
    assert found.frames["canopy_curves"].empty
    row = found.frames["canopy_tests"].set_index(["cost", "by"]).loc[(BEYOND, "sky_view")]
    assert row["note"] == "no curve: the measure parts the points without an exception"
    assert row["p"] < 0.001


def test_few_bad_points_make_no_curve():
    rows = site(np.random.default_rng(5), [("pine", 40, 0.005)])
    found = with_measures(rows, {"cover_fraction": lambda p: number(p) / 40, "canopy_mean_m": lambda p: np.nan})
    row = found.frames["canopy_tests"].set_index(["cost", "by"]).loc[(BEYOND, "cover_fraction")]
    assert row["note"] == "no curve: 0 of 40 points are so, 10 of either kind are needed"
    assert np.isnan(row["p"]) and np.isnan(row["p_adjusted"])
    assert "canopy_mean_m" not in set(found.frames["canopy_costs"]["by"])


def test_points_that_a_shift_explains_say_nothing_of_their_place():
    rows = site(np.random.default_rng(6), [("open", 20, 0.006), ("pine", 20, 0.012)])
    kept, _ = run(occupations(rows), job(), STEPS)
    points = kept["points"]
    frames = {name: kept[name] for name in ("occupations", "closures", "classes")}
    blamed = points.assign(explained=np.where(points["point"] == "pine-3", "base B2 height", None))
    whole = CanopyCosts().run(frames | {"points": points.assign(explained=None)}, job()).frames["canopy_costs"]
    less = CanopyCosts().run(frames | {"points": blamed}, job()).frames["canopy_costs"]
    assert whole.set_index("value").loc["pine", "points"] == 20
    assert less.set_index("value").loc["pine", "points"] == 19


def waits(names, seconds, reached, later=0.0):
    start = pd.Timestamp("2026-02-02", tz="UTC") + pd.to_timedelta(np.arange(len(names)) + later, unit="h")
    return pd.DataFrame(
        {"point": names, "start_utc": start, "hold_s": np.asarray(seconds, float), "hold_reached": reached}
    )


def test_late_fixes_are_those_of_the_first_attempt_at_each_point():
    rows = site(np.random.default_rng(7), [("open", 20, 0.006), ("pine", 20, 0.006)])
    kept, _ = run(occupations(rows), job(), STEPS)
    frames = {name: kept[name] for name in ("occupations", "closures", "classes", "points")}
    names = [f"{cover}-{k}" for cover in ("open", "pine") for k in range(20)]
    seconds = [10.0] * 20 + [200.0] * 15 + [20.0] * 5
    reached = np.array([True] * 20 + [True] * 10 + [False] * 5 + [False] * 5)  # the last five gave up too early to tell
    first, later = waits(names, seconds, reached), waits(names, [500.0] * 40, np.full(40, True), 1000.0)
    found = CanopyCosts().run(frames | {"convergence": pd.concat([later, first], ignore_index=True)}, job())
    table = found.frames["canopy_costs"].set_index("value")
    assert table.loc[["open", "pine"], "late"].tolist() == [0.0, 1.0]
    assert table.loc[["open", "pine"], "waited"].tolist() == [20, 15]
    tests = found.frames["canopy_tests"]
    assert tests.loc[tests["cost"] == LATE, ["n", "events"]].to_numpy().tolist() == [[35, 15]]
    assert any(
        "points whose first fix held only after 1 min: 0 %" in text and "100 %" in text for text in found.messages
    )
    patient = CanopyCosts(patience_s=300.0).run(frames | {"convergence": first}, job()).frames["canopy_costs"]
    assert patient.set_index("value").loc["pine", "late"] == 0.0


@pytest.mark.parametrize("kind", ["no label", "one point", "no pairs"])
def test_thin_sites_say_nothing_and_break_nothing(kind):
    rng = np.random.default_rng(8)
    rows = {
        "no label": [row | {"canopy": None} for row in site(rng, [("open", 5, 0.01)])],
        "one point": site(rng, [("open", 1, 0.01)]),
        "no pairs": site(rng, [("open", 4, 0.01), ("pine", 4, 0.01)], visits=1),
    }[kind]
    kept, said = costs(rows)
    assert said == []
    assert kept["canopy_curves"].empty
    assert len(kept["canopy_costs"]) == {"no label": 0, "one point": 1, "no pairs": 2}[kind]


def test_without_open_ground_the_class_that_closes_best_is_the_reference():
    rng = np.random.default_rng(9)
    rows = site(rng, [("light", 20, 0.006), ("pine", 20, 0.02)])
    kept, said = costs(rows)
    assert of(kept, "pine")["reference"] == "light"
    assert "as large under pine as under light cover" in said[0]


def test_the_recipes_words_for_open_ground_count():
    rng = np.random.default_rng(10)
    rows = site(rng, [("Gras", 20, 0.02), ("pine", 20, 0.006)])
    kept, _ = run(occupations(rows), job(), STEPS)
    made = job()
    made = replace(made, control=replace(made.control, open_cover=("gras",)))
    found = CanopyCosts().run({name: kept[name] for name in ("occupations", "closures", "classes", "points")}, made)
    table = found.frames["canopy_costs"].set_index("value")
    assert table.loc["pine", "reference"] == "Gras"
    assert table.loc["pine", "ratio_h_high"] < 1
