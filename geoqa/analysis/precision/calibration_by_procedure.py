"""What the stated precision is worth by how the points were observed."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.schema import FRAMES
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, Result

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
