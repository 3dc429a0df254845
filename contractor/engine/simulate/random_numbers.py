"""Random numbers by name: each has its own, whatever else is drawn and in whatever order.

A number depends on the seed, the number of the run, what it is for and whose it is. So a run can
be made by any worker, and a plan with one job more sees the same luck in all the others.
"""

from enum import IntEnum
from hashlib import blake2b

import numpy as np

from contractor.engine.compiled import kernel

__all__ = ["Luck", "key_of", "luck_of", "named", "normal", "uniform"]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_FIRST = np.uint64(0xBF58476D1CE4E5B9)
_SECOND = np.uint64(0x94D049BB133111EB)
_30, _27, _31, _11 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(11)


class Luck(IntEnum):
    """What a number is for."""

    WORK = 1
    JOB = 2
    CREW = 3
    LATE = 4
    HOW_LATE = 5
    VISIT = 6
    WEATHER = 7
    SHARED_WEATHER = 8
    SHORT_HANDED = 9
    TEMPERATURE = 10


def key_of(text: str) -> int:
    """Return the number that stands for a name, the same on every machine."""
    return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "little")


@kernel
def _mixed(number: np.uint64) -> np.uint64:
    """Return a number with its bits mixed: the finalizer of SplitMix64 (Steele et al. 2014)."""
    number = (number ^ (number >> _30)) * _FIRST
    number = (number ^ (number >> _27)) * _SECOND
    return number ^ (number >> _31)


@kernel
def luck_of(seed: int, run: int) -> np.uint64:
    """Return what all numbers of a run are made from."""
    return _mixed(_mixed(np.uint64(seed) + _STEP) + _STEP * np.uint64(run + 1))


@kernel
def named(luck: np.uint64, kind: int, key: np.uint64) -> np.uint64:
    """Return what the numbers for a Luck and whose it is are made from."""
    return _mixed(luck ^ (key + _STEP * np.uint64(kind)))


@kernel
def _as_fraction(number: np.uint64) -> float:
    """Return a number above 0 and below 1 from the upper 53 bits."""
    return (float(number >> _11) + 0.5) * 2.0**-53


@kernel
def _numbered(name: np.uint64, turn: int) -> np.uint64:
    return _mixed(name + _STEP * np.uint64(turn + 1))


@kernel
def uniform(name: np.uint64, turn: int) -> float:
    """Return a number above 0 and below 1, by its name and which of several."""
    return _as_fraction(_numbered(name, turn))


@kernel
def normal(name: np.uint64, turn: int) -> float:
    """Return a standard normal number, by the transform of Box and Muller (1958)."""
    number = _numbered(name, turn)
    radius = np.sqrt(-2.0 * np.log(_as_fraction(number)))
    return radius * np.cos(2.0 * np.pi * _as_fraction(_mixed(number + _STEP)))
