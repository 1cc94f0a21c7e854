"""Frames of an earlier review, read back from its GeoPackage."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from geoqa.core import input_files, result_set, vector_files
from geoqa.core.errors import InputError
from geoqa.core.frames import schema
from geoqa.core.frames.revisits import ACTIONS
from geoqa.core.frames.schema import RUN_FORMAT
from geoqa.core.frames.wording import MIXED
from geoqa.core.job import Job
from geoqa.readers.recipe.recipe import job_from_table

#: Frames that every review has.
NEEDED = ("occupations", "set_aside", "closures", "points", "classes")
#: Tables of the GeoPackage that are no frames: how a desktop GIS draws the others, and what the file is.
NO_FRAMES = ("layer_styles", "about")


def read_record(folder: Path) -> dict[str, Any]:
    """Return run.json of a review folder.

    Raises
    ------
    InputError
        If the folder holds no readable run.json, or files of two reviews.
    """
    path = folder / result_set.RECORD
    if problem := result_set.caught(folder):
        raise InputError(problem)
    try:
        record = json.loads(input_files.content(path))
    except InputError:
        raise
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path} cannot be read: {reason}. Name a folder that `geoqa review` has written.") from error
    kinds = {"recipe": dict, "accounts": dict, "messages": list, "versions": dict}
    if not isinstance(record, dict) or not all(isinstance(record.get(key), kind) for key, kind in kinds.items()):
        raise InputError(f"{path} is not the record of a review. Name a folder that `geoqa review` has written.")
    if record.get("format", RUN_FORMAT) != RUN_FORMAT:
        stated = repr(record["format"])[:60]
        raise InputError(f"{path} is in the format {stated}, this geoqa reads {RUN_FORMAT!r}. Review the site again.")
    origin = record.get("local_origin")
    if origin is not None and not (
        isinstance(origin, list) and len(origin) == 2 and all(isinstance(x, (int, float)) for x in origin)
    ):
        raise InputError(f"{path} is damaged: local_origin is not a longitude and a latitude. Review the site again.")
    return record


def read_job(folder: Path, record: Mapping[str, Any]) -> Job:
    """Return the job of the review in `folder`, by the recipe in its record.

    Raises
    ------
    RecipeError
        If the recipe is damaged.
    """
    recipe = job_from_table(record["recipe"], f"{folder / 'run.json'}: recipe")
    origin = record.get("local_origin")
    return Job.of(recipe, local_origin=tuple(origin) if origin else None)


def read_review(folder: Path) -> tuple[dict[str, Any], dict[str, pd.DataFrame]]:
    """Return the record and the frames of the review in `folder`, both of one review.

    Raises
    ------
    InputError
        As `read_record` and `read_frames`, or if another run replaced the review meanwhile.
    """
    record = read_record(folder)
    if "review.gpkg" not in (result_set.listed(record) or ("review.gpkg",)):
        raise InputError(f"{folder} holds a review without its frames. Review again with --files gpkg.")
    frames = read_frames(folder)
    if read_record(folder) != record:
        raise InputError(f"{folder} was written anew while it was read. Call again.")
    return record, frames


def read_frames(folder: Path) -> dict[str, pd.DataFrame]:
    """Return the frames of review.gpkg, in the kinds their contracts ask for.

    Raises
    ------
    InputError
        If the file is missing or is no GeoPackage.
    """
    pyogrio, path = vector_files.library(), folder / "review.gpkg"
    try:
        with vector_files.copied(path) as copy:
            layers = [str(name) for name in pyogrio.list_layers(copy.path)[:, 0] if name not in NO_FRAMES]
            names = [name for name in layers if not schema.enlarged(name)[1]]
            frames = {name: pyogrio.read_dataframe(copy.path, layer=name, use_arrow=True) for name in names}
        frames = {name: _typed(name, frame) for name, frame in frames.items()}
        for name, frame in frames.items():
            schema.check(name, frame, by=path.name)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError, RuntimeError, ValueError) as error:
        problem = f"{path} cannot be read: {str(error)[:300].rstrip('.')}."
        raise InputError(f"{problem} Name a folder that `geoqa review` has written.") from error
    missing = [name for name in NEEDED if name not in frames]
    if missing:
        raise InputError(f"{path} holds no layer {', '.join(missing)}. Name a folder that `geoqa review` has written.")
    return frames


#: Keys that a review of an earlier version lacks, the words that stand there, and what is told from them.
_KEYED: dict[str, tuple[str, str, dict[str, str]]] = {
    "points": ("deliver_key", "deliver_reason", {}),
    "revisits": ("action_key", "action", {action.words: key for key, action in ACTIONS.items()}),
}
#: Frames with a row of the whole site; an earlier version wrote that there as a class.
_OF_SITE = ("classes", "first_classes", "waits", "durations", "pairs_needed", "detection")


def _typed(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose text is categorical and whose numbers and times are what the contract says."""
    contract = schema.FRAMES.get(name)
    if contract is None:
        return frame
    key, words, keys = _KEYED.get(name, ("", "", {}))
    if words in frame and key not in frame:
        frame = frame.assign(**{key: frame[words].map(keys)})
    if "canopy_mixed" in contract.columns and "canopy_mixed" not in frame and "canopy" in frame:
        mixed = frame["canopy"] == MIXED
        frame = frame.assign(canopy=frame["canopy"].mask(mixed), canopy_mixed=mixed)
    if name in _OF_SITE and frame["canopy"].notna().all():
        frame = frame.assign(canopy=frame["canopy"].mask(frame["canopy"] == schema.WHOLE_SITE))
    # A job in feet has its lengths a second time.
    feet = [c for c in frame if any(c.endswith(f"_{u}") and f"{c.removesuffix(u)}m" in frame for u in ("ft", "ftUS"))]
    frame = frame.drop(columns=feet)
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
