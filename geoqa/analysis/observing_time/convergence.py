"""How long crews waited, for a fix and until its error was small enough; and how long on a fix is enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.observing_time import _log_epochs, _wait_table
from geoqa.analysis.occupations import roles
from geoqa.core.arrays import Array, Flags, Frames, np, pd
from geoqa.core.frames.logs import BEGINS, DURATIONS
from geoqa.core.frames.wording import under
from geoqa.core.job import CORRELATION_S, Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import duration, small


@dataclass(frozen=True, kw_only=True)
class Convergence(Analysis):
    """Say how long to wait under each canopy class, from the receivers' logs: attempts that were given up count.

    An attempt begins where a crew arrives without a fix, or loses one at the stop. Four waits: for the first fix;
    until it held; until the stated precision (distance root mean square) stays within the horizontal tolerance;
    and, at control and at points confirmed by other visits, until the position does. Shares by Kaplan and Meier,
    classes compared by the log-rank test, each two of them.
    """

    name = "convergence"
    needs = ("epochs", "occupations", "occupations.visit", "occupations.use", "occupations.fix", "points")
    gives = ("convergence", "waits", "wait_tests")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return a row for each attempt, the waits of each class, and the classes compared."""
        made = _attempts(frames, job)
        waits, tests = _wait_table.waits(made), _wait_table.tests(made)
        messages = _wait_table.wait_sentences(waits, tests)
        return Result({"convergence": made, "waits": waits, "wait_tests": tests}, tuple(messages))


def _attempts(frames: Frames, job: Job) -> pd.DataFrame:
    epochs, occupations = frames["epochs"], frames["occupations"]
    rules = _log_epochs.FixRules.of(job)
    here = _log_epochs.log_epochs(epochs)
    found = here.fixes(rules)
    made = _log_epochs.attempts(here, found, rules.lost_s)
    begins = here.row[made.begin]
    stop = here.stop[made.begin]
    limit = roles.by_role(_log_epochs.facts(here, occupations, "role"), job, lambda role: role.tolerance.horizontal_m)
    waits = {"fix": _log_epochs.first_fix(here, made, found), "hold": _log_epochs.hold(here, made, found)}
    placed = epochs["lon_deg"].notna().to_numpy()[here.row]
    sigma = epochs[["sigma_e_m", "sigma_n_m"]].to_numpy(dtype=float)
    stated = _log_epochs.carried(made, np.hypot(*sigma.T)[here.row])  # distance root mean square
    known = _log_epochs.any_of(made, np.isfinite(stated)) & np.isfinite(limit[stop])
    beyond = ~placed | ~(stated <= limit[here.stop])
    waits["precision"] = _where(known, _log_epochs.settled(here, made, beyond, rules.hold_s))
    lon, lat = _log_epochs.reference_positions(here.number, occupations, frames["points"], job)
    off = np.hypot(*_log_epochs.local(epochs, here.row, lon[here.stop], lat[here.stop], job))
    known = np.isfinite(lon[stop]) & np.isfinite(limit[stop])
    waits["truth"] = _where(known, _log_epochs.settled(here, made, ~(off <= limit[here.stop]), rules.hold_s))
    last = np.maximum.accumulate(np.where(placed, np.arange(len(placed)), -1))[made.end]
    place = epochs["geometry"].array.take(
        np.where(last >= made.begin, here.row[np.maximum(last, 0)], -1), allow_fill=True
    )
    time = epochs["time_utc"].array
    return pd.DataFrame(
        {
            "attempt_id": np.arange(1, len(begins) + 1),
            "point": epochs["point"].array[begins],
            "canopy": _log_epochs.facts(here, occupations, "canopy").array[stop],
            "stop": here.number[stop],
            "begins": pd.Categorical.from_codes(made.after_loss.astype(np.int8), list(BEGINS)),
            "start_utc": time[begins],
            "waited_s": here.time_s[made.end] - here.time_s[made.begin],
            **{
                name: values
                for until, (seconds, reached) in waits.items()
                for name, values in ((f"{until}_s", np.round(seconds, 3)), (f"{until}_reached", reached))
            },
            "tolerance_h_m": limit[stop],
            "source_file": epochs["source_file"].array[begins],
            "geometry": place,
        }
    )  # fmt: skip


def _where(known: Flags, wait: tuple[Array, Flags]) -> tuple[Array, Flags]:
    """Return a wait without what is not known."""
    return np.where(known, wait[0], np.nan), wait[1] & known


@dataclass(frozen=True, kw_only=True)
class Durations(Analysis):
    """Say what more time on a fix buys, from the receivers' logs: the spread of averages against their length.

    Fixed solutions that were held are cut into averages of 1 s to an hour. Their spread under one fix shrinks with
    the number of independent epochs; across the fixes of a point it does not fall below what a whole fix is off,
    and from there more time on the same fix buys nothing. Points in conflict are left out: no length mends a
    wrong fix. Lengths go as far as at least half of the fixes of a class lasted; those fixes alone are averaged, at
    every length the same, so that the curve shows time and not which fixes lasted.
    """

    name = "durations"
    needs = ("epochs", "occupations", "occupations.visit", "points")
    gives = ("durations",)

    correlation_s: float = param(
        CORRELATION_S, unit="s", minimum=0, maximum=7200,
        help="How long errors last at least, for records too short to tell (Miller, O'Keefe and Gao 2012)",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the frame ``durations``, a row for each class and length."""
        from geoqa.analysis.observing_time import _averaging_times, _wait_table

        found, left_out = _averaging_times.fixed_epochs(frames["epochs"], frames["occupations"], frames["points"], job)
        found = found.with_correlation(self.correlation_s)
        rows: list[dict[str, Any]] = []
        for canopy in _wait_table.classes(found.canopy):
            mine = _rows(canopy, found.of(_wait_table.of_class(found.canopy, canopy)))
            flat = _averaging_times.flat(
                *(np.array([row[c] for row in mine], float) for c in ("duration_s", "spread_h_m"))
            )
            rows += [row | {"flat": bool(one)} for row, one in zip(mine, flat.tolist(), strict=True)]
        table = DURATIONS.filled(rows)
        return Result({"durations": table}, tuple(_sentences(table, left_out, job.grid.unit)))


def _rows(canopy: str | None, found: Any) -> list[dict[str, Any]]:
    """Return what the averages of a class spread, a row for each length up to what half of its fixes lasted."""
    from geoqa.analysis.observing_time import _averaging_times

    rows: list[dict[str, Any]] = []
    if not found.n:
        return rows
    shortest = np.median(found.interval_s) - 1e-6
    lasted = [(length, found.lasted(length)) for length in _averaging_times.LENGTHS_S if length >= shortest]
    longest = max((length for length, fixes in lasted if 2 * fixes.sum() >= found.n), default=0)
    found = found.of(dict(lasted).get(longest, np.zeros(found.n, bool)))
    for length in (length for length, _ in lasted if length <= longest):
        level = found.averages(length)
        long = level.count > 0
        if not long.any():
            continue
        up = found.heights()
        height = up.averages(length)
        points = np.bincount(found.point[long])
        rows.append(
            {
                "canopy": canopy,
                "duration_s": float(length),
                "fixes": int(long.sum()),
                "averages": int(level.count.sum()),
                "fixes_compared": int(points[points > 1].sum()),
                "one_visit": bool((points > 1).any()) and found.one_visit(long),
                "effective_epochs": _averaging_times.effective_number(
                    length, found.interval_s[long], found.correlation_s[long]
                ),
                "same_fix_h_m": _averaging_times.same_fix(level),
                "same_fix_v_m": _averaging_times.same_fix(height),
                "spread_h_m": _averaging_times.across_fixes(level, found.point),
                "spread_v_m": _averaging_times.across_fixes(height, up.point) if found.comparable_heights else np.nan,
            }
        )
    return rows


def _sentences(table: pd.DataFrame, left_out: int, unit: str) -> list[str]:
    """Return what more time buys, a sentence for each class."""
    single = table["canopy"].isna().all()
    said = [
        f"{under(canopy)}, {_gain(rows, unit)}"
        for canopy, rows in table.groupby("canopy", sort=False, dropna=False)
        if isinstance(canopy, str) or single
    ]
    if said and left_out:
        said.append(
            f"what averages spread is without points in conflict ({left_out} fixes): no length mends a wrong fix"
        )
    return said


def _gain(rows: pd.DataFrame, unit: str) -> str:
    known = rows[rows["spread_h_m"].notna()]
    if known.empty:
        return (
            f"no point has two fixes held for {duration(rows.iloc[0]['duration_s'])}: how much of an error stays "
            "however long one averages cannot be seen"
        )
    first, last = known.iloc[0], known.iloc[-1]
    longest = duration(last["duration_s"])
    spread = (
        f"averages of {duration(first['duration_s'])} spread {small(first['spread_h_m'], unit)} per horizontal axis "
        f"across {last['fixes_compared']} fixes, those of {longest} {small(last['spread_h_m'], unit)}"
    )
    if last["one_visit"]:
        spread += " (fixes of one visit: what they share is not seen)"
    flat = known[known["flat"]]
    if flat.empty:
        return f"{spread}: how long more time on the same fix pays was not seen"
    begin = duration(flat.iloc[0]["duration_s"])
    return f"{spread}; between {begin} and {longest} more time on the same fix lowered that by less than a tenth"
