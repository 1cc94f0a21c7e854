"""Every column of every frame of the sample sites is what it was when somebody last looked.

Nothing here says that a number is right; that is for the other tests. A change of any of them is either meant, then
`python tests/analysis/test_sample_frames.py` writes frames.json anew and its difference names the columns, or it is a
bug. Columns are kept as sums with weights, so that processors may differ in the last digits.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
import zlib
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

import numpy as np
import pandas as pd
import pytest
import shapely
import uneven

import geoqa
from geoqa.demo import files

KEPT = Path(__file__).with_name("frames.json")
SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
#: Of what a sum may differ by, in parts of the sum of its parts' sizes.
NEAR = 1e-6


def _sample(name: str, file: str):
    return geoqa.review(SAMPLE / name / file, SAMPLE / name / "site.toml").frames


def _logs():
    with tempfile.TemporaryDirectory() as folder:
        made = files.write_logs(Path(folder))
        return geoqa.review(made, Path(folder) / "logs.toml").frames


SITES = {
    "Totara Saddle": lambda: _sample("totara_saddle", "occupations.csv"),
    "Lantern Fork": lambda: _sample("lantern_fork", "points.txt"),
    "Totara Saddle, logs": _logs,
    "Quillback Bar": lambda: uneven.review().frames,
}


def kept(frame: pd.DataFrame) -> dict[str, list]:
    """Return what is kept of each column."""
    return {name: _kept(frame[name]) for name in frame.columns}


def _kept(column: pd.Series) -> list:
    null = int(column.isna().sum())
    if column.dtype == "geometry":
        return [null, *_sums(shapely.get_coordinates(column.to_numpy(), include_z=True).ravel())]
    if isinstance(column.dtype, pd.DatetimeTZDtype) or column.dtype.kind == "M":
        seconds = (column - pd.Timestamp("2026-01-01", tz=column.dt.tz)).dt.total_seconds()
        return [null, *_sums(seconds.to_numpy(dtype=float))]
    if isinstance(column.dtype, pd.CategoricalDtype) or column.dtype == object or column.dtype == "str":
        words = column.astype(object).where(column.notna(), None)
        return [null, zlib.crc32("\x1f".join(map(str, words)).encode())]
    return [null, *_sums(column.to_numpy(dtype=float, na_value=np.nan))]


def _sums(values: np.ndarray) -> list[float]:
    """Return the first value, the weighted sum of what the others are more, and the sum of its parts' sizes."""
    known = values[np.isfinite(values)]
    if not known.size:
        return []
    parts = (known - known[0]) * ((np.arange(known.size) * 2_654_435_761 % 1000 + 1) / 1000)
    return [float(f"{number:.12g}") for number in (known[0], parts.sum(), np.abs(parts).sum())]


def _same(a: list, b: list) -> bool:
    if len(a) != len(b) or a[0] != b[0] or len(a) < 4:
        return a == b
    (_, first, total, size), (_, other, total_b, size_b) = a, b
    near = NEAR * max(size, size_b) + 1e-12
    return abs(first - other) <= max(NEAR * abs(first), 1e-12) and abs(total - total_b) <= near


@pytest.mark.parametrize("site", SITES)
def test_the_frames_of_a_sample_site_are_those_that_were_looked_at(site):
    wanted, found = json.loads(KEPT.read_text())[site], SITES[site]()
    assert sorted(found) == sorted(wanted)
    changed = []
    for name in sorted(wanted):
        now = kept(found[name])
        assert sorted(now) == sorted(wanted[name]), name
        changed += [f"{name}.{column}" for column in now if not _same(now[column], wanted[name][column])]
    assert not changed, f"other than when somebody last looked: {', '.join(changed)}"


def test_a_small_change_is_seen_and_the_last_digit_is_not():
    column = pd.Series([1.0, 0.002, np.nan, 7.5])
    assert _same(_kept(column), _kept(column + 1e-15))
    for changed in (column.replace(0.002, 0.0021), column.fillna(0.0), column + 0.001, column.iloc[::-1]):
        assert not _same(_kept(column), _kept(changed))
    assert not _same(_kept(pd.Series(["a", "b"])), _kept(pd.Series(["b", "a"])))


if __name__ == "__main__":
    whole = {site: {name: kept(frame) for name, frame in sorted(make().items())} for site, make in SITES.items()}
    text = json.dumps(whole, indent=1)
    # A column a line: that is what a difference shows.
    KEPT.write_text(re.sub(r"\[\s+([^\[\]{}]*?)\s+\]", lambda m: "[" + " ".join(m[1].split()) + "]", text) + "\n")
