"""Arrays and frames in annotations, and the libraries they come from, each loaded when something of it is first used.

`Array` holds numbers, `Index` whole numbers and places in a frame, `Flags` yes and no; shapes stand in the
docstrings. A module that holds steps takes its libraries from here, so that listing steps stays quick.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

__all__ = [
    "Array", "ArrayLike", "Flags", "Frames", "Index", "NDArray", "csgraph", "gpd", "np", "pa", "pd",
    "recoded", "shapely", "sparse", "spatial", "special", "stats",
]  # fmt: skip

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    import shapely
    from numpy.typing import ArrayLike, NDArray
    from scipy import sparse, spatial, special, stats
    from scipy.sparse import csgraph

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]
    Frames = Mapping[str, pd.DataFrame]
else:
    Array = Index = Flags = Frames = NDArray = ArrayLike = Any

    class _Late:
        """A library that is imported when a name of it is asked for; the name is kept."""

        def __init__(self, library: str) -> None:
            self._library = library

        def __getattr__(self, name: str) -> Any:
            found = getattr(importlib.import_module(self._library), name)
            setattr(self, name, found)
            return found

    gpd, np, pa, pd, shapely = map(_Late, ("geopandas", "numpy", "pyarrow", "pandas", "shapely"))
    csgraph, sparse, spatial, special, stats = (
        _Late(f"scipy.{name}") for name in ("sparse.csgraph", "sparse", "spatial", "special", "stats")
    )


def recoded(codes: Index, words: Sequence[str | None]) -> pd.Categorical:
    """Return categories from codes into `words`, which may repeat; an empty word, or None, is null."""
    kept = {word: i for i, word in enumerate(dict.fromkeys(word for word in words if word))}
    index = np.array([kept.get(word, -1) if word else -1 for word in words], dtype=np.int64)
    return pd.Categorical.from_codes(index[codes], pd.Index(list(kept), dtype="str"))
