"""A seller's card: the chief reason beside the difference, and a sign for promises in danger."""

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest

from jobs.admin.start_date_cards import card, draws_of
from jobs.services.start_date_answer import Answer, Endangered, OptionDates, Reason

WANTED_ON = date(2026, 6, 24)
CURE, WORK = "concrete that cures", "the work itself, with its nights and weekends"
DESCRIBED = OptionDates(
    code="AS_DESCRIBED",
    label="As described",
    runs=200,
    more_days=0,
    likely_more_days=0,
    reasons=(Reason("WORK", WORK, 12.2, 0), Reason("CURE", CURE, 4.8, 0)),
)
OPTION = replace(DESCRIBED, code="PRECAST_PIERS", label="Precast piers", runs=96)


def option(planned: float, likely: float, *, cure: float = 0, work: float = 0) -> OptionDates:
    reasons = (Reason("CURE", CURE, 9, cure), Reason("WORK", WORK, 9, work))
    return replace(OPTION, more_days=planned, likely_more_days=likely, reasons=reasons)


@pytest.mark.parametrize(
    ("row", "difference", "chief"),
    [
        (DESCRIBED, "", "12 of 17 planned days go to the work itself"),
        (
            option(-3, -2.2, cure=-5.1, work=2.1),
            "2 days sooner than described",
            "chiefly 5 days less for concrete that cures",
        ),
        (
            option(4, 1.4, cure=-1, work=5),
            "1 day later than described",
            "chiefly 5 days more for the work itself",
        ),
        (
            option(0.1, 0.3, cure=-5, work=5.1),
            "As soon as described",
            "5 days less for concrete that cures, 5 days more for the work itself",
        ),
        (
            option(7, 0, work=7),
            "As soon as described",
            "though planned 7 days later: 7 days more for the work itself",
        ),
        (
            option(1, -3, cure=-2, work=3),
            "3 days sooner than described",
            "though planned 1 day later: 3 days more for the work itself",
        ),
        (option(0, 3), "3 days later than described", ""),
        (option(0, 0), "As soon as described", ""),
    ],
)
def test_the_chief_reason_goes_the_way_of_the_difference(
    row: OptionDates, difference: str, chief: str
) -> None:
    found = card(row, None)

    assert (found.difference, found.chief) == (difference, chief)


def test_promises_in_danger_are_a_sign_without_a_job_and_told_in_full_behind_it() -> None:
    job = SimpleNamespace(number="26-004", promised_on=date(2026, 7, 1), buyer_name="Somebody")
    less_sure = Endangered(job, 0.9, 0.6, 0, 0)  # type: ignore[arg-type]
    late = Endangered(job, 0.9, 0.0, 0, 25)  # type: ignore[arg-type]

    found = card(replace(OPTION, endangered=(less_sure, late), moved_jobs=1), None)

    assert found.sign == "2 promises less sure, 1 planned late, moves 1 sold job"
    assert "26-004" in found.endangered[0]
    assert "Somebody" not in repr(found)
    assert found.endangered[1].endswith("0% with this building; planned 25 days late")
    assert card(OPTION, None).sign == ""


def test_putting_it_first_says_when_it_misses_the_day_all_the_same() -> None:
    first = replace(
        OPTION, code="WANTED_BY", planned_finish_on=date(2026, 6, 30), chance_by_wanted=0.02
    )

    assert "Even put first" in card(first, WANTED_ON).wanted
    in_time = replace(first, planned_finish_on=WANTED_ON)
    assert card(in_time, WANTED_ON).wanted.startswith("2% by ")
    assert "Even put first" not in card(in_time, WANTED_ON).wanted


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.415, "done by then in 42% of the draws"),
        (0.0, "no draw was done by then"),
        (None, ""),
    ],
)
def test_the_planned_day_tells_how_surely_it_holds(chance: float | None, told: str) -> None:
    assert card(replace(OPTION, chance_by_planned=chance), None).planned_chance == told


def test_each_way_tells_how_often_it_was_drawn() -> None:
    now = datetime(2026, 6, 1, tzinfo=ZoneInfo("America/New_York"))
    unbuildable = OptionDates(code="NO_LINER", label="No liner", because="it cannot be built so.")

    def draws(*rows: OptionDates) -> str:
        return draws_of(Answer(now, 200, None, rows))

    assert draws(DESCRIBED, OPTION, unbuildable) == "96 to 200"
    assert draws(DESCRIBED, DESCRIBED) == "200"
    assert draws(unbuildable) == ""
    assert (card(DESCRIBED, None).runs, card(OPTION, None).runs) == (200, 96)
    assert card(unbuildable, None).because == "it cannot be built so"
