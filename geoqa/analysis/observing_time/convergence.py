"""How long crews waited: for a fix, until it held, until its stated and its true error were small enough."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.observing_time import _log_epochs, _wait_table
from geoqa.analysis.occupations import roles
from geoqa.core.arrays import Array, Flags, Frames, np, pd
from geoqa.core.frames.logs import BEGINS
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, Result


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
