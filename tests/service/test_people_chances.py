"""How often a crew is short of somebody: of as many people as the plan counts for its work."""

from datetime import date

import pytest

from contractor.engine.simulate.chances import CrewChances
from crews.models import Crew
from jobs.models import LentPeople
from jobs.services import plan_making
from jobs.services.people_chances import ABSENT_SHARE, people_chances
from tests.factories import CrewFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


@pytest.fixture
def crews(db: None) -> list[Crew]:
    """A crew of four with four sold jobs, and another that does no work of ours."""
    crews = [*make_firm(crews=1), CrewFactory(is_active=False)]
    Crew.objects.update(size=4)
    for number in range(1, 5):
        cover_digging(make_job(number=f"26-00{number}"))
    return crews


def chances() -> dict[int, CrewChances]:
    """The chances of each crew in the plan at hand, by its primary key."""
    portfolio, result = plan_making.kept_in_place(plan_making.gather(now=MONDAY))
    found = people_chances(portfolio, result.schedule)
    return {portfolio.crew_ids[index]: row for index, row in found.items()}


def lend(crews: list[Crew], first_day: date, last_day: date) -> None:
    LentPeople.objects.create(
        from_crew=crews[0], to_crew=crews[1], first_day=first_day, last_day=last_day
    )


def not_all_come(people: int) -> float:
    """The chance that of so many people not all come: binomial, each by himself."""
    return 1 - (1 - ABSENT_SHARE) ** people


def test_a_crew_that_lends_nobody_is_its_size(crews: list[Crew]) -> None:
    for row in chances().values():
        assert row.short_chance == pytest.approx(not_all_come(4))
        assert row.short_share == pytest.approx(3 / 4)


def test_a_crew_with_a_person_away_all_the_time_is_one_fewer(crews: list[Crew]) -> None:
    lend(crews, date(2026, 6, 1), date(2027, 12, 31))

    found = chances()[crews[0].pk]

    assert found.short_chance == pytest.approx(not_all_come(3))
    assert found.short_share == pytest.approx(2 / 3)


def test_days_without_work_do_not_count(crews: list[Crew]) -> None:
    lend(crews, date(2027, 11, 1), date(2027, 12, 31))

    assert chances()[crews[0].pk].short_chance == pytest.approx(not_all_come(4))


def test_a_crew_with_a_person_away_for_some_of_its_work_is_in_between(crews: list[Crew]) -> None:
    lend(crews, date(2026, 6, 1), date(2026, 6, 10))

    found = chances()[crews[0].pk]

    assert not_all_come(3) < found.short_chance < not_all_come(4)
    assert 2 / 3 < found.short_share < 3 / 4
