"""Simulated sites with one error that occupations share; all else as `simulate` makes it. Simulation choices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import simulate

METRES_PER_FT, METRES_PER_FTUS = 0.3048, 1200 / 3937
#: Half-days kept: as many base set-ups.
SETUPS = 8


@dataclass(frozen=True)
class Site:
    """Occupations and what was done to them: which, and what set-up, crew or point it is about."""

    occupations: pd.DataFrame
    changed: np.ndarray
    subject: str = ""


def plain(seed: int, points: int = 1500, generator: str = "trees", setups: int = SETUPS) -> Site:
    """Return a site of eight half-days, a base set-up each, with the generator's own errors of set-ups and no other."""
    made = simulate.site(seed, points, generator, first_days=3, later_days=1)
    labels = made.occupations["base"].astype("str")
    kept = made.occupations[labels.isin(sorted(labels.unique())[:setups])].reset_index(drop=True)
    names = {name: pd.Categorical(kept[name].astype("str")) for name in ("base", "point")}
    return Site(kept.assign(**names), np.zeros(len(kept), bool))


def shifted_base(seed: int, size_m: float = 0.030, **choices) -> Site:
    """Return a site with one of the first six set-ups `size_m` off its true place, its own small error included.

    That error is read off the truth: the median of the errors of its occupations.
    """
    site, rng = plain(seed, **choices), np.random.default_rng([seed, 1])
    frame = site.occupations
    base = str(frame["base"].cat.categories[int(rng.integers(0, 6))])
    mine = (frame["base"] == base).to_numpy()
    azimuth = rng.uniform(0, 2 * np.pi)
    generator = choices.get("generator", "trees")
    truth = simulate.site(seed, choices.get("points", 1500), generator, first_days=3, later_days=1).occupation_truth
    own = truth.loc[frame.loc[mine, "occupation_id"], ["e_m", "n_m"]].median()
    moved = size_m * np.sin(azimuth) - own["e_m"], size_m * np.cos(azimuth) - own["n_m"]
    return Site(_moved(frame, mine, *moved), mine, base)


def mistyped_antenna(seed: int, size_m: float = 0.10, count: int = 40, recorded: bool = True, **choices) -> Site:
    """Return a site where one crew's first `count` occupations of one half-day have the antenna height mistyped.

    Unless `recorded`, the column of antenna heights is empty.
    """
    site, rng = plain(seed, **choices), np.random.default_rng([seed, 2])
    frame = site.occupations
    at = np.zeros(0, int)
    while len(at) < count:
        base = frame["base"].cat.categories[int(rng.integers(0, 6))]
        crew = frame["operator"].cat.categories[int(rng.integers(0, 3))]
        at = np.flatnonzero((frame["base"] == base) & (frame["operator"] == crew))
    at = at[np.argsort(frame["start_utc"].to_numpy()[at], kind="stable")][:count]
    mine = np.zeros(len(frame), bool)
    mine[at] = True
    sign = rng.choice([-1, 1])
    frame = _moved(frame, mine, 0, 0, -sign * size_m)
    antenna = np.where(mine, frame["antenna_height_m"] + sign * size_m, frame["antenna_height_m"])
    return Site(frame.assign(antenna_height_m=antenna if recorded else np.nan), mine, str(crew))


def two_files(seed: int, what: str, **choices) -> Site:
    """Return a site in two files, the second in US survey feet read as international ones, or with axes swapped.

    The second file holds two of the three crews' last four half-days.
    """
    site = plain(seed, **choices)
    frame = site.occupations
    mine = (frame["base"].cat.codes >= 4).to_numpy() & (frame["operator"] != "crew 1").to_numpy()
    frame = frame.assign(source_file=pd.Categorical(np.where(mine, "second.csv", "first.csv")))
    east, north = (frame[c].to_numpy(copy=True) for c in ("easting_m", "northing_m"))
    if what == "axes":
        east[mine], north[mine] = north[mine].copy(), east[mine].copy()
    else:
        east[mine] *= METRES_PER_FT / METRES_PER_FTUS
        north[mine] *= METRES_PER_FT / METRES_PER_FTUS
    return Site(frame.assign(easting_m=east, northing_m=north), mine, "second.csv")


def shared_name(seed: int, apart_m: float = 60.0, **choices) -> Site:
    """Return a site where a new point `apart_m` from another, observed once more by its crew, was given its name."""
    site, rng = plain(seed, **choices), np.random.default_rng([seed, 3])
    frame = site.occupations
    count = frame["point"].cat.codes.map(frame["point"].cat.codes.value_counts())
    rows = np.flatnonzero(count.to_numpy() >= 2)
    name = str(frame["point"].iloc[int(rng.choice(rows))])
    mine = (frame["point"] == name).to_numpy(copy=True)
    mine[np.flatnonzero(mine)[:1]] = False
    azimuth = rng.uniform(0, 2 * np.pi)
    return Site(_moved(frame, mine, apart_m * np.sin(azimuth), apart_m * np.cos(azimuth)), mine, name)


def misfiled(seed: int, **choices) -> Site:
    """Return a site where one occupation stands under the name of a point 40 to 90 m away."""
    site, rng = plain(seed, **choices), np.random.default_rng([seed, 4])
    frame = site.occupations
    first = ~frame["point"].duplicated().to_numpy()
    place = frame[["easting_m", "northing_m"]].to_numpy()
    size = frame["point"].cat.codes.map(frame["point"].cat.codes.value_counts()).to_numpy()
    for at in rng.permutation(np.flatnonzero(~first & (size >= 3))):
        near = np.hypot(*(place[first] - place[at]).T)
        pick = np.flatnonzero((near > 40) & (near < 90) & (size[first] >= 2))
        if len(pick):
            break
    other = str(frame["point"].to_numpy()[first][pick[0]])
    names = frame["point"].astype("str").to_numpy(dtype=object)
    own, names[at] = names[at], other
    mine = np.zeros(len(frame), bool)
    mine[at] = True
    return Site(frame.assign(point=pd.Categorical(pd.Series(names, dtype="str"))), mine, f"{other} at {own}")


def changed_within(seed: int, kind: str, size: float, **choices) -> Site:
    """Return a site with one set-up turned (radians), stretched or tilted (ratio), or drifting (metres an hour)."""
    site, rng = plain(seed, **choices), np.random.default_rng([seed, 5])
    frame = site.occupations
    base = str(frame["base"].cat.categories[int(rng.integers(0, 6))])
    mine = (frame["base"] == base).to_numpy()
    east, north = (
        frame[c].to_numpy() - corner for c, corner in zip(("easting_m", "northing_m"), simulate.CORNER, strict=True)
    )
    east, north = east - simulate.BASE_PLACE[0], north - simulate.BASE_PLACE[1]
    hours = (frame["start_utc"] - frame.loc[mine, "start_utc"].min()).dt.total_seconds().to_numpy() / 3600
    moved = {
        "rotation": (size * north, -size * east, 0.0), "scale": (size * east, size * north, 0.0),
        "tilt": (0.0, 0.0, size * east), "drift": (size * hours, 0.0, 0.0),
    }[kind]  # fmt: skip
    return Site(_moved(frame, mine, *moved), mine, base)


def _moved(frame: pd.DataFrame, mine: np.ndarray, east, north, up=0.0) -> pd.DataFrame:
    """Return the frame with the rows marked moved, to the millimetre."""
    columns = {}
    for name, by in (("easting_m", east), ("northing_m", north), ("height_m", up)):
        columns[name] = np.where(mine, np.round(frame[name] + by, 3), frame[name])
    return frame.assign(**columns)
