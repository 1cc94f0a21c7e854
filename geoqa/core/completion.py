"""An occupations frame from whatever columns a reader has: the contract's others are there, and null."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from geoqa.core import schema

if TYPE_CHECKING:
    import pandas as pd

#: Columns of occupations that analysis steps give.
MADE_LATER = (
    "visit", "visit_v", "copy_of", "use", "fix", "canopy_label", "canopy_from", "geometry", "expected_h_m",
    "expected_v_m", "freedom_h", "freedom_v", "wrong_rate", "wrong_worth",
)  # fmt: skip
#: What a row is unless the file says otherwise.
USUAL = {"origin": "measured", "method": "direct"}


def complete_occupations(columns: Mapping[str, Any], source_file: str) -> pd.DataFrame:
    """Return an occupations frame that holds every column a reader gives, in the kinds the contract asks for.

    Parameters
    ----------
    columns
        Sequences of equal length by column name, in metres and UTC: at least ``point``, ``source_line``,
        ``resolution_h_m``, and ``easting_m`` and ``northing_m`` or ``lon_deg`` and ``lat_deg``. Names
        the contract does not know travel along.
    source_file
        Name of the file.

    Returns
    -------
    pandas.DataFrame
        Rows in the order given; what is missing is null, ``origin`` measured, ``method`` direct.
    """
    import pandas as pd

    rows = range(len(columns["point"]))
    given = {name: pd.Series(values).set_axis(rows) for name, values in columns.items()}
    given["occupation_id"] = pd.Series(range(1, len(rows) + 1), index=rows)
    given["source_file"] = pd.Series([source_file] * len(rows), index=rows)
    known = {name: rule.kind for name, rule in schema.OCCUPATIONS.columns.items() if name not in MADE_LATER}
    made = {name: _typed(kind, given.get(name), rows, USUAL.get(name)) for name, kind in known.items()}
    return pd.DataFrame(made | {name: values for name, values in given.items() if name not in known}, index=rows)


def _typed(kind: str, values: pd.Series | None, rows: range, usual: str | None) -> pd.Series:
    import pandas as pd

    if kind == "float":
        return pd.Series(float("nan"), index=rows) if values is None else values.astype("float64")
    if kind == "int" and values is not None:
        return values.astype("int64")
    if kind == "time":
        values = pd.Series(pd.NaT, index=rows) if values is None else values
        return pd.to_datetime(values, utc=True).astype("datetime64[us, UTC]")
    if values is None:
        labels = pd.Index([usual] if usual else [], dtype="str")
        return pd.Series(pd.Categorical.from_codes([0 if usual else -1] * len(rows), labels), index=rows)
    words = values.astype("str")
    return (words.fillna(usual) if usual else words).astype("category")
