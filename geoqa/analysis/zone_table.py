"""The table of zones: what is inside each, beside the whole site. Frames of arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geoqa.analysis import contrasts, directions, polygons, zone_words
from geoqa.core import geodesy
from geoqa.core.zone_contracts import DIRECTION, JOIN, ZONES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.analysis.zone_evidence import Evidence
    from geoqa.analysis.zone_search import Found
    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

CLOSURES = "closures, later minus earlier"


def of_found(site: Evidence, found: Found, level: float, job: Job) -> tuple[gpd.GeoDataFrame, NDArray[np.object_]]:
    """Return the `zones` frame, the worst first, and the name of each point's zone, None for none; shape (n,).

    Worst is what touches the most points: those beyond tolerance in excess of the site's share, or all judged
    ones where they are off in a common direction.
    """
    rows = [_row(site, found, number) for number in range(len(found.outlines))]
    table = pd.DataFrame(
        rows, columns=[*(c for c in ZONES.columns if c not in ("zone", "message", "geometry")), "worth"]
    )
    order = np.lexsort((table["p"].to_numpy(float), -table["worth"].to_numpy(float)))
    table = table.iloc[order].reset_index(drop=True)
    names = np.array([f"zone-{i}" for i in range(1, len(table) + 1)], dtype=object)
    table.insert(0, "zone", names)
    table["message"] = [zone_words.sentence(row, level, job) for row in table.to_dict("records")]
    of_number = np.full(len(names) + 1, None, dtype=object)
    of_number[order] = names
    return _typed(table.drop(columns="worth"), found.outlines[order], job), of_number[found.inside]


def _row(site: Evidence, found: Found, number: int) -> dict[str, Any]:
    """Return the row of one zone, without its name and its sentence."""
    mine = found.inside == number
    say = mine & site.has_say
    judged, beyond = int(say.sum()), int((say & site.beyond).sum())
    kinds = [kind for kind, hot in found.hot.items() if (hot & mine).any()]
    share_site = _share(site.beyond[site.has_say])
    _, low, high = contrasts.share(beyond, judged)
    canopy = np.bincount(site.canopy[mine], minlength=len(site.canopies) + 1)[: len(site.canopies)]
    commonest = int(canopy.argmax()) if canopy.any() else -1
    is_off = DIRECTION in kinds
    return {
        "kind": JOIN.join(kinds), "points": int(mine.sum()), "judged": judged, "beyond": beyond,
        "share": beyond / judged if judged else np.nan, "share_low": low, "share_high": high, "share_site": share_site,
        "judged_site": int(site.has_say.sum()),
        "median_closure_m": _middle(site.closure_m[say]), "median_site_m": _middle(site.closure_m[site.has_say]),
        **_bias(site, found, mine, is_off),
        "p": _least(found.p, found.hot, mine, kinds), "canopy": site.canopies[commonest] if commonest >= 0 else None,
        "canopy_share": canopy[commonest] / mine.sum() if commonest >= 0 else np.nan,
        "canopy_p": _least(found.p_canopy, found.hot, mine, kinds),
        "worth": mine.sum() if is_off else beyond - judged * np.nan_to_num(share_site),
    }  # fmt: skip


def _bias(site: Evidence, found: Found, mine: Flags, is_off: bool) -> dict[str, Any]:
    """Return the signed bias: of the set-up that shows it most, or of the closures where set-ups show none."""
    offsets = found.offsets if is_off else site.offsets
    inside, outside = mine[offsets.point], found.inside[offsets.point] < 0
    tells = inside & found.hot_offsets if is_off else inside
    best: tuple[Array, float, str | None, int] = (np.full(3, np.nan), float("nan"), None, 0)
    if tells.any():
        # Its partners each show a part of it, turned round: the set-up that shows it most often is the one.
        number = int(np.bincount(offsets.setup[tells]).argmax())
        rows = np.flatnonzero(inside & (offsets.setup == number))
        if is_off or len(rows) >= directions.FEWEST:
            middle, p = directions.bias(offsets.offset[rows], offsets.unit[rows])
            # A zone that is a large part of a set-up's work has moved what the set-up is off on the whole.
            middle = middle - np.nan_to_num(directions.medians(offsets.offset[outside & (offsets.setup == number)]))
            best = (middle, p, f"{site.setups[number]}, minus the other set-ups", len(rows))
    if best[2] is None:
        best = _of_closures(site, mine)
    (east, north, up), p, of, count = best
    return {"bias_e_m": east, "bias_n_m": north, "bias_u_m": up, "bias_p": p, "bias_of": of, "bias_points": count}


def _of_closures(site: Evidence, mine: Flags) -> tuple[Array, float, str | None, int]:
    known = np.flatnonzero(site.has_say & ~np.isnan(site.signed[:, 0]))
    inside = mine[known]
    middle, p = directions.bias(site.signed[known][inside], directions.units(site.signed[known])[inside])
    return (middle, p, None, 0) if np.isnan(p) else (middle, p, CLOSURES, int(inside.sum()))


def _share(flag: Flags) -> float:
    return float(flag.mean()) if len(flag) else float("nan")


def _middle(values: Array) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _least(p: dict[str, Array], hot: dict[str, Flags], mine: Flags, kinds: list[str]) -> float:
    """Return the smallest probability among the significant points of a zone, NaN where none is known."""
    values = np.concatenate([p[kind][hot[kind] & mine] for kind in kinds])
    return float(np.nanmin(values)) if (~np.isnan(values)).any() else float("nan")


def _typed(table: pd.DataFrame, outlines: NDArray[np.object_], job: Job) -> gpd.GeoDataFrame:
    """Return the table in the kinds that the contract asks for, its outlines in the job's CRS."""
    kinds = {"text": "str", "int": "int64", "float": "float64"}
    made = {
        name: pd.Series(table[name].to_numpy(), dtype=kinds[column.kind])
        for name, column in ZONES.columns.items()
        if name != "geometry"
    }

    def placed(corner: Array) -> Array:
        return np.column_stack(polygons.in_crs(corner[:, 0], corner[:, 1], job))

    shapes = shapely.transform(outlines, placed) if len(outlines) else outlines
    return gpd.GeoDataFrame(made, geometry=gpd.array.from_shapely(shapes, crs=geodesy.of(job).crs))
