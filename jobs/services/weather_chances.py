"""What forecast and usual weather may take of each day, as chances that simulation draws from."""

from __future__ import annotations

from copy import copy
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.simulate.chances import Gate, WeatherChances
from contractor.trade.phases import PHASE_TABLE
from contractor.trade.weather import WeatherGate

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from inspections.selectors.weather import SiteWeather
    from jobs.models import Phase
    from jobs.services.portfolio import Portfolio

# How far a weather forecast is trusted: today, less for each day ahead, and at the least; our own.
TRUST_TODAY, TRUST_LOST_A_DAY, LEAST_TRUST = 0.95, 0.05, 0.5


class WeatherGates:
    """The weather of a portfolio's sites as chances by day, one gate for each that differs."""

    def __init__(self, portfolio: Portfolio, today: date) -> None:
        self._weather = portfolio.work.weather
        days = portfolio.calendars.local_days
        self._days = days.days
        self._today = today
        edges = [days.span_of(day)[0] for day in days.days] + [days.span_of(days.days[-1])[1]]
        self._day_first = np.array(edges, dtype=np.int32)
        self._areas = {area.area.pk: index for index, area in enumerate(self._weather.areas)}
        self._gates: list[Gate] = []
        self._index: dict[object, int] = {}

    def again(self) -> WeatherGates:
        """Return the same gates, to which more are added while these stay."""
        more = copy(self)
        more._gates, more._index = list(self._gates), dict(self._index)
        return more

    def of(self, phases: Sequence[Phase]) -> tuple[int | None, int]:
        """Return gate and area of a stretch: of its last phase that weather can stop."""
        for phase in reversed(phases):
            name = PHASE_TABLE[phase.code].weather_gate
            site = self._weather.site(phase.job, name) if name else None
            if site is None or not site.takes_anything:
                continue
            area = self._weather.area_of(phase.job)
            assert area is not None
            soil = str(phase.job.soil) if WeatherGate(name) is WeatherGate.GROUND else "GOOD"
            key = (area.area.pk, name, soil)
            if key not in self._index:
                self._index[key] = len(self._gates)
                normals = area.area.normals()
                self._gates.append(self._gate(site, normals.mud_days_of(soil)))
            return self._index[key], self._areas[area.area.pk]
        return None, 0

    def weather(self) -> WeatherChances | None:
        """Return all gates that were asked for; None for none."""
        if not self._gates:
            return None
        return WeatherChances(self._day_first, tuple(self._gates), max(len(self._areas), 1))

    def _gate(self, site: SiteWeather, mud_days: int) -> Gate:
        usual = np.array([self._usual(site, mud_days)[day.month - 1] for day in self._days])
        trust = np.array([self._trust(site, day) for day in self._days])
        told = np.array([float(bool(site.why_on(day))) for day in self._days])
        lost = trust * told + (1 - trust) * usual
        if site.gate is not WeatherGate.GROUND or not mud_days:
            return Gate(lost)
        # What a forecast tells of mud is among its stopped days.
        return Gate(lost, (1 - trust) * usual, mud_days)

    def _usual(self, site: SiteWeather, mud_days: int) -> tuple[float, ...]:
        """Return the share of a month's days on which weather itself stops the work."""
        if site.gate is not WeatherGate.GROUND:
            return site.lost_share
        # The allowance of the plan counts the mud days as well, which are drawn here.
        return tuple(share / (1 + mud_days) for share in site.lost_share)

    def _trust(self, site: SiteWeather, day: date) -> float:
        if site.unknown_from is None or not self._today <= day < site.unknown_from:
            return 0.0
        ahead = (day - self._today).days
        return max(LEAST_TRUST, TRUST_TODAY - TRUST_LOST_A_DAY * ahead)
