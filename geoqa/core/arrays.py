"""The types of arrays in annotations: numbers, row numbers and class codes, flags. Shapes stand in the docstrings."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]
