from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import networkx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ortools.sat.python import cp_model

from contractor.trade.rounds import (
    CrewDay,
    Place,
    Stop,
    best_order,
    drive_minutes,
    great_circle_miles,
    minutes_between,
    rounds,
)

MONDAY = date(2026, 6, 1)
KM = 1.609344


def stop(key: int, *, hours: float = 1, due: int = 14, **where: object) -> Stop:
    given_place = {"town": "Millbrook", "county": "Harrow", "drive_minutes": 30.0, **where}
    return Stop(
        key=key,
        place=Place(**given_place),  # type: ignore[arg-type]
        labor_hours=hours,
        promised_on=MONDAY + timedelta(days=due),
    )


def week_days(
    count: int = 10, *, hours: float = 8, busy: tuple[int, ...] = (), people: tuple[int, ...] = ()
) -> list[CrewDay]:
    """Return working days of a crew of one; `people` are those of the first days."""
    days = [MONDAY + timedelta(days=n) for n in range(2 * count) if n % 7 < 5][:count]
    return [
        CrewDay(day=d, hours=hours, people=[*people, *[1] * count][n], is_free=n not in busy)
        for n, d in enumerate(days)
    ]


def made(stops: list[Stop], days: list[CrewDay], week_hours: float) -> Any:
    return rounds(stops=stops, days=days, people=1, week_hours=week_hours)


def test_the_haversine_example_from_nashville_to_los_angeles():
    # Rosetta Code, "Haversine formula": 36.12, -86.67 to 33.94, -118.40 is 2886.44 km with the
    # mean radius of 6371.0 km (from memory).
    miles = great_circle_miles(36.12, -86.67, 33.94, -118.40)

    assert miles * KM == pytest.approx(2886.44, abs=0.02)


def test_a_quarter_of_the_meridian_is_the_circle_by_four():
    # Circumference of a sphere, 2πr, by 4.
    assert great_circle_miles(0, 0, 90, 0) * KM == pytest.approx(6371.0088 * 3.141592653589793 / 2)


def test_sites_of_one_town_are_near_and_of_other_counties_go_by_the_yard():
    here = stop(1).place
    assert minutes_between(here, stop(2, town="millbrook").place) == 10
    assert minutes_between(here, stop(2, town="Fennel").place) == 25
    assert minutes_between(here, stop(2, town="Fennel", county="Oxbow").place) == 60
    assert minutes_between(here, stop(2, drive_minutes=2.0, town="Fennel").place) == 25


def test_degrees_count_where_both_sites_have_them():
    one = stop(1, latitude_deg=40.0, longitude_deg=-82.0).place
    other = stop(2, latitude_deg=40.1, longitude_deg=-82.0, county="Oxbow").place

    # A tenth of a degree of latitude is 6.9 miles: 8.6 by road, 13 minutes at 40 mph.
    assert minutes_between(one, other) == pytest.approx(13.0, abs=0.1)


SITES = st.lists(
    st.tuples(st.floats(39.9, 40.3), st.floats(-82.3, -81.9), st.floats(5, 60)),
    min_size=2,
    max_size=6,
)


@settings(max_examples=25, deadline=None)
@given(SITES)
def test_the_order_is_as_short_as_a_solver_finds(sites: list[tuple[float, float, float]]):
    stops = [
        stop(n, latitude_deg=north, longitude_deg=east, drive_minutes=minutes)
        for n, (north, east, minutes) in enumerate(sites)
    ]

    assert drive_minutes(best_order(stops)) == pytest.approx(by_circuit(stops), abs=0.02)


def by_circuit(stops: list[Stop]) -> float:
    """Return the shortest tour from the yard, by CP-SAT's circuit constraint."""
    graph = networkx.DiGraph()
    for one in stops:
        graph.add_edge(-1, one.key, minutes=one.place.drive_minutes)
        graph.add_edge(one.key, -1, minutes=one.place.drive_minutes)
        for other in stops:
            if other is not one:
                minutes = minutes_between(one.place, other.place)
                graph.add_edge(one.key, other.key, minutes=minutes)
    model = cp_model.CpModel()
    used = {edge: model.new_bool_var(str(edge)) for edge in graph.edges}
    model.add_circuit([(a + 1, b + 1, used[a, b]) for a, b in graph.edges])
    model.minimize(
        sum(round(1000 * graph.edges[edge]["minutes"]) * chosen for edge, chosen in used.items())
    )
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / 1000


def test_near_sites_make_one_round_and_a_far_one_another():
    near = [stop(1), stop(2), stop(3)]
    far = stop(4, town="Elsewhere", county="Oxbow", drive_minutes=90.0, due=3)

    found, too_long = made([*near, far], week_days(), 40)

    assert [{s.key for s in one.stops} for one in found] == [{4}, {1, 2, 3}]
    # Three trips of an hour each against 30 + 10 + 10 + 30 minutes.
    assert found[1].drive_hours_saved == pytest.approx(3 - 80 / 60)
    assert too_long == []


def test_a_round_takes_a_free_day_before_its_promise_else_the_first():
    (round_,), _ = made([stop(1)], week_days(busy=(0, 1)), 40)
    assert round_.day == MONDAY + timedelta(days=2)
    (round_,), _ = made([stop(1, due=1)], week_days(busy=(0, 1)), 40)
    assert round_.day == MONDAY
    assert not round_.is_late


def test_no_week_gets_more_than_its_share_but_one_round_is_always_made():
    counties = [f"County {n}" for n in range(4)]
    far = [stop(n, hours=3, county=name, due=30) for n, name in enumerate(counties)]

    found, _ = made(far, week_days(20), 8)

    weeks = [one.day.isocalendar().week for one in found if one.day]
    assert weeks == [23, 23, 24, 24]
    found, _ = made(far[:2], week_days(20), 1)
    assert [one.day.isocalendar().week for one in found if one.day] == [23, 24]


def test_a_promise_that_the_share_cannot_keep_is_told():
    far = [stop(n, hours=6, county=f"County {n}", due=4) for n in range(3)]

    found, _ = made(far, week_days(20), 8)

    assert [one.is_late for one in found] == [False, True, True]


def test_what_takes_longer_than_a_day_is_left_to_the_board():
    found, too_long = made([stop(1, hours=12)], week_days(), 40)

    assert found == []
    assert [one.key for one in too_long] == [1]


def test_a_round_goes_out_on_a_day_on_which_enough_people_are_there():
    # 12 hours of all people and an hour of driving: 13 h of one, 7 h of two, of an 8-hour day.
    days = week_days(people=(1, 1, 2, 1))

    (round_,), too_long = made([stop(1, hours=12)], days, 40)

    assert (round_.day, round_.people, round_.hours) == (MONDAY + timedelta(days=2), 2, 7)
    assert too_long == []


def test_a_day_on_which_people_are_lent_away_has_no_room_for_what_they_would_do():
    days = [
        CrewDay(day=MONDAY + timedelta(days=n), hours=8, people=p, is_free=True)
        for n, p in enumerate((1, 2))
    ]

    found, _ = rounds(
        stops=[stop(1, hours=10), stop(2, hours=1)], days=days, people=2, week_hours=40
    )

    # Together 5.5 hours of two and 70 minutes of driving: too long for one alone.
    assert [(one.day, len(one.stops)) for one in found] == [(MONDAY + timedelta(days=1), 2)]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.25, 6), st.integers(0, 25), st.integers(0, 3), st.floats(5, 90)),
        max_size=12,
    ),
    st.floats(1, 40),
)
def test_every_stop_is_in_one_place_and_no_day_or_week_is_too_full(
    given_stops: list[tuple[float, int, int, float]], week_hours: float
):
    stops = [
        stop(n, hours=hours, due=due, county=f"County {county}", drive_minutes=minutes)
        for n, (hours, due, county, minutes) in enumerate(given_stops)
    ]
    days = week_days(15)

    found, too_long = made(stops, days, week_hours)

    told = [s.key for one in found for s in one.stops] + [s.key for s in too_long]
    assert sorted(told) == [s.key for s in stops]
    assert all(one.hours <= 8 + 1e-9 for one in found)
    used = [one.day for one in found if one.day]
    assert len(used) == len(set(used))
    assert all(a.due_on <= b.due_on for a, b in pairwise(found))
    by_week: dict[int, list[float]] = {}
    for one in found:
        if one.day:
            by_week.setdefault(one.day.isocalendar().week, []).append(one.hours)
    assert all(len(h) == 1 or sum(h) <= week_hours + 1e-9 for h in by_week.values())
