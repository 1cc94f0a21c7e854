"""The rows a search for shifts looks at: labels of what they may have in common, and their stops."""

from __future__ import annotations

from typing import NamedTuple

from geoqa.analysis.occupations import differences, expected_precision, measured_rows
from geoqa.analysis.occupations.measured_rows import codes_of, direct_rows, flags, is_rejected, seconds
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.shifts import _table, adjustment
from geoqa.core import clock
from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.frames.control import CHECK
from geoqa.core.job import Job
from geoqa.core.statistics import groups
from geoqa.core.units import length

#: What a known coordinate is good for where it states nothing, metres: common practice, no published source.
KNOWN_H_M, KNOWN_V_M = 0.005, 0.010
CONTROL = "control"
#: Set-ups that are compared with each other at most: time grows with the cube of their number.
MOST_SETUPS = 1_000


class SearchedSite(NamedTuple):
    """Stops of a site, where and when each row of the frame was, which set-ups are known coordinates, and names.

    `left_out` is how many set-ups are compared with none, because there are too many.
    """

    stops: adjustment.Sessions
    place: Array
    start_s: Array
    known: Flags
    names: _table.Names
    left_out: int


def searched_site(
    occupations: pd.DataFrame, classes: pd.DataFrame, placed: measured_rows.Labels, job: Job
) -> SearchedSite:
    """Return the stops of the direct rows and of known coordinates, with their labels.

    Parameters
    ----------
    occupations
        With `visit`.
    classes
        As first calibrated.
    placed
        The base set-up of each row.
    """
    place, start = differences.places(occupations), seconds(occupations["start_utc"])
    measured, is_control = (
        flags(occupations, "origin", word) & ~is_rejected(occupations) for word in ("measured", "control")
    )
    if not differences.heights_compare(job):  # two height references are never differenced
        place[is_control, 2] = np.nan
    placed, left_out = measured_rows.busiest(placed, codes_of(occupations["point"]), MOST_SETUPS)
    setup = np.where(measured, placed.code, -1)
    setup_names = placed.names
    if is_control.any():
        setup = np.where(is_control, len(setup_names), setup)
        setup_names = [*setup_names, CONTROL]
    crew = np.where(measured, codes_of(occupations["operator"]), -1)
    people = _called(occupations["operator"])
    crews = [name if name.lower().startswith("crew") else f"crew {name}" for name in people]
    antenna, usual, antennas, compared = _antennas(occupations, crew, crews, measured, job.grid.unit_up)
    # One pole that went round, or one height that several typed.
    pole, _, poles, beside = _antennas(
        occupations, np.where(crew >= 0, 0, -1), ["all crews"], measured, job.grid.unit_up
    )
    pole = np.where(len(np.unique(crew[pole >= 0])) > 1, pole, -1)
    label = {
        "setup": setup, "file": np.where(measured, codes_of(occupations["source_file"]), -1), "crew": crew,
        "antenna": antenna, "usual": usual, "pole": pole, "base": np.where(measured, codes_of(occupations["base"]), -1),
    }  # fmt: skip
    called = _called(occupations["point"])
    is_check = differences.known_uses(called, occupations, job) == CHECK
    label["check"] = np.where(is_control & is_check[codes_of(occupations["point"])], 0, -1)
    part = np.flatnonzero(_telling(occupations, job) | is_control)
    step = occupations[["resolution_h_m", "resolution_v_m"]].to_numpy(dtype=float, na_value=np.nan)
    made = adjustment.sessions(
        part, codes_of(occupations["point"])[part], occupations["visit"].to_numpy()[part], start[part], place[part],
        _variances(occupations, classes, is_control)[part], step[part],
        {name: values[part] for name, values in label.items()},
    )  # fmt: skip
    known = np.zeros(len(setup_names), bool)
    known[len(placed.names) :] = True
    names = _table.Names(
        setup=setup_names,
        file=_called(occupations["source_file"]),
        crew=crews,
        antenna=antennas,
        recorded=compared,
        pole=poles,
        beside=beside,
        base=_called(occupations["base"]),
        point=called,
        rows_of=lambda kind, number: np.flatnonzero(label[kind] == number),
        zone=clock.zone_of(job),
        unit=job.grid.unit,
        unit_up=job.grid.unit_up,
    )
    return SearchedSite(made, place, start, known, names, left_out)


def _called(column: pd.Series) -> list[str]:
    return [str(name) for name in column.astype("category").cat.categories]


def _telling(occupations: pd.DataFrame, job: Job) -> Flags:
    """Return which rows tell of a place before anything is judged: no copies, nothing unsettled."""
    rows = direct_rows(occupations)
    use, _ = PointStatus.as_set(job).screen(occupations, rows)
    tells = np.zeros(len(occupations), bool)
    tells[rows.at] = use == measured_rows.USED
    return tells


def _variances(occupations: pd.DataFrame, classes: pd.DataFrame, is_control: Flags) -> Array:
    """Return variances per horizontal axis and of the height, shape (n, 2): calibrated, or as control states them.

    Where no precision is known or could be learnt all weigh the same: the scatter that is seen decides.
    """
    cov, told = expected_precision.by_class(occupations, classes), expected_precision.reported(occupations)
    made = []
    for known, own, known_m, usual_m in (
        ((told.var_e + told.var_n) / 2, (cov.var_e + cov.var_n) / 2, KNOWN_H_M, 0.015),
        (told.var_u, cov.var_u, KNOWN_V_M, 0.025),
    ):
        variance = np.where(is_control, known, own)
        positive = variance[variance > 0]
        usual = float(np.median(positive)) if len(positive) else usual_m**2
        made.append(np.where(np.isnan(variance), np.where(is_control, known_m**2, usual), variance))
    return np.column_stack(made)


def _antennas(
    occupations: pd.DataFrame, crew: Index, crews: list[str], measured: Flags, unit: str
) -> tuple[Index, Index, list[str], list[str]]:
    """Return numbers for the antenna heights of crews with several, the names of these, and how they compare.

    First the number where it is not its crew's usual one, then the number where it is; -1 elsewhere.
    """
    height = np.round(occupations["antenna_height_m"].to_numpy(dtype=float, na_value=np.nan), 4)
    at = np.flatnonzero(measured & ~np.isnan(height))
    odd, most = np.full(len(height), -1, np.int64), np.full(len(height), -1, np.int64)
    if not len(at):
        return odd, most, [], []
    pairs = np.column_stack([crew[at], height[at]])
    first, which = groups.distinct(*pairs.T)
    distinct, count = pairs[first], np.bincount(which)
    # The usual one of a crew: the most frequent.
    order = np.lexsort((-count, distinct[:, 0]))
    is_first = np.r_[True, np.diff(distinct[order, 0]) != 0]
    usual = dict(distinct[order[is_first]].tolist())
    second = dict(distinct[order[1:][~is_first[1:] & is_first[:-1]]].tolist())
    number = np.full(len(distinct), -1, np.int64)
    is_usual = np.array([value == usual[who] for who, value in distinct.tolist()])
    names: list[str] = []
    compared: list[str] = []
    for k, (who, value) in enumerate(distinct.tolist()):
        if who in second:
            number[k] = len(names)
            name = crews[int(who)] if who >= 0 else "no crew named"
            other, called = (second[who], "other") if is_usual[k] else (usual[who], "usual")
            names.append(f"{name}, antenna height {length(value, unit)}")
            compared.append(
                f"{length(value, unit)}, {length(abs(value - other), unit)} "
                f"{'more' if value > other else 'less'} than the {called} {length(other, unit)}"
            )
    odd[at], most[at] = (np.where(is_usual == wanted, number, -1)[which] for wanted in (False, True))
    return odd, most, names, compared
