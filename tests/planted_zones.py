"""Simulated sites with a planted zone: neighbouring points that fail more often than the rest. Simulation choices.

`site` deals status and closures to points directly, so that hundreds of sites take minutes; `occupations` does it
to the occupations of `simulate`, for the whole chain of steps. Every number but those of the issue is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import simulate

from geoqa.analysis.zones._evidence import ZoneEvidence, between

LAYOUTS = ("scattered", "grid", "lines")
TOLERANCE_M = 0.05
#: Canopy classes: share of the site, spread of a closure per axis, and how often a point fails beside the others.
COVERS = {"open": (0.35, 0.010, 0.3), "light": (0.30, 0.016, 0.6), "dense conifer": (0.35, 0.030, 2.0)}


@dataclass(frozen=True)
class Planted:
    """The evidence of a site and which of its points were planted to fail more often, shape (n,)."""

    evidence: ZoneEvidence
    patch: np.ndarray


def site(
    seed: int, points: int = 1500, planted: int = 60, inside: float = 0.30, outside: float = 0.03,
    layout: str = "scattered", by_cover: bool = False,
) -> Planted:  # fmt: skip
    """Return a site whose `planted` neighbouring points fail at the rate `inside`, the others at `outside`.

    Parameters
    ----------
    by_cover
        Cover lies in bands across the site and decides how often the others fail and how large closures are.
    """
    rng = np.random.default_rng([seed, 8])
    place = places(rng, points, layout)
    patch = np.zeros(points, bool)
    patch[np.argsort(np.hypot(*(place - place[rng.integers(points)]).T))[:planted]] = True
    shares, sigma, factor = np.array(list(COVERS.values())).T
    across = np.argsort(np.argsort(place @ np.array([0.8, 0.6]))) / points
    cover = np.searchsorted(np.cumsum(shares)[:-1], across if by_cover else rng.random(points))
    rate = np.where(patch, inside, outside * (factor[cover] if by_cover else 1.0))
    bad = rng.random(points) < rate
    length = np.minimum(np.hypot(*rng.normal(size=(2, points))) * sigma[cover], TOLERANCE_M)
    gross = np.clip(0.25 * np.exp(0.9 * rng.normal(size=points)), TOLERANCE_M, 5.0)
    evidence = given(place, rng.random(points) < 0.94, bad, np.where(bad, gross, length), cover, list(COVERS))
    return Planted(evidence, patch)


def given(place, has_say, beyond, length_m, cover=None, covers=(), offsets=None, setups=()) -> ZoneEvidence:
    """Return the evidence of points that are called by their numbers."""
    n = len(place)
    empty = np.zeros(0, np.int64)
    return ZoneEvidence(
        row=np.arange(n), place=np.asarray(place, float), has_say=np.asarray(has_say, bool),
        beyond=np.asarray(beyond, bool), size=np.asarray(length_m, float),
        ratio=np.asarray(length_m, float) / TOLERANCE_M, alike=np.ones(n, np.int64),
        closure_m=np.asarray(length_m, float), canopy=np.zeros(n, np.int64) if cover is None else cover,
        canopies=list(covers), tolerance_m=np.tile([TOLERANCE_M, 0.08], (n, 1)),
        offsets=between(empty, empty, np.zeros((0, 3))) if offsets is None else offsets, setups=list(setups),
        signed=np.full((n, 3), np.nan), explained=0,
    )  # fmt: skip


def shuffled(evidence: ZoneEvidence, seed: int) -> ZoneEvidence:
    """Return the same site with what was found of the points dealt over their places anew."""
    at = np.random.default_rng([seed, 9]).permutation(len(evidence.row))
    names = ("has_say", "beyond", "size", "ratio", "alike", "closure_m", "canopy", "signed")
    return replace(evidence, **{name: getattr(evidence, name)[at] for name in names})


def places(rng: np.random.Generator, n: int, layout: str) -> np.ndarray:
    """Return places of points, metres, shape (n, 2): anywhere, on a rough grid, or along lines of 50."""
    if layout == "scattered":
        return rng.uniform(0, 1, (n, 2)) * [1500, 1200]
    if layout == "grid":
        side = int(np.ceil(np.sqrt(n)))
        return np.column_stack([np.arange(n) % side, np.arange(n) // side]) * 35.0 + rng.normal(0, 4, (n, 2))
    count = -(-n // 50)
    begin, azimuth = rng.uniform(0, 1500, (count, 2)), rng.uniform(0, 2 * np.pi, count)
    line, along = np.arange(n) % count, np.arange(n) // count * 20.0
    return begin[line] + along[:, None] * np.column_stack([np.sin(azimuth), np.cos(azimuth)])[line]


def failing(seed: int, planted: int = 60, rate: float = 0.30, points: int = 1500) -> tuple[pd.DataFrame, np.ndarray]:
    """Return occupations with a patch of `planted` points, and the names of these.

    A share `rate` of the patch's points with several occupations has one false fix more, 0.15 m or farther off;
    the others' are an eighth as frequent as the generator's.
    """
    made, rng = _plain(seed, points, 1 / 8), np.random.default_rng([seed, 10])
    first, patch = _patch(made, rng, planted)
    fails = patch[rng.random(len(patch)) < rate]
    hit = np.flatnonzero(~first & made["point"].isin(fails).to_numpy())
    hit = hit[~made["point"].iloc[hit].duplicated().to_numpy()]
    length, azimuth = 0.15 + rng.exponential(0.2, len(hit)), rng.uniform(0, 2 * np.pi, len(hit))
    return _moved(made, hit, length * np.sin(azimuth), length * np.cos(azimuth)), patch


def quiet(
    seed: int, planted: int = 60, off_m: float = 0.035, points: int = 1500
) -> tuple[pd.DataFrame, np.ndarray, str]:
    """Return occupations of which the first ones in a patch are all off the same way; its names; their base set-up.

    A crew has done the patch in the site's first half-day.
    """
    made, rng = _plain(seed, points, 1 / 8), np.random.default_rng([seed, 11])
    first, patch = _patch(made, rng, planted)
    hit = np.flatnonzero(first & made["point"].isin(patch).to_numpy())
    base = str(made.loc[made["start_utc"].idxmin(), "base"])
    start, azimuth = made.loc[made["base"] == base, "start_utc"], rng.uniform(0, 2 * np.pi)
    minutes = pd.to_timedelta(np.sort(rng.uniform(0, 150, len(hit))).round(), unit="min")
    made.loc[hit, "start_utc"] = (start.min() + minutes).as_unit("us")
    made.loc[hit, "end_utc"] = made.loc[hit, "start_utc"] + pd.to_timedelta(made.loc[hit, "duration_s"], unit="s")
    made.loc[hit, "base"] = base
    return _moved(made, hit, off_m * np.sin(azimuth), off_m * np.cos(azimuth)), patch, base


def _plain(seed: int, points: int, false: float) -> pd.DataFrame:
    """Return the occupations of a simulated site of a few days whose false fixes are `false` times as frequent."""
    covers = tuple(replace(cover, false_rate=cover.false_rate * false) for cover in simulate.TREES.covers)
    return simulate.site(seed, points, first_days=3, later_days=1, covers=covers).occupations


def _patch(made: pd.DataFrame, rng: np.random.Generator, planted: int) -> tuple[np.ndarray, np.ndarray]:
    """Return which rows are the first of their point, and the names of neighbouring points."""
    first = ~made["point"].duplicated().to_numpy()
    place = made.loc[first, ["easting_m", "northing_m"]].to_numpy()
    near = np.argsort(np.hypot(*(place - place[rng.integers(len(place))]).T))[:planted]
    return first, made.loc[first, "point"].astype("str").to_numpy()[near]


def _moved(made: pd.DataFrame, hit: np.ndarray, east, north) -> pd.DataFrame:
    place = {c: made[c].to_numpy(copy=True) for c in ("easting_m", "northing_m")}
    place["easting_m"][hit] += np.round(east, 3)
    place["northing_m"][hit] += np.round(north, 3)
    return made.assign(**{name: np.round(values, 3) for name, values in place.items()})
