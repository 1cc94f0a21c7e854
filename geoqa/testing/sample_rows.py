"""A dozen invented points as frames, for trying a step: every way two occupations may relate, and hostile names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.demo.fieldwork import Dice

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


#: Names as a file may hold them; the map must show them and do nothing else.
HOSTILE_NAMES = ("{{ 7*7 }}", "</script><img src=x onerror=alert(1)>", "=1+1")
#: Minutes after the start at which a point is occupied, and what is wrong with its last occupation.
_PLANS = (
    ((0,), ""), ((0, 3), ""), ((0, 300), ""), ((0, 4, 300), ""), ((0, 300, 1500), ""), ((0, 300), "false fix"),
    ((0, 300, 600), "false fix"), ((0, 300), "copied"), ((0, 300), "staking"), ((0, 25), ""), ((0, 300), "no fix"),
    ((0, 1436), "high"),
)  # fmt: skip
_COVERS = ("open", "dense conifer", "light")


def job() -> Job:
    """Return the job of the sample: metres in EPSG:2193, heights, tolerance 0.05 m and 0.08 m."""
    from geoqa.core.job import Job
    from geoqa.core.recipe import InputFormat, Requirement, Site, Tolerance

    return Job(
        site=Site(name="Sample", crs="EPSG:2193", height="NZVD2016"),
        input=InputFormat(unit="m", precision="sigma", timezone="UTC", initialization="column"),
        columns={"point": "Mark", "easting": "E", "northing": "N", "height": "H"},
        tolerance=Tolerance(horizontal_m=0.05, vertical_m=0.08),
        requirement=Requirement(horizontal_m=0.05, vertical_m=0.10),
    )


def occupations() -> pd.DataFrame:
    """Return the sample's occupations as a reader gives them, the same on every call."""
    import pandas as pd

    from geoqa.core.frames.schema import complete_occupations

    rows = _rows()
    columns = {name: [row.get(name) for row in rows] for name in dict.fromkeys(key for row in rows for key in row)}
    columns["source_line"] = list(range(2, len(rows) + 2))
    columns["stop"] = list(range(1, len(rows) + 1))
    columns["start_utc"] = pd.Timestamp("2026-02-02", tz="UTC") + pd.to_timedelta(columns.pop("minute"), unit="min")
    columns["end_utc"] = columns["start_utc"] + pd.Timedelta(seconds=30)
    columns["duration_s"] = [30.0] * len(rows)
    return complete_occupations(columns, "sample.csv")


def epochs() -> pd.DataFrame:
    """Return the epochs of a log in which those occupations are stops: eight float ones each, then 22 fixed."""
    import numpy as np
    import pandas as pd

    from geoqa.readers.nmea import frames

    rows = occupations()
    n, each = len(rows), 30
    of, second = np.repeat(np.arange(n), each), np.tile(np.arange(each), n)
    noise = np.random.default_rng(7).normal(size=(3, n * each)) * 0.006
    east, north = (rows[axis].to_numpy()[of] for axis in ("easting_m", "northing_m"))
    lon, lat = job().grid.system.to_lonlat(east + noise[0], north + noise[1])
    table = pd.DataFrame(
        {
            "epoch_id": np.arange(1, n * each + 1),
            "point": rows["point"].array.take(of),
            "stop": rows["stop"].to_numpy()[of],
            "time_utc": rows["start_utc"].array.take(of) + pd.to_timedelta(second, unit="s"),
            "lon_deg": lon,
            "lat_deg": lat,
            "height_m": rows["height_m"].to_numpy()[of] + 2.0 + noise[2],
            "solution": pd.Categorical.from_codes((second < 8).astype(np.int8), ["fixed", "float"]),
            "sigma_e_m": np.where(second < 12, 0.2, 0.01),
            "sigma_n_m": np.where(second < 12, 0.2, 0.01),
            "sigma_u_m": np.where(second < 12, 0.4, 0.02),
            "source_file": pd.Categorical.from_codes(np.zeros(n * each, np.int8), ["sample.nmea"]),
            "source_line": np.arange(1, n * each + 1),
        }
    )
    return table.assign(geometry=frames.places(table, job()))


def canopy() -> pd.DataFrame:
    """Return what a map of cover and a raster of canopy heights say of the sample's points."""
    import numpy as np
    import pandas as pd

    names = sorted(dict.fromkeys(str(row["point"]) for row in _rows()))
    mean = np.round(np.linspace(0.0, 22.0, len(names)), 1)
    high = np.where(mean > 6, "dense conifer", "open")
    return pd.DataFrame(
        {
            "point": names,
            "canopy_mapped": pd.Categorical([None, *(["light"] * (len(names) - 1))]),
            "canopy_height_m": mean + 1,
            "canopy_mean_m": mean,
            "canopy_max_m": mean + 6,
            "cover_fraction": np.minimum(mean / 20, 1.0),
            "sky_view": np.where(mean > 20, np.nan, 1 - mean / 30),
            "canopy_raster": pd.Categorical(high),
        }
    )


def set_aside() -> pd.DataFrame:
    """Return one row set aside, as a reader gives it."""
    import pandas as pd

    kept = {"source_file": ["sample.csv"], "source_line": [99], "reason": ["northing is empty"], "row": ["P9,1,,1"]}
    return pd.DataFrame(kept)


def _rows() -> list[dict[str, object]]:
    dice = Dice(7)
    names = [*(f"P{i}" for i in range(1, len(_PLANS) - len(HOSTILE_NAMES) + 1)), *HOSTILE_NAMES]
    rows: list[dict[str, object]] = []
    for i, (name, (minutes, wrong)) in enumerate(zip(names, _PLANS, strict=True)):
        for minute in minutes:
            rows.append(_row(name, i, minute, wrong if minute == minutes[-1] else "", dice))
        if wrong == "copied":
            rows[-1] |= {axis: rows[-2][axis] for axis in ("easting_m", "northing_m", "height_m", "minute")}
    return rows


def _row(name: str, place: int, minute: int, wrong: str, dice: Dice) -> dict[str, object]:
    off = 0.4 if wrong == "false fix" else 0.0
    return {
        "point": name, "minute": minute, "canopy": _COVERS[place % 3], "role": "corner" if place % 2 else "topo",
        "easting_m": round(1_600_000 + 20 * place + 0.008 * dice.normal() + off, 3),
        "northing_m": round(5_400_000 + 9 * (place % 4) + 0.008 * dice.normal() - off, 3),
        "height_m": round(100 + place + 0.012 * dice.normal() + (0.2 if wrong == "high" else 0), 3),
        "sigma_e_m": 0.008, "sigma_n_m": 0.008, "sigma_u_m": 0.012, "resolution_h_m": 0.001, "resolution_v_m": 0.001,
        "initialization": None if wrong == "no fix" else f"{name} {minute}", "base": f"B{1 + minute // 1000}",
        "operator": "KR" if minute < 200 else "TM", "antenna_height_m": 2.0, "base_distance_m": 400.0 + place,
        "solution": "fixed", "satellites": 18, "pdop": 1.6, "method": "staking" if wrong == "staking" else "direct",
    }  # fmt: skip


def checks() -> pd.DataFrame:
    """Return a tape and a rise between the first two points of the sample, and a tape to a stranger."""
    import numpy as np

    from geoqa.core.frames.control import CHECKS, LEVEL, READ_OF_CHECKS, RISE

    middle = occupations().groupby("point", observed=True)[["easting_m", "northing_m", "height_m"]].median()
    first, second = middle.index[:2]
    east, north, up = (middle.loc[second] - middle.loc[first]).tolist()
    measured = ((second, LEVEL, np.hypot(east, north)), (second, RISE, up), ("stranger", LEVEL, 10.0))
    rows = [
        {"check_id": k, "from": first, "to": to, "kind": kind, "value": value, "unit": "m", "sigma": 0.005,
         "source_file": "checks.csv", "source_line": k + 1}
        for k, (to, kind, value) in enumerate(measured, 1)
    ]  # fmt: skip
    return CHECKS.filled(rows, READ_OF_CHECKS)


def earlier() -> pd.DataFrame:
    """Return the points as a review of the first occupation of each would have left them."""
    import numpy as np
    import pandas as pd

    from geoqa.core.frames.contract import UNPROVEN
    from geoqa.core.frames.revisits import ACTIONS, SECOND

    first = occupations().drop_duplicates("point")
    return pd.DataFrame(
        {
            "point": first["point"].astype("str").array,
            "status": UNPROVEN[0],
            "deliver": "no",
            "occupations": np.ones(len(first), np.int64),
            **{name: first[name].to_numpy(dtype=float) for name in ("easting_m", "northing_m", "height_m")},
            "action": pd.Categorical([ACTIONS[SECOND].words] * len(first)),
        }
    )
