"""Frames of an earlier review, read back from its GeoPackage."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa.core import schema
from geoqa.core.errors import InputError

if TYPE_CHECKING:
    import pandas as pd


def read_record(folder: Path) -> dict[str, Any]:
    """Return run.json of a review folder.

    Raises
    ------
    InputError
        If the folder holds no readable run.json.
    """
    path = folder / "run.json"
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{path} cannot be read: {error}. Name a folder that `geoqa review` has written.") from error
    if not isinstance(record, dict) or "recipe" not in record:
        raise InputError(f"{path} is not the record of a review. Name a folder that `geoqa review` has written.")
    return record


def read_frames(folder: Path) -> dict[str, pd.DataFrame]:
    """Return the frames of review.gpkg, in the kinds their contracts ask for.

    Raises
    ------
    InputError
        If the file is missing or is no GeoPackage.
    """
    import pyogrio

    path = folder / "review.gpkg"
    try:
        names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
        frames = {name: pyogrio.read_dataframe(path, layer=name, use_arrow=True) for name in names}
    except pyogrio.errors.DataSourceError as error:
        raise InputError(f"{path} cannot be read: {error}. Name a folder that `geoqa review` has written.") from error
    return {name: _typed(name, frame) for name, frame in frames.items()}


def _typed(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose text is categorical and whose numbers and times are what the contract says."""
    import pandas as pd

    contract = schema.FRAMES.get(name)
    if contract is None:
        return frame
    columns = {}
    for column, rule in contract.columns.items():
        if column not in frame:
            continue
        values = frame[column]
        if rule.kind == "text" and rule.words:
            columns[column] = pd.Categorical(values, categories=list(rule.words))
        elif rule.kind == "text":
            columns[column] = values.astype("str") if column in contract.key else values.astype("category")
        elif rule.kind == "float":
            columns[column] = pd.to_numeric(values).astype(float)
        elif rule.kind == "time":
            columns[column] = pd.to_datetime(values, utc=True)
    return frame.assign(**columns)
