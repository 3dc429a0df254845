"""Arrays of the widths that a layout has, out of plain numbers."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from contractor.engine.compiled import Flags, Floats, Ints
from contractor.engine.layout import NONE

__all__ = ["firsts", "flags", "floats", "indexes", "ints"]


def firsts(counts: Sequence[int] | NDArray[np.int64]) -> Ints:
    """Return where rows of these lengths begin that stand one behind the other, and their end."""
    begins = np.zeros(len(counts) + 1, dtype=np.int32)
    np.cumsum(np.asarray(counts, dtype=np.int32), out=begins[1:])
    return begins


def ints(values: Sequence[int]) -> Ints:
    """Return whole numbers as a layout has them."""
    return np.array(values, dtype=np.int32)


def indexes(values: Sequence[int | None]) -> Ints:
    """Return indexes or slots, NONE where there is none."""
    return np.array([NONE if v is None else v for v in values], dtype=np.int32)


def floats(values: Sequence[float]) -> Floats:
    """Return numbers with fractions."""
    return np.array(values, dtype=np.float64)


def flags(values: Sequence[bool]) -> Flags:
    """Return truths as 0 and 1."""
    return np.array(values, dtype=np.uint8)
