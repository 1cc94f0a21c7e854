"""Steps of other distributions at work: what they are given is a copy, and what they do wrong stops at them.

An installed plugin runs with its user's rights: this holds off its mistakes, not its malice. It may end, raise or
return anything; it may write into what it is shown, change the folder it runs in, the warnings that are shown and
how numpy treats overflow. Ctrl-C, and a signal to terminate, pass through.
"""

from __future__ import annotations

import contextlib
import contextvars
import copy
import decimal
import os
import warnings
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from geoqa.core.errors import GeoqaError, StepError

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")

#: Letters of a message, and how many messages of one step are kept.
LONGEST, MOST = 300, 20
#: Columns that a frame may have: SQLite, which a GeoPackage is, holds no more than 2,000.
MOST_COLUMNS = 1_000


def call(work: Callable[[], T], who: str = "", told: type[GeoqaError] = StepError) -> T:
    """Return what `work`, which runs a guest's code, returns.

    Parameters
    ----------
    work
        What to do.
    who
        Says whose work failed, and in what; empty where that is said elsewhere.
    told
        The error to raise for whatever the guest raises.
    """
    folder = _folder()
    try:
        with warnings.catch_warnings(), decimal.localcontext():
            # How numpy treats faults is a variable of the context.
            return contextvars.copy_context().run(work)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        raise told(f"{who}: {said(error)}" if who else said(error)) from error
    finally:
        if folder is not None and _folder() != folder:
            with contextlib.suppress(OSError):
                os.chdir(folder)


def said(error: BaseException) -> str:
    """Return what an error says, on one line of a bounded length, with its kind unless geoqa raises it on purpose."""
    try:
        text = str(error)
    except KeyboardInterrupt:
        raise
    except BaseException:
        text = "(its message cannot be read)"
    if isinstance(error, GeoqaError):
        return one_line(text)
    return one_line(f"{type(error).__name__}: {text[: 4 * LONGEST]}" if text else type(error).__name__)


def one_line(text: str, longest: int = LONGEST) -> str:
    """Return text on one line, at most `longest` letters of it, in signs that UTF-8 can hold."""
    line = " ".join(text[: 4 * longest].split()).encode("utf-8", "replace").decode()
    return line if len(line) <= longest and len(text) <= 4 * longest else f"{line[: longest - 1]}…"


def messages(given: Any) -> tuple[str, ...]:
    """Return the messages of a guest, cleaned and no more than `MOST`, or raise StepError if they are none."""
    if not isinstance(given, (tuple, list)) or not all(isinstance(text, str) for text in given):
        raise StepError("its messages must be a tuple of texts")
    kept = tuple(one_line(text) for text in given[:MOST])
    return kept if len(given) <= MOST else (*kept, f"and {len(given) - MOST:,} messages more")


def copied(frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return copies of frames that share no memory with them and nothing that can be changed."""
    return {name: _copied(frame) for name, frame in frames.items()}


def taken(frames: Any) -> dict[str, pd.DataFrame]:
    """Return copies of the frames that a guest made, so that it cannot change them later.

    Raises
    ------
    StepError
        If they are no frames by name, or a column holds what no output can.
    """
    import pandas as pd

    if not isinstance(frames, Mapping):
        raise StepError(f"it returned {type(frames).__name__} for its frames, it must return frames by name")
    made = {}
    for name, frame in frames.items():
        if not isinstance(frame, pd.DataFrame):
            raise StepError(f"it returned {type(frame).__name__} for {name!r}, it must be a data frame")
        if frame.shape[1] > MOST_COLUMNS:
            raise StepError(f"it returned {frame.shape[1]:,} columns for {name!r}, at most {MOST_COLUMNS:,} can be")
        strange = [label for label in frame.columns if not (isinstance(label, str) and label.isprintable() and label)]
        faults = [f"{name}[{one_line(repr(label), 60)}] is no name of a column" for label in strange]
        if frame.columns.is_unique and not strange:
            faults += [
                f"{name}.{column} holds {frame[column].dtype}" for column in frame if not _is_plain(frame[column])
            ]
        if faults:
            raise StepError(f"{'; '.join(faults[:5])}: a column holds numbers, text, yes and no, times or geometry")
        made[str(name)] = _copied(frame)
    return made


def _folder() -> Path | None:
    try:
        return Path.cwd()
    except OSError:  # it has been removed
        return None


def _copied(frame: pd.DataFrame) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    made = frame.copy(deep=True)
    made.index = frame.index.copy(deep=True)
    for place, dtype in enumerate(frame.dtypes):
        # pandas shares the words of a category, and what the cells of a column of objects hold.
        if isinstance(dtype, pd.CategoricalDtype):
            words = pd.CategoricalDtype(dtype.categories.copy(deep=True), dtype.ordered)
            codes = frame.iloc[:, place].cat.codes.to_numpy().copy()
            made.isetitem(place, pd.Categorical.from_codes(codes, dtype=words))
        elif pd.api.types.is_object_dtype(dtype) and not _is_fixed(frame.iloc[:, place]):
            cells = np.empty(len(frame), dtype=object)
            cells[:] = copy.deepcopy(list(frame.iloc[:, place]))
            made.isetitem(place, cells)
    return made


def _is_fixed(values: pd.Series) -> bool:
    """Return whether no cell of a column can be changed in its place."""
    import shapely

    fixed = (str, int, float, bool, bytes, type(None), shapely.Geometry)
    return all(issubclass(kind, fixed) for kind in set(map(type, values)))


def _is_plain(values: pd.Series) -> bool:
    """Return whether every output can hold a column."""
    from pandas.api import types

    if isinstance(values.dtype, types.CategoricalDtype):
        words = values.cat.categories
        return not len(words) or bool(types.is_string_dtype(words)) or bool(types.is_numeric_dtype(words))
    if values.dtype == object:
        return types.infer_dtype(values, skipna=True) in ("string", "empty", "boolean")
    plain = (types.is_bool_dtype, types.is_datetime64_any_dtype, types.is_string_dtype)
    number = types.is_numeric_dtype(values) and not types.is_complex_dtype(values)
    return number or str(values.dtype) == "geometry" or any(kind(values) for kind in plain)
