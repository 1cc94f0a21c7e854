"""What the stated precision is worth by how the points were observed, and the rod's part in what they close by."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.occupations import measured_rows
from geoqa.core.arrays import Array, Flags, Frames, np, pd, special
from geoqa.core.frames.control import PLUMB
from geoqa.core.frames.schema import FRAMES
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted, length, p_value

#: Lower ends of the bands of duration, seconds.
BANDS_S = (0.0, 10.0, 60.0, 180.0)
BAND_NAMES = ("under 10 s", "10 to 60 s", "60 to 180 s", "180 s and more")


@dataclass(frozen=True, kw_only=True)
class CalibrationByProcedure(Analysis):
    """Calibrate by solution type and by band of duration, as by canopy class, where the data has several of them.

    Only pairs of visits whose two ends were observed alike count. A difference here may be one of place:
    crews stay longer where it is bad.
    """

    name = "calibration-by-procedure"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    uses = ("shifts", "shifted")
    gives = ("calibration_by_procedure",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `calibration_by_procedure`, a row per solution type and band with pairs; empty where all are alike."""
        from geoqa.analysis.precision import class_table, visit_pairs

        occupations = frames["occupations"]
        pairs = visit_pairs.pairs_of_visits(frames["closures"], occupations, visit_pairs.shift_offsets(frames))
        bands = pd.cut(occupations["duration_s"], [*BANDS_S, float("inf")], right=False, labels=list(BAND_NAMES))
        grouped = occupations.assign(duration=bands.cat.remove_unused_categories())
        parts = []
        for by in ("solution", "duration"):
            names, of = visit_pairs.classes_of(grouped, by, pairs)
            if len(np.unique(of[of < len(names)])) > 1:
                table = class_table.bounds(pairs.by(of), names)
                parts.append(table[table["pairs"] > 0].assign(by=by))
        made = pd.concat(parts, ignore_index=True) if parts else FRAMES["calibration_by_procedure"].filled([])
        return Result({"calibration_by_procedure": made})


#: Estimates farther from the middle than this many robust standard deviations are left out.
FAR = 4.0
#: A plumb error is told where one as long is less probable than this without any.
SURE = 0.01
_SIDES = ("to the front", "to the right", "to the back", "to the left")


@dataclass(frozen=True, kw_only=True)
class Plumb(Analysis):
    """Tell how far a rod stands off plumb when its bubble plays, from points shot with the rod facing opposite sides.

    A bubble that is off makes an error that turns with the rod, and satellites' errors do not: half the difference
    of opposite faces is the rod's, and their mean is free of it (common practice, no published source). Each point
    gives one estimate in the rod's own axes, from the two shots nearest in time that face far enough apart; those
    far from the others, as after a wrong fix, are left out. Tested by Hotelling's T squared (from memory).
    """

    name = "plumb"
    needs = ("occupations", "occupations.visit", "closures")
    gives = ("plumb",)

    least_turn_deg: float = param(
        90.0, unit="deg", minimum=30, maximum=180, help="Turn of the rod between two shots from which they tell of it"
    )
    least: int = param(5, unit="1", minimum=4, maximum=1000, help="Points that are needed")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `plumb`, a row for all rods and for each operator's; empty where no side is stated."""
        occupations, closures = frames["occupations"], frames["closures"]
        nothing = Result({"plumb": PLUMB.filled([])})
        if not {"facing_deg", "turn_deg"} & set(occupations) or closures.empty:
            return nothing
        facing = _facings(occupations)
        a, b = measured_rows.ends(occupations, closures)
        turn = np.abs((facing[b] - facing[a] + 180) % 360 - 180)
        told = (turn >= self.least_turn_deg) & (closures["independence_h"] != "copied").to_numpy(dtype=bool)
        at = np.flatnonzero(told)  # NaN compares false
        gap = closures["gap_s"].to_numpy(dtype=float, na_value=np.inf)[at]
        at = at[np.lexsort((-turn[at], gap))]
        at = at[~closures["point"].iloc[at].duplicated().to_numpy()]
        # Azimuths as angles of the complex plane: north is its real axis, east its imaginary one.
        moved = closures["dn_m"].to_numpy(dtype=float)[at] + 1j * closures["de_m"].to_numpy(dtype=float)[at]
        turned = np.exp(1j * np.radians(facing[b[at]])) - np.exp(1j * np.radians(facing[a[at]]))
        height = occupations["antenna_height_m"].to_numpy(dtype=float)
        operators = measured_rows.codes_of(occupations["operator"])
        mine = np.where(operators[a[at]] == operators[b[at]], operators[a[at]], -1)
        names = occupations["operator"].astype("category").cat.categories
        groups: list[tuple[str | None, Flags]] = [(None, np.ones(len(at), bool))]
        groups += [(str(names[k]), mine == k) for k in np.unique(mine[mine >= 0])] if len({*mine}) > 1 else []
        rows = [
            {"operator": name, **_plumb(moved[of], turned[of], height[a[at]][of])}
            for name, of in groups
            if of.sum() >= self.least
        ]
        said = [_plumb_said(row, job) for row in rows]
        if not rows:
            said = [f"{counted(len(at), 'point')} shot from opposite sides of the rod: too few to tell of its bubble"]
        return Result({"plumb": PLUMB.filled(rows)}, tuple(said))


def _facings(occupations: pd.DataFrame) -> Array:
    """Return the azimuth that the rod faced, as stated or by the turn since the shot before at the point."""
    none = np.full(len(occupations), np.nan)
    facing, turn = (
        occupations[name].to_numpy(dtype=float) if name in occupations else none for name in ("facing_deg", "turn_deg")
    )
    rows = measured_rows.direct_rows(occupations)
    at = rows.at
    begins = ~np.isnan(facing[at])
    begins[np.r_[True, rows.point[1:] != rows.point[:-1]][: len(at)]] = True
    part, step = np.cumsum(begins) - 1, np.where(begins, 0.0, turn[at])
    lost = np.cumsum(np.isnan(step))  # a turn that is not stated leaves what follows unknown
    along = np.cumsum(np.nan_to_num(step))
    first = np.flatnonzero(begins)[part]
    found = none.copy()
    found[at] = np.where(lost == lost[first], (facing[at][first] + along - along[first]) % 360, np.nan)
    return found


def _plumb(moved: Array, turned: Array, height_m: Array) -> dict[str, float]:
    """Return what differences of faces say of the rod: complex numbers, north real and east imaginary, metres; (n,)."""
    lean = moved / turned
    parts = np.column_stack([lean.real, lean.imag])
    off = np.hypot(*(parts - np.median(parts, axis=0)).T)
    kept = off <= FAR * np.median(off) / (2 * np.log(2)) ** 0.5 + 1e-12  # the median of Rayleigh's distribution
    mine, n = parts[kept], int(kept.sum())
    mean, spread = mine.mean(axis=0), np.cov(mine, rowvar=False)
    square = n * float(mean @ np.linalg.pinv(spread) @ mean)
    size, known = float(np.hypot(*mean)), height_m[height_m > 0]
    usual, half = float(np.median(known)) if len(known) else 0.0, np.abs(turned) / 2
    return {
        "points": len(lean), "left_out": len(lean) - n, "front_m": float(mean[0]), "right_m": float(mean[1]),
        "size_m": size, "sigma_m": float(np.sqrt(np.trace(spread) / 2 / n)),
        "p": float(special.fdtrc(2, n - 2, (n - 2) / (2 * (n - 1)) * square)),
        "lean_deg": float(np.degrees(np.arctan(size / usual))) if usual > 0 else np.nan,
        "before_m": float(np.sqrt((np.abs(half * lean)[kept] ** 2).mean())),
        "after_m": float(np.sqrt((np.abs(half * (lean - complex(*mean)))[kept] ** 2).mean())),
    }  # fmt: skip


def _plumb_said(row: dict[str, Any], job: Job) -> str:
    unit, whose = job.grid.unit, f" of {row['operator']}" if row["operator"] else ""
    seen = f"{counted(row['points'], 'point')} shot from opposite sides"
    if row["p"] >= SURE:
        most = length(row["size_m"] + 2.45 * row["sigma_m"], unit)
        return f"the rod{whose}: no plumb error is shown by {seen}, at most {most} (95 %)"
    azimuth = np.degrees(np.arctan2(row["right_m"], row["front_m"])) % 360
    side = _SIDES[int((azimuth + 45) // 90) % 4]
    lean = f", a lean of {60 * row['lean_deg']:.0f}'" if row["lean_deg"] == row["lean_deg"] else ""
    return (
        f"the rod{whose} stands {length(row['size_m'], unit)} off plumb {side}{lean}, by {seen} ({p_value(row['p'])}): "
        f"adjust its bubble. Half the differences of faces are {length(row['before_m'], unit)}, "
        f"{length(row['after_m'], unit)} without the rod's part, which is the satellites'. The mean of opposite faces "
        "is free of it; a point shot from one side is off by it (common practice, no published source)"
    )
