"""The table of zones and what people are told of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geoqa.analysis.geometry import in_crs
from geoqa.analysis.zones import _evidence
from geoqa.analysis.zones._evidence import ZoneEvidence
from geoqa.analysis.zones._search import FoundZones
from geoqa.core.arrays import Array, Flags, NDArray, gpd, np, pd, shapely
from geoqa.core.frames.revisits import BEYOND, DIRECTION, ZONE_KINDS, ZONES
from geoqa.core.frames.wording import under
from geoqa.core.job import Job
from geoqa.core.statistics import sample_tests
from geoqa.core.units import counted, length, p_value, part, share, signed

#: Share of the judged points beyond tolerance from which it is the site that is bad, not a part of it.
MOSTLY_BAD = 0.5


def zone_sentence(row: Mapping[str, Any], level: float, job: Job) -> str:
    """Return one zone in words: how bad beside the site, the direction, the cover, and how sure.

    Parameters
    ----------
    row
        A row of the `zones` frame.
    level
        Probability below which a direction or a cover is told as more than chance.
    """
    parts = [_share(row)]
    if row["rests_on_large"] and _known(row["median_closure_m"], row["median_site_m"]):
        usual, site = (length(row[c], job.grid.unit) for c in ("median_closure_m", "median_site_m"))
        parts.append(f"closures of {usual} in the middle of them (site {site})")
    parts += [_direction(row, level, job), _cover(row, level), f"{p_value(row['p'])} for all tests together"]
    return "; ".join(part for part in parts if part)


def _share(row: Mapping[str, Any]) -> str:
    if not row["judged"]:
        return f"{counted(row['points'], 'point')}, none of them judged"
    return (
        f"{row['beyond']} of {counted(row['judged'], 'judged point')} beyond tolerance ({share(row['share'])}; of the "
        f"whole site {part(round(row['share_site'] * row['judged_site']), row['judged_site'])})"
    )


def _direction(row: Mapping[str, Any], level: float, job: Job) -> str:
    is_off = row["rests_on_direction"]
    if not is_off and not row["bias_p"] <= level / 5:  # of a zone chosen for something else: one more test each
        return ""
    unit, up = job.grid.units
    off = f"{signed(row['bias_e_m'], unit)} {unit} east, {signed(row['bias_n_m'], unit)} {unit} north"
    off += f", {signed(row['bias_u_m'], up)} {up} up" if _known(row["bias_u_m"]) else ""
    told = f"{row['bias_points']} points are off in a common direction, {off} ({row['bias_of']})"
    return f"{told}: a base, a reflector or a wrong fix that came back, not noise" if is_off else told


def _cover(row: Mapping[str, Any], level: float) -> str:
    if not isinstance(row["canopy"], str):
        return ""
    own = row["canopy_share"]
    if own > 0.995:
        where = f"all {under(row['canopy'])}"
    else:
        where = f"mostly {under(row['canopy'])} ({share(own)} of its points)" if own > 0.5 else "under several covers"
    if not _known(row["canopy_p"]):
        return where
    return f"{where}, more than cover alone explains" if row["canopy_p"] <= level else f"{where}, which may explain it"


def zones_told(
    zones: list[Mapping[str, Any]], site: ZoneEvidence, found: FoundZones, least: int, most: int = 8
) -> tuple[str, ...]:
    """Return the messages of a run: each zone, or that there is none, and what could not be looked for.

    Parameters
    ----------
    least
        Points with a say from which zones are looked for.
    """
    judged = int(site.has_say.sum())
    said = [f"{row['zone']}: {row['message']}" for row in zones[:most]]
    if len(zones) > most:
        said.append(f"and {len(zones) - most} more zones in the layer zones of review.gpkg")
    beyond = site.beyond[site.has_say].mean() if judged else 0.0
    if not found.compared[BEYOND]:
        count = counted(judged, "judged point")
        said.append(f"zones are not looked for: {count} with a place, at least {least} are needed")
    elif beyond >= MOSTLY_BAD:
        said.append(
            f"{share(beyond)} of all judged points are beyond tolerance: the whole site is bad, and a zone is only "
            f"what is worse still"
        )
    elif not zones:
        said.append(f"no zone: what is beyond tolerance lies among the {judged:,} judged points as chance may have it")
    if site.explained:
        was = "was" if site.explained == 1 else "were"
        said.append(f"{counted(site.explained, 'point')} explained by a shift {was} left out of the search for zones")
    return tuple(said)


def _known(*values: float) -> bool:
    return all(value == value for value in values)


CLOSURES = "closures, later minus earlier"


def of_found(
    site: ZoneEvidence, found: FoundZones, level: float, job: Job
) -> tuple[gpd.GeoDataFrame, NDArray[np.object_]]:
    """Return the `zones` frame, the worst first, and the name of each point's zone, None for none; shape (n,).

    Worst is what touches the most points: those beyond tolerance in excess of the site's share, or all judged
    ones where they are off in a common direction.
    """
    rows = [_row(site, found, number) for number in range(len(found.outlines))]
    table = pd.DataFrame(rows, columns=[*ZONES.columns, "worth"])
    order = np.lexsort((table["p"].to_numpy(float), -table["worth"].to_numpy(float)))
    table = table.iloc[order].reset_index(drop=True)
    names = np.array([f"zone-{i}" for i in range(1, len(table) + 1)], dtype=object)
    table["zone"] = names
    table["message"] = [zone_sentence(row, level, job) for row in table.to_dict("records")]
    of_number = np.full(len(names) + 1, None, dtype=object)
    of_number[order] = names

    def placed(corner: Array) -> Array:
        return np.column_stack(in_crs(corner[:, 0], corner[:, 1], job))

    shapes = shapely.transform(found.outlines[order], placed)
    made = gpd.GeoDataFrame(ZONES.filled(table), geometry=gpd.array.from_shapely(shapes, crs=job.grid.system.crs))
    return made, of_number[found.inside]


def _row(site: ZoneEvidence, found: FoundZones, number: int) -> dict[str, Any]:
    """Return the row of one zone, without its name and its sentence."""
    mine = found.inside == number
    say = mine & site.has_say
    judged, beyond = int(say.sum()), int((say & site.beyond).sum())
    kinds = [kind for kind, hot in found.hot.items() if (hot & mine).any()]
    share_site = pd.Series(site.beyond[site.has_say]).mean()
    _, low, high = sample_tests.share(beyond, judged)
    canopy = np.bincount(site.canopy[mine], minlength=len(site.canopies) + 1)[: len(site.canopies)]
    commonest = int(canopy.argmax()) if canopy.any() else -1
    is_off = DIRECTION in kinds
    return {
        "kind": " and ".join(ZONE_KINDS[kind] for kind in kinds),
        **{f"rests_on_{kind}": kind in kinds for kind in ZONE_KINDS},
        "points": int(mine.sum()), "judged": judged, "beyond": beyond,
        "share": beyond / judged if judged else np.nan, "share_low": low, "share_high": high, "share_site": share_site,
        "judged_site": int(site.has_say.sum()),
        "median_closure_m": pd.Series(site.closure_m[say]).median(),
        "median_site_m": pd.Series(site.closure_m[site.has_say]).median(),
        **_bias(site, found, mine, is_off),
        "p": _least(found.p, found.hot, mine, kinds), "canopy": site.canopies[commonest] if commonest >= 0 else None,
        "canopy_share": canopy[commonest] / mine.sum() if commonest >= 0 else np.nan,
        "canopy_p": _least(found.p_canopy, found.hot, mine, kinds),
        "worth": mine.sum() if is_off else beyond - judged * np.nan_to_num(share_site),
    }  # fmt: skip


def _bias(site: ZoneEvidence, found: FoundZones, mine: Flags, is_off: bool) -> dict[str, Any]:
    """Return the signed bias: of the set-up that shows it most, or of the closures where set-ups show none."""
    offsets = found.offsets if is_off else site.offsets
    inside, outside = mine[offsets.point], found.inside[offsets.point] < 0
    tells = inside & found.hot_offsets if is_off else inside
    best: tuple[Array, float, str | None, int] = (np.full(3, np.nan), float("nan"), None, 0)
    if tells.any():
        # Its partners each show a part of it, turned round: the set-up that shows it most often is the one.
        number = int(np.bincount(offsets.setup[tells]).argmax())
        rows = np.flatnonzero(inside & (offsets.setup == number))
        if is_off or len(rows) >= _evidence.FEWEST:
            middle, p = _evidence.setup_bias(offsets.offset[rows], offsets.unit[rows])
            # A zone that is a large part of a set-up's work has moved what the set-up is off on the whole.
            middle = middle - np.nan_to_num(sample_tests.medians(offsets.offset[outside & (offsets.setup == number)]))
            best = (middle, p, f"{site.setups[number]}, minus the other set-ups", len(rows))
    if best[2] is None:
        best = _of_closures(site, mine)
    (east, north, up), p, of, count = best
    return {"bias_e_m": east, "bias_n_m": north, "bias_u_m": up, "bias_p": p, "bias_of": of, "bias_points": count}


def _of_closures(site: ZoneEvidence, mine: Flags) -> tuple[Array, float, str | None, int]:
    known = np.flatnonzero(site.has_say & ~np.isnan(site.signed[:, 0]))
    inside = mine[known]
    middle, p = _evidence.setup_bias(site.signed[known][inside], _evidence.units(site.signed[known])[inside])
    return (middle, p, None, 0) if np.isnan(p) else (middle, p, CLOSURES, int(inside.sum()))


def _least(p: dict[str, Array], hot: dict[str, Flags], mine: Flags, kinds: list[str]) -> float:
    """Return the smallest probability among the significant points of a zone, NaN where none is known."""
    return float(np.fmin.reduce(np.concatenate([p[kind][hot[kind] & mine] for kind in kinds]), initial=np.nan))
