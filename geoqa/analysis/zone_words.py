"""What people are told of zones."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geoqa.core.canopy_words import under
from geoqa.core.units import counted, length, p_value, part, share, signed
from geoqa.core.zone_contracts import BEYOND, DIRECTION, JOIN, LARGE

if TYPE_CHECKING:
    from geoqa.analysis.zone_evidence import Evidence
    from geoqa.analysis.zone_search import Found
    from geoqa.core.job import Job

#: Share of the judged points beyond tolerance from which it is the site that is bad, not a part of it.
MOSTLY_BAD = 0.5


def sentence(row: Mapping[str, Any], level: float, job: Job) -> str:
    """Return one zone in words: how bad beside the site, the direction, the cover, and how sure.

    Parameters
    ----------
    row
        A row of the `zones` frame.
    level
        Probability below which a direction or a cover is told as more than chance.
    """
    parts = [_share(row)]
    if LARGE in row["kind"].split(JOIN) and _known(row["median_closure_m"], row["median_site_m"]):
        usual, site = (length(row[c], job.input.unit) for c in ("median_closure_m", "median_site_m"))
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
    is_off = DIRECTION in row["kind"].split(JOIN)
    if not is_off and not row["bias_p"] <= level / 5:  # of a zone chosen for something else: one more test each
        return ""
    unit, up = job.input.unit, job.input.height_unit
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


def told(zones: list[Mapping[str, Any]], site: Evidence, found: Found, least: int, most: int = 8) -> tuple[str, ...]:
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
        said.append(f"{counted(site.explained, 'point')} that shifts explain: no say in zones")
    return tuple(said)


def _known(*values: float) -> bool:
    return all(value == value for value in values)
