"""From a job's row to the building that the take-off reads."""

from __future__ import annotations

from dataclasses import fields, replace
from enum import Enum
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from contractor.trade import building as trade
from contractor.trade.labor import PhaseLabor, phase_labor
from contractor.trade.rates import STARTER_RATES, Rate
from contractor.trade.takeoff import TakeOff, take_off
from jobs.models import Job, LaborRate, LeanTo, Opening

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

JOB_COLUMNS = {field.name for field in Job._meta.get_fields()}
# Columns a row has in common with the trade's building; both sides carry the same names.
SHARED = tuple(
    field.name
    for field in fields(trade.Building)
    if field.name in JOB_COLUMNS and field.name not in ("openings", "lean_tos")
)


def building_of(
    job: Job,
    *,
    openings: Iterable[Opening] | None = None,
    lean_tos: Iterable[LeanTo] | None = None,
) -> trade.Building:
    """
    Return the building of a job, with its stored doors and lean-tos unless others are given.

    Raises
    ------
    contractor.trade.errors.SpecError
        If the numbers do not make a building; it holds every fault.
    """
    if openings is None:
        openings = job.openings.all() if job.pk else ()
    if lean_tos is None:
        lean_tos = job.lean_tos.all() if job.pk else ()
    doors = tuple(
        trade.Opening(
            kind=_plain(opening.kind),
            width_ft=opening.width_ft,
            height_ft=opening.height_ft,
            count=opening.count,
        )
        for opening in openings
    )
    sheds = tuple(
        trade.LeanTo(
            width_ft=lean_to.width_ft,
            length_ft=lean_to.length_ft,
            low_eave_ft=lean_to.low_eave_ft,
            enclosed=lean_to.enclosed,
        )
        for lean_to in lean_tos
    )
    return _building(doors, sheds, *(_plain(getattr(job, name)) for name in SHARED))


def rates() -> Mapping[str, Rate]:
    """Return the starter rates with the firm's own figures in their place."""
    own = dict(LaborRate.objects.values_list("code", "hours_per_unit"))
    return {
        code: _with_typical(rate, own[code]) if code in own else rate
        for code, rate in STARTER_RATES.items()
    }


def take_off_of(
    job: Job, *, firm_rates: Mapping[str, Rate] | None = None
) -> tuple[trade.Building, TakeOff, tuple[PhaseLabor, ...]]:
    """Return a job's building, its take-off and the labor of each phase. Raises SpecError."""
    building = building_of(job)
    taken_off = take_off(building)
    labor = phase_labor(
        building=building,
        take_off=taken_off,
        rates=rates() if firm_rates is None else firm_rates,
    )
    return building, taken_off, labor


@lru_cache(maxsize=4096, typed=True)
def _building(
    openings: tuple[trade.Opening, ...], lean_tos: tuple[trade.LeanTo, ...], *values: Any
) -> trade.Building:
    """Return a building, kept from plan to plan: it seldom changes once it is sold."""
    named = dict(zip(SHARED, values, strict=True))
    return trade.Building(**named, openings=openings, lean_tos=lean_tos)


def _plain(value: Any) -> Any:
    """Return the stored value of a choice: a row not yet read back carries the member itself."""
    return value.value if isinstance(value, Enum) else value


def _with_typical(rate: Rate, hours: float) -> Rate:
    return replace(rate, low=min(rate.low, hours), typical=hours, high=max(rate.high, hours))
