"""A reader of the line book: one occupation a line, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import Reader, ReadResult, param
from geoqa.core.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa import Job

_NUMBER = r"[-+]?\d+(?:\.\d+)?"
OCCUPATION = (
    rf"^(?P<point>\S.*?) at (?P<easting_m>{_NUMBER}) (?P<northing_m>{_NUMBER}) (?P<height_m>{_NUMBER}) "
    rf"within (?P<sigma_h>{_NUMBER}) (?P<sigma_v>{_NUMBER}) from (?P<time>\d\d:\d\d:\d\d) fix (?P<initialization>.+)$"
)
BASE = r"^base (?P<base>.+) on (?P<day>\d{4}-\d\d-\d\d)$"


@dataclass(frozen=True, kw_only=True)
class LineBook(Reader):
    """Line books (.book): metres, UTC, one occupation a line under the base line before it."""

    name = "line-book"
    gives = ("occupations", "set_aside")
    suffixes = (".book",)

    largest_sigma_m: float = param(5.0, unit="m", above=0, help="A line with a larger precision is set aside")

    def read(self, path: Path, job: Job) -> ReadResult:
        """Return the occupations of a line book, and the lines that are none."""
        import pandas as pd

        try:
            text = path.read_bytes().decode("utf-8")
        except UnicodeDecodeError as error:
            raise InputError(f"{path.name}: is not UTF-8 text (byte {error.start}). Save it as UTF-8.") from error
        except OSError as error:
            raise InputError(f"{path}: cannot be read ({error.strerror}). Check the name and the rights.") from error
        lines = pd.Series(text.split("\n"), dtype="str").str.strip()
        lines = lines[(lines != "") & ~lines.str.startswith("*")]
        setups = lines.str.extract(BASE)
        is_setup = setups["base"].notna()
        rows = lines.str.extract(OCCUPATION).join(setups.ffill())[~is_setup]
        frame, reason = self._occupations(rows)
        if not (reason == "").any():
            raise InputError(f"{path.name}: holds no occupation. A line is: NAME at E N H within H V from TIME fix ID.")
        used = reason == ""
        aside = pd.DataFrame({
            "source_file": path.name, "source_line": reason.index[~used] + 1,
            "reason": reason[~used].to_numpy(), "row": lines[reason.index[~used]].to_numpy(),
        })  # fmt: skip
        account = {"read": len(reason), "used": int(used.sum()), "set_aside": len(aside)}
        return ReadResult({"occupations": _complete(frame[used], path.name), "set_aside": aside}, {"rows": account})

    def _occupations(self, rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
        """Return the rows as numbers and times, and why a row cannot be used (empty where it can)."""
        import numpy as np
        import pandas as pd

        start = pd.to_datetime(rows["day"] + "T" + rows["time"], utc=True, errors="coerce", format="%Y-%m-%dT%H:%M:%S")
        numbers = {c: rows[c].astype("float64") for c in ("easting_m", "northing_m", "height_m", "sigma_h", "sigma_v")}
        sigma = pd.concat([numbers["sigma_h"], numbers["sigma_v"]], axis=1)
        reason = pd.Series(np.select(
            [rows["point"].isna(), rows["base"].isna(), start.isna(), ~(sigma > 0).all(axis=1),
             (sigma > self.largest_sigma_m).any(axis=1)],
            ["is no line of a book", "stands before any base line", "has no such time",
             "has a precision that is not above zero", f"has a precision above {self.largest_sigma_m:g} m"], ""
        ), index=rows.index)  # fmt: skip
        return rows.assign(**numbers, start_utc=start), reason


def _complete(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the occupations frame; what a line book does not hold is null."""
    from geoqa.core.frames.schema import complete_occupations

    columns: Mapping[str, Any] = {
        **{c: rows[c] for c in ("point", "easting_m", "northing_m", "height_m", "start_utc", "initialization", "base")},
        "end_utc": rows["start_utc"], "source_line": rows.index + 1,
        "sigma_e_m": rows["sigma_h"], "sigma_n_m": rows["sigma_h"], "sigma_u_m": rows["sigma_v"],
        "resolution_h_m": [0.001] * len(rows), "resolution_v_m": [0.001] * len(rows),
    }  # fmt: skip
    return complete_occupations(columns, name)
