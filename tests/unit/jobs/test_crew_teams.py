"""How many people a crew is on which days, by counting heads day by day."""

from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from crews.models import Crew
from jobs.models import LentPeople
from jobs.services.crew_teams import teams_of

FIRST = date(2026, 6, 1)
DAYS = [FIRST + timedelta(days=n) for n in range(20)]
OURS, OTHERS = 1, 2


@st.composite
def lends(draw: st.DrawFn) -> LentPeople:
    """People lent by us or to us, one at least stays."""
    begins = draw(st.integers(0, 15))
    away = draw(st.booleans())
    return LentPeople(
        from_crew_id=OURS if away else OTHERS,
        to_crew_id=OTHERS if away else OURS,
        people=draw(st.integers(1, 2)),
        first_day=DAYS[begins],
        last_day=DAYS[begins + draw(st.integers(0, 4))],
    )


def heads(size: int, rows: list[LentPeople], day: date) -> int:
    """Return how many people of ours are there on a day, by the list alone."""
    count = size
    for row in rows:
        if row.first_day <= day <= row.last_day:
            count += row.people if row.to_crew_id == OURS else -row.people
    return count


@settings(deadline=None)
@given(size=st.integers(1, 8), rows=st.lists(lends(), max_size=4))
def test_a_team_is_there_on_the_days_on_which_so_many_are(
    size: int, rows: list[LentPeople]
) -> None:
    teams = teams_of(Crew(pk=OURS, size=size), rows)

    assert [team.people for team in teams] == sorted({team.people for team in teams})
    for day in DAYS:
        there = [
            team.people
            for team in teams
            if day not in team.away and (team.only is None or day in team.only)
        ]
        count = heads(size, rows, day)
        # Never more than are there, and the largest team of the day is all of them.
        assert max(there, default=0) == max(count, 0)


def test_a_crew_that_nobody_leaves_or_joins_is_one_team() -> None:
    (team,) = teams_of(Crew(pk=OURS, size=4), [])

    assert (team.people, team.away, team.only) == (4, frozenset(), None)
