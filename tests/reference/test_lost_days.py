"""Days lost to weather against four years of measured days.

Source: daily weather of Seattle, January 2012 to December 2015 (US National Oceanic and Atmospheric
Administration), as the package `vega_datasets` carries it: rain in mm, mean wind in m/s. The rule
is given monthly counts alone; what it makes of them is held against the days themselves.
"""

import csv
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import vega_datasets

from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Job, Mode, Problem, Resource
from contractor.engine.simulate.chances import ActivityChances, Chances, Gate, WeatherChances
from contractor.engine.simulate.course import course_of
from contractor.engine.simulate.draw import draw, new_drawn
from contractor.engine.stops import IterationStop
from contractor.engine.worktime import Axis, always_open
from contractor.trade.kinds import Soil
from contractor.trade.weather import WeatherGate
from contractor.trade.weather_allowance import LOST_CHANCE, Normals, lost_shares

MM_PER_INCH, MPH_PER_M_S = 25.4, 2.23694
# A mean of a day: gusts over the limits for trusses and roofs come with about so much (our own).
WINDY_MPH = 12.0
MONTHS = range(12)
DAY_SLOTS = 96
RUNS = 300


class Days(NamedTuple):
    """Measured days in a row, as arrays: month from 0, rain and mean wind."""

    month: np.ndarray
    rain_in: np.ndarray
    wind_mph: np.ndarray

    @property
    def years(self) -> float:
        return len(self.month) / 365.25

    def by_month(self, counted: np.ndarray) -> np.ndarray:
        """Return how much of something there is in each month of a mean year."""
        return np.array([counted[self.month == m].sum() / self.years for m in MONTHS])

    def normals(self) -> Normals:
        def count(these: np.ndarray) -> tuple[float, ...]:
            return tuple(self.by_month(these).tolist())

        return Normals(
            count(self.rain_in >= 0.10),
            count(self.rain_in >= 0.25),
            count(self.rain_in >= 0.50),
            count(self.wind_mph >= WINDY_MPH),
        )

    @property
    def in_month(self) -> np.ndarray:
        return self.by_month(np.ones(len(self.month)))


@pytest.fixture(scope="module")
def seattle() -> Days:
    path = Path(vega_datasets.__file__).parent / "_data" / "seattle-weather.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    days = [date.fromisoformat(row["date"].replace("/", "-")) for row in rows]
    assert days == [date(2012, 1, 1) + timedelta(days=n) for n in range(4 * 365 + 1)]
    return Days(
        np.array([day.month - 1 for day in days]),
        np.array([float(row["precipitation"]) for row in rows]) / MM_PER_INCH,
        np.array([float(row["wind"]) for row in rows]) * MPH_PER_M_S,
    )


@pytest.mark.parametrize(
    ("gate", "over_in", "minds_wind"),
    [
        (WeatherGate.ROOF, 0.10, True),
        (WeatherGate.TRUSS, 0.25, True),
        (WeatherGate.WALL, 0.25, False),
        (WeatherGate.CONCRETE, 0.25, False),
    ],
)
def test_lost_days_of_a_month_are_those_counted_day_by_day(seattle, gate, over_in, minds_wind):
    """Rain and wind are taken to come apart; where they come together, a little less is lost."""
    wet = LOST_CHANCE * (seattle.rain_in >= over_in)
    windy = LOST_CHANCE * minds_wind * (seattle.wind_mph >= WINDY_MPH)
    counted = seattle.by_month(1 - (1 - wet) * (1 - windy))

    told = np.array(lost_shares(seattle.normals(), gate)) * seattle.in_month

    assert told == pytest.approx(counted, abs=1.5)
    assert counted.sum() * 0.99 <= told.sum() <= counted.sum() * 1.1


@pytest.mark.parametrize("soil", list(Soil))
def test_mud_takes_no_fewer_days_than_were_muddy(seattle, soil):
    """Two days of heavy rain in a row leave mud once; the rule counts it twice, to be safe."""
    mud_days = seattle.normals().mud_days_of(soil)
    lost = seattle.rain_in >= 0.50
    muddy = lost.copy()
    for after in range(1, mud_days + 1):
        muddy[after:] |= lost[:-after]
    counted = seattle.by_month(muddy)

    told = np.array(lost_shares(seattle.normals(), WeatherGate.GROUND, soil=soil))

    assert (told * seattle.in_month >= counted - 0.25).all()
    assert told @ seattle.in_month <= counted.sum() * 1.35


@pytest.mark.parametrize("over_in", [0.10, 0.25, 0.50])
def test_drawn_days_are_lost_as_often_and_as_much_in_a_row_as_measured_ones(seattle, over_in):
    """A wet day is followed by a wet one far more often than by chance, drawn or measured."""
    wet = seattle.rain_in >= over_in
    chance = (seattle.by_month(wet) / seattle.in_month)[seattle.month]

    drawn = drawn_days(chance)

    assert drawn.mean(axis=1).mean() == pytest.approx(wet.mean(), rel=0.03)
    assert by_month_of(seattle, drawn) == pytest.approx(seattle.by_month(wet), abs=0.6)
    apart = float((chance[1:] * chance[:-1]).sum())
    in_a_row = pairs(wet)
    # Counts of so many pairs vary by about their root; days apart would be far below.
    assert np.mean([pairs(run) for run in drawn]) == pytest.approx(in_a_row, rel=0.1)
    assert in_a_row > apart + 4 * apart**0.5


def pairs(lost: np.ndarray) -> int:
    """Return how many lost days have a lost one behind them."""
    return int((lost[1:] & lost[:-1]).sum())


def by_month_of(days: Days, drawn: np.ndarray) -> np.ndarray:
    """Return the lost days of each month in the mean of all runs."""
    return np.mean([days.by_month(run) for run in drawn], axis=0)


def drawn_days(lost_chance: np.ndarray) -> np.ndarray:
    """Return runs of the same days as the simulation draws them: which are lost, a row a run."""
    axis = Axis(datetime(2012, 1, 1, tzinfo=UTC), len(lost_chance) * DAY_SLOTS)
    problem = Problem(
        axis=axis,
        activities=(Activity("roof", modes=(Mode(0, 4, 0, ()),), job=0),),
        links=(),
        resources=(Resource("c", "Crew"),),
        jobs=(Job("j"),),
        calendars=(always_open("open", axis),),
        waits=(),
        now=0,
    )
    edges = np.arange(0, axis.slots + 1, DAY_SLOTS, dtype=np.int32)
    chances = Chances(
        by_activity={0: ActivityChances(gate=0)},
        weather=WeatherChances(edges, (Gate(lost_chance),)),
    )
    schedule = plan(problem, stop=IterationStop(1)).schedule
    course = course_of(problem, schedule, chances, early_days=0)
    rows, drawn = [], new_drawn(course)
    for run in range(RUNS):
        draw(course, drawn, 7, run)
        rows.append(drawn.lost[: len(lost_chance)].astype(bool))
    return np.array(rows)
