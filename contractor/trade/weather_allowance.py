"""
How much of a month's working time weather takes, where no forecast reaches.

The method is common practice, no source: days of the month over a threshold, as share of its
days, times the chance that such a day is lost; a digging day has its mud days behind it.
"""

from dataclasses import dataclass

from contractor.trade.kinds import Soil
from contractor.trade.weather import WeatherGate

# A day of rain or wind over the limit is lost four times in five; common practice, no source.
LOST_CHANCE = 0.8
# Something can always be done in a month.
MOST_SHARE = 0.9
MEAN_MONTH_DAYS = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
Twelve = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Normals:
    """
    A place's monthly normals, January first: days with so much rain, and days of strong wind.

    `windy_days` are days with wind over the limit for trusses and roof steel. `mud_days` is by
    soil, in the order of `Soil`.
    """

    rain_days_010: Twelve
    rain_days_025: Twelve
    rain_days_050: Twelve
    windy_days: Twelve
    mud_days: tuple[int, int, int] = (1, 2, 0)

    def mud_days_of(self, soil: str) -> int:
        """Return for how many days a soil stays soft."""
        return self.mud_days[list(Soil).index(Soil(soil))]


def lost_shares(normals: Normals, gate: str, *, soil: str = Soil.GOOD) -> Twelve:
    """
    Return the share of working time that weather takes by month, January first, 0 to 0.9.

    Thresholds: 0.10 in a day for roof steel, 0.25 for framing, wall steel and concrete, 0.50 for
    digging; wind for trusses and roof steel. Raises ValueError for what is no gate.
    """
    kind = WeatherGate(gate)
    if kind in (WeatherGate.NONE, WeatherGate.LIFT, WeatherGate.OUTDOORS):
        return (0.0,) * 12
    return tuple(
        min(MOST_SHARE, 1 - (1 - _rain(normals, kind, soil, m)) * (1 - _wind(normals, kind, m)))
        for m in range(12)
    )


def _rain(normals: Normals, gate: WeatherGate, soil: str, month: int) -> float:
    if gate is WeatherGate.GROUND:
        days = normals.rain_days_050[month] * (1 + normals.mud_days_of(soil))
        return min(1.0, days / MEAN_MONTH_DAYS[month])
    by_gate = normals.rain_days_010 if gate is WeatherGate.ROOF else normals.rain_days_025
    return min(1.0, by_gate[month] / MEAN_MONTH_DAYS[month] * LOST_CHANCE)


def _wind(normals: Normals, gate: WeatherGate, month: int) -> float:
    if gate not in (WeatherGate.TRUSS, WeatherGate.ROOF):
        return 0.0
    return min(1.0, normals.windy_days[month] / MEAN_MONTH_DAYS[month] * LOST_CHANCE)
