"""Names for the array types that the package passes around."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]
