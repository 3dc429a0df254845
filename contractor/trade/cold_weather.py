"""
Concrete in the cold: how warm it must be placed and kept, how long, and how slowly let cool.

The rules of ACI 306R-16, from memory throughout. They protect the concrete, not the program: the
engineer's drawings, the authority and the ready-mix supplier come first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from contractor.trade.specification import Specification
from contractor.trade.units import degc_to_degf

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Air that has fallen to, or is expected to fall below, this while concrete is protected:
# ACI 306R-16 section 1.2 (from memory).
COLD_WEATHER_DEGF = 40.0
FREEZING_DEGF = 32.0
# Concrete of this strength survives one freeze: ACI 306R-16 (from memory).
FREEZE_PROOF_PSI = 500.0


@dataclass(frozen=True, slots=True)
class ColdLimits:
    """
    Temperatures of concrete in °F by its section's thickness, up to ``below_in`` inches.

    ``mixed_*`` are as mixed, by the air: above 30 °F, 0 to 30 °F, below 0 °F.
    """

    below_in: float
    placed_degf: float
    mixed_above_30_degf: float
    mixed_0_to_30_degf: float
    mixed_below_0_degf: float
    most_drop_degf: float


# ACI 306R-16 Table 5.1 (from memory): the temperature as placed and maintained, as mixed, and
# the most that it may fall in the first 24 hours after protection ends.
COLD_LIMITS = (
    ColdLimits(12.0, 55.0, 60.0, 65.0, 70.0, 50.0),
    ColdLimits(36.0, 50.0, 55.0, 60.0, 65.0, 40.0),
    ColdLimits(72.0, 45.0, 50.0, 55.0, 60.0, 30.0),
    ColdLimits(float("inf"), 40.0, 45.0, 50.0, 55.0, 20.0),
)


class ServiceCategory(IntEnum):
    """What young concrete bears while it is protected: ACI 306R-16 Table 7.1 (from memory)."""

    NO_LOAD_NOT_EXPOSED = 1
    NO_LOAD_EXPOSED = 2
    PARTIAL_LOAD_EXPOSED = 3
    FULL_LOAD = 4


# Days of protection with normal set, and with accelerated set (type III cement, 100 lb more
# cement to the yard, or an accelerator): ACI 306R-16 Table 7.1 (from memory).
PROTECTION_DAYS: dict[ServiceCategory, tuple[int, int]] = {
    ServiceCategory.NO_LOAD_NOT_EXPOSED: (2, 1),
    ServiceCategory.NO_LOAD_EXPOSED: (3, 2),
    ServiceCategory.PARTIAL_LOAD_EXPOSED: (6, 4),
}


def cold_limits(section_in: float) -> ColdLimits:
    """
    Return the limits for concrete whose thinnest side is so thick, in inches.

    Raises ValueError unless the thickness is above 0.
    """
    if not section_in > 0:
        raise ValueError(f"section_in {section_in}: enter the thinnest side in inches, above 0.")
    return next(limits for limits in COLD_LIMITS if section_in < limits.below_in)


def mixed_degf(section_in: float, air_degf: float) -> float:
    """Return how warm concrete should leave the mixer in air of so many °F."""
    limits = cold_limits(section_in)
    if air_degf > 30:
        return limits.mixed_above_30_degf
    return limits.mixed_0_to_30_degf if air_degf >= 0 else limits.mixed_below_0_degf


def protection_days(category: ServiceCategory, *, accelerated: bool) -> int | None:
    """Return the days of protection in the cold; None where strength decides (category 4)."""
    if category is ServiceCategory.FULL_LOAD:
        return None
    return PROTECTION_DAYS[category][1 if accelerated else 0]


@dataclass(frozen=True, slots=True)
class Section:
    """What is poured: its name, the thinnest side in inches, what it bears while young."""

    name: str
    thinnest_in: float
    category: ServiceCategory


def section_of(phase_code: str, building: Specification) -> Section | None:
    """
    Return what a phase pours into a building; None where it pours nothing.

    Pads and collars lie in the ground and bear little while they are protected; a slab is open
    to the air until the building is closed. Which category that is: common practice, no source.
    """
    buried = ServiceCategory.NO_LOAD_NOT_EXPOSED
    poured = building.foundation == "POURED_PIER"
    if phase_code == "POUR" and poured and building.pad_in > 0:
        return Section("Pads", min(building.pad_in, building.pier_diameter_in), buried)
    if phase_code == "POSTS" and poured and building.collar_in > 0:
        return Section("Collars", min(building.collar_in, building.pier_diameter_in), buried)
    if phase_code == "SLAB" and building.slab_in > 0:
        return Section("Slab", building.slab_in, ServiceCategory.NO_LOAD_EXPOSED)
    return None


@dataclass(frozen=True, slots=True)
class ColdPour:
    """
    A pour in its weather, planned or made; hours are from placing on.

    ``air_degc`` and ``concrete_degc`` are hourly means of the same length. ``placed_degf`` and
    ``ground_degf`` are None where nobody has read them, ``protected_hours`` where nobody has
    said. ``strength_psi`` is the strength at the end of each hour.
    """

    section: Section
    accelerated: bool
    air_degc: NDArray[np.float64]
    concrete_degc: NDArray[np.float64]
    strength_psi: NDArray[np.float64]
    placed_degf: float | None = None
    ground_degf: float | None = None
    protected_hours: float | None = None
    is_planned: bool = False


def cold_cautions(pour: ColdPour) -> tuple[str, ...]:
    """Return what the cold asks of a pour, worst first; empty in mild weather."""
    return (*_ground(pour), *_freeze(pour), *_placing(pour), *_protection(pour), *_drop(pour))


def is_cold_weather(pour: ColdPour) -> bool:
    """Return whether the air falls below 40 °F while the pour should be protected."""
    air = pour.air_degc[: _protected_hours(pour)]
    return bool(air.size) and float(degc_to_degf(air.min())) < COLD_WEATHER_DEGF


def _protected_hours(pour: ColdPour) -> int:
    days = protection_days(pour.section.category, accelerated=pour.accelerated)
    return 24 * (7 if days is None else days)


def _ground(pour: ColdPour) -> Iterator[str]:
    if pour.ground_degf is not None and pour.ground_degf <= FREEZING_DEGF:
        was = "is expected to be" if pour.is_planned else "was"
        yield (
            f"The ground {was} at {pour.ground_degf:.0f} °F. Never place concrete on frozen "
            "ground: thaw it first, all the way through; it settles as it thaws."
        )


def _freeze(pour: ColdPour) -> Iterator[str]:
    young = pour.strength_psi < FREEZE_PROOF_PSI
    cold = pour.concrete_degc < 0
    frozen = np.flatnonzero(young & cold)
    if frozen.size:
        yield (
            f"It freezes {_hours_words(int(frozen[0]))} after placing, before it has "
            f"{FREEZE_PROOF_PSI:.0f} psi; a freeze that early can ruin it. Keep it warm, or have "
            "the engineer look at it."
        )


def _placing(pour: ColdPour) -> Iterator[str]:
    least = cold_limits(pour.section.thinnest_in).placed_degf
    if pour.placed_degf is not None and pour.placed_degf < least and is_cold_weather(pour):
        yield (
            f"Placed at {pour.placed_degf:.0f} °F; {pour.section.thinnest_in:g} in thick, it "
            f"should be placed and kept at {least:.0f} °F or more."
        )


def _protection(pour: ColdPour) -> Iterator[str]:
    if not is_cold_weather(pour):
        return
    days = protection_days(pour.section.category, accelerated=pour.accelerated)
    least = cold_limits(pour.section.thinnest_in)
    coldest = float(degc_to_degf(pour.air_degc[: _protected_hours(pour)].min()))
    asked = f"{days} day{'' if days == 1 else 's'}" if days else "until it has its strength"
    told = pour.protected_hours
    if told is None or days is None or told < 24 * days:
        short = "" if told is None else f" It is protected for {_hours_words(round(told))}."
        yield (
            f"Cold weather: air down to {coldest:.0f} °F, below {COLD_WEATHER_DEGF:.0f}. Order it "
            f"at {mixed_degf(pour.section.thinnest_in, coldest):.0f} °F or more, and keep it at "
            f"{least.placed_degf:.0f} °F or more for {asked}.{short}"
        )


def _drop(pour: ColdPour) -> Iterator[str]:
    """Compare the concrete at the end of protection with the air of the 24 hours behind it."""
    if pour.protected_hours is None or not is_cold_weather(pour):
        return
    end = int(pour.protected_hours)
    after = pour.air_degc[end : end + 24]
    if not 0 < end <= pour.concrete_degc.size or not after.size:
        return
    kept = float(degc_to_degf(pour.concrete_degc[end - 1]))
    drop = kept - float(degc_to_degf(after.min()))
    most = cold_limits(pour.section.thinnest_in).most_drop_degf
    if drop > most:
        yield (
            f"Protection ends at {kept:.0f} °F with air {drop:.0f} °F colder within a day; let "
            f"it cool by {most:.0f} °F at most in the first 24 hours, or it cracks."
        )


def _hours_words(hours: int) -> str:
    return f"{hours} hour{'' if hours == 1 else 's'}"
