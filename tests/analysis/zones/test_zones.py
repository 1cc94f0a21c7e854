"""Zones: found where they are, the same however a site is turned, and silent where there is nothing to say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import planted_zones
import pytest
from analysis import builders
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from geoqa.analysis.zones import _evidence, _search
from geoqa.analysis.zones.zones import Zones
from geoqa.core.frames.revisits import BEYOND, DIRECTION, ZONE_KINDS

STEPS = tuple(step for step in builders.STEPS if step.name not in ("repeats", "risk", "uncertainty", "delivery"))
ALL = (*STEPS, Zones)
RULES = _search.ZoneRules(
    neighbours=50, neighbours_direction=12, level=0.05, least_points=3, matters=0.5, buffer_m=None, draws=20_000
)


def search(evidence, **changes):
    return _search.search(evidence, replace(RULES, **changes))


def rows(n=144, bad=(), covers=None, off=(), setups=2, seed=1, apart=20.0, common=True):
    """Return two occupations of points on a rough grid, hours and a base apart; `bad` ones close by 0.4 m.

    These are all off the same way where they are `common`; the first occupations of those in `off` by 32 mm.
    """
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(n)))
    made = []
    for i in range(n):
        e, north = apart * (i % side) + rng.normal(0, 2), apart * (i // side) + rng.normal(0, 2)
        for visit in range(2):
            slip = 0.4 if visit and i in bad else 0.0
            azimuth = 0.5 * np.pi if common else i * 2.4
            bias = 0.032 if not visit and i in off else 0.0
            made.append(
                {
                    "p": f"P{i:03d}", "t": visit * 1440 + i * 2, "dur": 60, "s": 0.008, "sv": 0.012,
                    "e": e + 0.008 * rng.normal() + slip * np.sin(azimuth) + bias,
                    "n": north + 0.008 * rng.normal() + slip * np.cos(azimuth),
                    "u": 0.012 * rng.normal(), "base": f"B{1 + visit % setups}",
                    "canopy": "open" if covers is None else covers[i],
                }
            )  # fmt: skip
    return made


def block(low, high, side=12):
    """Return the numbers of the points of a square of the grid."""
    return [i for i in range(side**2) if low <= i % side <= high and low <= i // side <= high]


def zones_of(made, **stated):
    kept, messages = builders.run(builders.occupations(made), builders.job(**stated), ALL)
    points = kept["points"].set_index("point")
    return kept["zones"], points, [text for text in messages if "zone" in text]


@pytest.fixture(scope="module")
def planted():
    return zones_of(rows(bad=block(3, 6)))


def test_a_planted_zone_is_found_drawn_and_told(planted):
    zones, points, said = planted
    assert zones["zone"].tolist() == ["zone-1"]
    row = zones.iloc[0]
    assert row["rests_on_beyond"]
    inside = points.index[points["zone"] == "zone-1"]
    assert row["points"] == len(inside)
    assert set(inside) == {f"P{i:03d}" for i in block(3, 6)}
    assert (row["judged"], row["beyond"], row["share"]) == (16, 16, 1.0)
    assert row["share_site"] == pytest.approx(16 / 144)
    assert row["share_low"] == pytest.approx(stats.beta.ppf(0.025, 16.5, 0.5))  # Jeffreys' bound of 16 in 16
    assert row["median_closure_m"] == pytest.approx(0.4, abs=0.02)
    assert row["median_site_m"] < 0.03
    assert row["p"] < 0.001
    assert said == [f"zone-1: {row['message']}"]
    assert "16 of 16 judged points beyond tolerance (100 %; of the whole site 16 of 144 (11 %))" in row["message"]
    assert "all in the open" in row["message"]


def test_its_signed_bias_is_told_with_what_it_is_of(planted):
    row = planted[0].iloc[0]
    assert row["bias_of"] == "B1, minus the other set-ups"
    assert row["bias_e_m"] == pytest.approx(-0.4, abs=0.02)
    assert row["bias_p"] < 0.001
    assert row["bias_points"] == 16


def test_its_outline_is_in_the_system_of_the_job(planted):
    zones, _, _ = planted
    assert zones.crs.to_epsg() == 2193
    assert zones.geometry.iloc[0].geom_type == "Polygon"
    assert zones.geometry.iloc[0].bounds == pytest.approx((1_600_050, 5_400_050, 1_600_130, 5_400_130), abs=12)


def test_chance_makes_no_zone():
    bad = np.random.default_rng(5).choice(144, 16, replace=False).tolist()
    zones, points, said = zones_of(rows(bad=bad))
    assert zones.empty
    assert points["zone"].isna().all()
    assert said == ["no zone: what is beyond tolerance lies among the 144 judged points as chance may have it"]


def test_a_bad_site_is_no_zone_and_is_told():
    zones, _, said = zones_of(rows(bad=range(144), common=False))
    assert zones.empty
    assert said[0].startswith("100 % of all judged points are beyond tolerance: the whole site is bad")


def test_a_good_site_has_no_zone():
    zones, _, said = zones_of(rows())
    assert zones.empty
    assert said == ["no zone: what is beyond tolerance lies among the 144 judged points as chance may have it"]


def test_too_few_points_are_told():
    zones, _, said = zones_of(rows(n=20, bad=range(0, 20, 4)))
    assert zones.empty
    assert said == ["zones are not looked for: 20 judged points with a place, at least 30 are needed"]


def test_points_nobody_observed_again_have_no_say_and_may_lie_inside():
    once = {"P053", "P052", "P000"}
    made = [row for row in rows(bad=block(3, 6)) if not (row["p"] in once and row["t"] >= 1440)]
    zones, points, _ = zones_of(made)
    row = zones.iloc[0]
    assert points.loc["P052", "status"] == "unproven"
    assert points.loc["P052", "zone"] == "zone-1"
    assert (row["points"], row["judged"], row["beyond"]) == (16, 14, 14)


def test_the_quiet_failure_is_seen_from_another_base():
    off = block(3, 7)
    zones, points, _ = zones_of(rows(off=off))
    assert points["status"].isin(["confirmed", "strained"]).mean() > 0.95
    row = zones.iloc[0]
    assert row["rests_on_direction"]
    assert abs(row["bias_e_m"]) == pytest.approx(0.032, abs=0.005)
    assert row["bias_n_m"] == pytest.approx(0, abs=0.005)
    assert "off in a common direction" in row["message"] and "minus the other set-ups" in row["message"]
    inside = {int(name[1:]) for name in points.index[points["zone"] == row["zone"]]}
    assert len(inside & set(off)) >= 0.7 * len(off)
    assert len(inside - set(off)) <= 0.3 * len(inside)


def test_one_base_shows_no_common_direction():
    zones, _, _ = zones_of([row | {"base": "B1", "t": row["t"] % 1440 * 0.2} for row in rows(off=block(3, 7))])
    assert not zones["rests_on_direction"].any()


def test_a_common_direction_too_small_to_matter_is_no_zone():
    assert zones_of(rows(off=block(3, 7)), h=0.20, v=0.30)[0].empty


def test_the_control_shows_the_quiet_failure_too():
    off = set(block(2, 8))
    made = [row | {"base": "B1", "e": row["e"]} for row in rows() if row["t"] < 1440]
    known = [row | {"t": None, "fix": None, "origin": "control", "base": None} for row in made]
    made = [row | {"e": row["e"] + (0.04 if int(row["p"][1:]) in off else 0.0)} for row in made]
    noise = np.random.default_rng(6).normal(0, 0.006, (len(known), 2))
    known = [row | {"e": row["e"] + a, "n": row["n"] + b} for row, (a, b) in zip(known, noise, strict=True)]
    zones, _, _ = zones_of(made + known)
    assert zones["kind"].tolist() == [ZONE_KINDS[DIRECTION]]
    assert (zones["judged"] == 0).all() and zones["share"].isna().all()
    assert "none of them judged" in zones["message"].iloc[0]
    assert "the known coordinates" in zones["bias_of"].iloc[0] or zones["bias_of"].iloc[0].startswith("B1")


def test_a_bad_class_is_a_zone_that_its_cover_may_explain():
    covers = ["dense conifer" if i % 12 >= 6 else "open" for i in range(144)]
    under = [i for i in range(144) if covers[i] == "dense conifer"]
    bad = np.random.default_rng(7).choice(under, 30, replace=False).tolist()
    zones, _, _ = zones_of(rows(bad=bad, covers=covers))
    assert zones["canopy"].tolist() == ["dense conifer"] * len(zones)
    assert (zones["canopy_p"] > 0.05).all()
    assert zones["message"].str.contains("under dense conifer").all()
    assert zones["message"].str.contains("which may explain it").all()


def test_a_zone_within_a_class_is_more_than_its_cover():
    covers = ["dense conifer" if i % 12 >= 6 else "open" for i in range(144)]
    zones, _, _ = zones_of(rows(bad=block(7, 10), covers=covers))
    assert (zones["canopy_p"] < 0.05).all()
    assert zones["message"].str.contains("more than cover alone explains").all()


@pytest.mark.parametrize("crs", ["EPSG:2193", "EPSG:2230", "local"])
def test_a_zone_is_metres_in_its_columns_and_the_systems_unit_in_its_outline(crs):
    made = rows(bad=block(3, 6))
    frame = builders.occupations(made, corner=(2_000_000.0, 600_000.0, 100.0))
    kept, _ = builders.run(frame, builders.job(crs=crs), ALL)
    zones = kept["zones"]
    per = 1200 / 3937 if crs == "EPSG:2230" else 1.0
    assert zones["points"].tolist() == [16]
    assert zones["median_closure_m"].iloc[0] == pytest.approx(0.4, abs=0.02)
    assert zones.geometry.iloc[0].area * per**2 == pytest.approx(80 * 80, rel=0.2)
    assert zones.geometry.iloc[0].centroid.x * per == pytest.approx(2_000_090, abs=5)


def test_degrees_work_as_well():
    frame = builders.occupations(rows(bad=block(3, 6)))
    lon, lat = 175.0 + (frame["easting_m"] - 1_600_000) / 82_000, -41.0 + (frame["northing_m"] - 5_400_000) / 111_000
    frame = frame.assign(lon_deg=lon, lat_deg=lat, resolution_h_m=0.001).drop(columns=["easting_m", "northing_m"])
    kept, _ = builders.run(frame, builders.job(crs="EPSG:4167"), ALL)
    zones = kept["zones"]
    assert zones["points"].tolist() == [16]
    assert zones.geometry.iloc[0].centroid.x == pytest.approx(175.0 + 90 / 82_000, abs=1e-4)
    assert zones.geometry.iloc[0].centroid.y == pytest.approx(-41.0 + 90 / 111_000, abs=1e-4)


def test_without_heights_times_or_bases_zones_are_found_all_the_same():
    made = [row | {"u": None, "sv": None, "t": None, "dur": None, "base": None} for row in rows(bad=block(3, 6))]
    zones, points, _ = zones_of(made, judge="h")
    inside = {int(name[1:]) for name in points.index[points["zone"].notna()]}
    assert len(zones) == 1 and len(inside ^ set(block(3, 6))) <= 2
    assert zones["bias_of"].tolist() == ["closures, later minus earlier"]
    assert zones["bias_u_m"].isna().all()


def test_points_along_one_line_have_a_zone():
    made = [row | {"e": 15.0 * int(row["p"][1:]) + row["e"] % 0.02, "n": row["n"] % 0.02} for row in rows(n=150)]
    bad = {f"P{i:03d}" for i in range(60, 75)}
    made = [row | {"n": 0.4 + row["n"]} if row["p"] in bad and row["t"] >= 1440 else row for row in made]
    zones, points, _ = zones_of(made)
    assert len(zones) == 1
    assert set(points.index[points["zone"].notna()]) == bad
    assert zones.geometry.iloc[0].is_valid and zones.geometry.iloc[0].geom_type == "Polygon"


def test_a_point_whose_disagreement_a_shift_explains_has_no_say():
    made = rows(bad=block(3, 6))
    kept, _ = builders.run(builders.occupations(made), builders.job(), STEPS)
    frames = {name: kept[name] for name in kept.names()}
    hit = frames["points"]["status"].eq("conflict")
    frames["points"] = frames["points"].assign(explained=pd.Categorical(np.where(hit, "B1 translation", None)))
    result = Zones().run(frames, builders.job())
    assert not result.frames["zones"]["rests_on_beyond"].any()
    assert any(
        "16 points explained by a shift were left out of the search for zones" in text for text in result.messages
    )


def test_zones_are_worst_first_and_named_so():
    site = planted_zones.site(5, planted=60, inside=0.6).evidence
    other = np.argsort(np.hypot(*(site.place - site.place[site.place.sum(axis=1).argmax()]).T))[:25]
    beyond = site.beyond.copy()
    beyond[other] = True
    found = search(replace(site, beyond=beyond))
    assert len(found.outlines) >= 2
    from geoqa.analysis.zones import _table

    table, of_point = _table.of_found(replace(site, beyond=beyond), found, 0.05, builders.job())
    assert table["zone"].tolist() == [f"zone-{i}" for i in range(1, len(table) + 1)]
    excess = table["beyond"] - table["judged"] * table["share_site"]
    assert excess.is_monotonic_decreasing
    for name, count in table[["zone", "points"]].itertuples(index=False):
        assert (of_point == name).sum() == count


def test_a_kind_lists_everything_it_rests_on(planted):
    assert set(planted[0].iloc[0]["kind"].split(" and ")) <= set(ZONE_KINDS.values())
    assert planted[0].iloc[0]["kind"] == " and ".join(ZONE_KINDS.values())


def outcome(found):
    """Return what a search found of each point."""
    return np.column_stack([found.inside >= 0, *(hot for hot in found.hot.values())])


@settings(max_examples=6)
@given(st.integers(0, 10_000), st.floats(0, 360), st.floats(-1e6, 1e6))
def test_neither_turning_nor_moving_a_site_changes_its_zones(seed, azimuth, away):
    site = planted_zones.site(seed, points=400, planted=40, inside=0.6).evidence
    turn = np.radians(azimuth)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ours, theirs = search(site), search(replace(site, place=site.place @ matrix + away))
    assert (outcome(ours)[:, 1:] == outcome(theirs)[:, 1:]).all()
    # The seam is a polygon itself: a point may lie between two of its corners.
    assert (outcome(ours)[:, 0] != outcome(theirs)[:, 0]).sum() <= 1
    assert len(ours.outlines) == len(theirs.outlines)


@settings(max_examples=6)
@given(st.integers(0, 10_000))
def test_the_same_site_gives_the_same_zones(seed):
    site = planted_zones.site(seed, points=400, planted=40, inside=0.6).evidence
    ours, again = search(site), search(site)
    assert (outcome(ours) == outcome(again)).all()
    assert [one.wkb for one in ours.outlines] == [one.wkb for one in again.outlines]


def test_the_order_of_the_rows_changes_nothing():
    kept, _ = builders.run(builders.occupations(rows(bad=block(3, 6))), builders.job(), STEPS)
    frames = {name: kept[name] for name in kept.names()}
    mixed = frames | {
        name: frames[name].sample(frac=1, random_state=3).reset_index(drop=True)
        for name in ("points", "closures", "occupations")
    }
    first, second = (Zones().run(one, builders.job()).frames for one in (frames, mixed))
    pd.testing.assert_frame_equal(first["zones"].drop(columns="geometry"), second["zones"].drop(columns="geometry"))
    assert first["zones"].geometry.geom_equals(second["zones"].geometry).all()
    ours, theirs = (one["points"].set_index("point")["zone"].astype("str").sort_index() for one in (first, second))
    pd.testing.assert_series_equal(ours, theirs)


@pytest.mark.parametrize("layout", planted_zones.LAYOUTS)
def test_a_planted_patch_is_found_on_simulated_sites(layout):
    true = 0
    for seed in range(4):
        made = planted_zones.site(seed, points=800, planted=60, inside=0.5, layout=layout)
        found = search(made.evidence)
        inside = found.inside >= 0
        true += inside.any() and made.patch[inside].mean() >= 0.7
    assert true >= 3


def test_shuffled_sites_show_nothing():
    shown = 0
    for seed in range(20):
        made = planted_zones.site(seed, points=400, planted=40, inside=0.5, by_cover=True)
        shown += len(search(planted_zones.shuffled(made.evidence, seed)).outlines) > 0
    assert shown <= 3  # of a share of at most 5 %, 4 or more in 20 come with a probability of 1.6 %


@pytest.mark.parametrize("spot", ["all", "half"])
def test_many_points_at_one_place_are_no_fault(spot):
    site = planted_zones.site(3, points=200, planted=30, inside=0.8).evidence
    place = site.place.copy()
    place[: 200 if spot == "all" else 100] = 500.0
    found = search(replace(site, place=place))
    assert all(one.is_valid for one in found.outlines)


def test_points_without_a_place_take_no_part():
    site = planted_zones.site(3, points=300, planted=30, inside=0.8).evidence
    place = site.place.copy()
    place[:20] = np.nan
    has_say = site.has_say & (np.arange(300) >= 20)
    found = search(replace(site, place=place, has_say=has_say))
    assert (found.inside[:20] == -1).all()
    assert not np.logical_or.reduce(list(found.hot.values()))[:20].any()


def test_a_point_far_away_is_no_fault():
    site = planted_zones.site(3, points=300, planted=30, inside=0.8).evidence
    place = site.place.copy()
    place[7] = 1e9
    near, far = search(site), search(replace(site, place=place))
    others = np.arange(300) != 7
    assert ((near.inside >= 0) == (far.inside >= 0))[others].mean() > 0.95


def test_the_level_is_split_over_what_is_tested():
    made = planted_zones.site(2, points=300, planted=30, inside=0.8)
    alone = search(made.evidence)
    n = 300
    noise = np.random.default_rng(1).normal(0, 0.01, (2 * n, 3))
    corner = np.argsort(np.hypot(*(made.evidence.place - made.evidence.place.min(axis=0)).T))[:40]
    noise[corner] += [0.05, 0.02, 0.0]  # there the first base is off
    offsets = _evidence.between(np.tile(np.arange(n), 2), np.repeat([0, 1], n), noise)
    three = search(replace(made.evidence, offsets=offsets, setups=["B1", "B2"]))
    assert alone.compared[DIRECTION] == 0 and three.compared[DIRECTION] == 12
    small = alone.p[BEYOND] < 0.1
    np.testing.assert_allclose(three.p[BEYOND][small], 1.5 * alone.p[BEYOND][small])
    assert np.median(three.p[DIRECTION][corner]) < 0.05 < np.nanmax(three.p[DIRECTION])
