"""Where a phase stands after its reports."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from contractor.trade.progress import (
    LEAST_SHARE_LEFT,
    Kind,
    ScheduleIndex,
    Standing,
    Status,
    Told,
    earned_schedule,
    hours_left,
    in_effect,
    standing,
)

MONDAY = datetime(2026, 6, 1, 11, tzinfo=UTC)
CREW = 7


def told(kind: Kind, hours: float, **given: Any) -> Told:
    """A report made so many hours after Monday 11:00, by the crew unless said otherwise."""
    given.setdefault("id", f"{kind}-{hours}")
    given.setdefault("crew", CREW)
    return Told(kind=kind, made_at=MONDAY + timedelta(hours=hours), **given)


def at(hours: float) -> datetime:
    return MONDAY + timedelta(hours=hours)


def test_without_reports_a_phase_is_open() -> None:
    assert standing([]) == Standing()


def test_a_start_puts_the_crew_on_it() -> None:
    state = standing([told(Kind.STARTED, 0)])

    assert (state.status, state.started_at, state.crew) == (Status.UNDER_WAY, at(0), CREW)


def test_a_start_told_late_is_when_it_happened() -> None:
    state = standing(
        [told(Kind.STARTED, 8, happened_at=at(1)), told(Kind.PROGRESS, 4, share_done=0.3)]
    )

    assert state.started_at == at(1)


def test_progress_alone_says_that_it_has_begun() -> None:
    state = standing([told(Kind.PROGRESS, 5, share_done=0.4, crew_hours=16)])

    assert (state.status, state.started_at) == (Status.UNDER_WAY, at(5))
    assert (state.share_done, state.share_at) == (0.4, at(5))
    assert (state.reported_hours, state.hours_at_share) == (16, 16)


def test_hours_add_up_and_the_share_keeps_the_hours_of_its_moment() -> None:
    state = standing(
        [
            told(Kind.PROGRESS, 8, share_done=0.4, crew_hours=16),
            told(Kind.PROGRESS, 32, crew_hours=30),
        ]
    )

    assert (state.reported_hours, state.hours_at_share) == (46, 16)
    assert (state.share_done, state.share_at) == (0.4, at(32))


def test_done_is_done_in_full_at_its_moment() -> None:
    state = standing([told(Kind.STARTED, 0), told(Kind.DONE, 20, crew_hours=31)])

    assert (state.status, state.done_at, state.share_done) == (Status.DONE, at(20), 1)
    assert state.reported_hours == 31


def test_the_second_done_does_not_move_the_first() -> None:
    assert standing([told(Kind.DONE, 20), told(Kind.DONE, 44)]).done_at == at(20)


def test_a_start_after_done_does_not_open_it_again() -> None:
    assert standing([told(Kind.DONE, 20), told(Kind.STARTED, 30)]).status is Status.DONE


def test_a_start_forgotten_and_told_after_done_is_its_start() -> None:
    state = standing([told(Kind.DONE, 20), told(Kind.STARTED, 21, happened_at=at(2))])

    assert (state.status, state.started_at) == (Status.DONE, at(2))


def test_done_in_part_after_done_is_not_done() -> None:
    state = standing([told(Kind.DONE, 20), told(Kind.PROGRESS, 30, share_done=0.9)])

    assert (state.status, state.done_at, state.share_done) == (Status.UNDER_WAY, None, 0.9)


def test_done_dated_before_the_start_leaves_no_end_before_the_start() -> None:
    state = standing([told(Kind.STARTED, 5), told(Kind.DONE, 9, happened_at=at(1))])

    assert state.started_at == state.done_at == at(1)


def test_a_stop_keeps_its_cause_until_work_goes_on() -> None:
    stop = told(Kind.STOPPED, 4, stopped_by="WEATHER", stopped_until=at(28))
    stopped = standing([told(Kind.STARTED, 0), stop])
    assert (stopped.status, stopped.stopped_by) == (Status.UNDER_WAY, "WEATHER")
    assert (stopped.stopped_at, stopped.stopped_until) == (at(4), at(28))

    goes_on = standing([told(Kind.STARTED, 0), stop, told(Kind.STARTED, 28)])
    assert (goes_on.stopped_by, goes_on.stopped_until) == ("", None)
    assert goes_on.started_at == at(0)


def test_work_that_stood_still_does_not_count_as_done() -> None:
    state = standing(
        [
            told(Kind.STARTED, 0),
            told(Kind.STOPPED, 4, stopped_by="EQUIPMENT"),
            told(Kind.STARTED, 28),
        ]
    )

    # Four hours were worked and 24 stood still: as if it had begun 24 hours later.
    assert state.share_at == at(24)


def test_a_stop_before_the_start_leaves_it_open() -> None:
    state = standing([told(Kind.STOPPED, 0, stopped_by="SITE_NOT_READY")])

    assert (state.status, state.crew, state.stopped_by) == (Status.OPEN, None, "SITE_NOT_READY")


def test_a_stop_of_what_is_done_stops_nothing() -> None:
    state = standing([told(Kind.DONE, 5), told(Kind.STOPPED, 6, stopped_by="WEATHER")])

    assert (state.status, state.stopped_by) == (Status.DONE, "")


def test_a_note_changes_nothing() -> None:
    assert standing([told(Kind.NOTE, 0, stopped_by="REWORK")]) == Standing()


def test_what_the_office_sets_stands_until_the_next_report() -> None:
    office = told(
        Kind.OFFICE,
        10,
        from_office=True,
        status=Status.UNDER_WAY,
        started_at=at(-24),
        share_done=0.5,
        crew_hours=40,
    )
    state = standing([told(Kind.STARTED, 0), office])
    assert (state.started_at, state.share_done, state.share_at) == (at(-24), 0.5, at(10))
    assert state.reported_hours == 40

    after = standing([told(Kind.STARTED, 0), office, told(Kind.PROGRESS, 20, crew_hours=8)])
    assert (after.share_done, after.reported_hours, after.started_at) == (0.5, 48, at(-24))


def test_a_share_that_the_office_leaves_as_it_is_keeps_its_moment() -> None:
    progress = told(Kind.PROGRESS, 0, share_done=0.5)
    same = told(
        Kind.OFFICE,
        10,
        from_office=True,
        status=Status.UNDER_WAY,
        started_at=at(0),
        share_done=0.5,
    )

    assert standing([progress, same]).share_at == at(0)


def correction(hours: float, corrects: str, kind: Kind, **given: Any) -> Told:
    return told(Kind.CORRECTION, hours, corrects=corrects, corrected_kind=kind, **given)


def test_a_correction_takes_the_place_of_what_it_corrects() -> None:
    wrong = told(Kind.PROGRESS, 5, share_done=0.9, id="wrong")
    later = told(Kind.PROGRESS, 9, crew_hours=4)
    right = correction(30, "wrong", Kind.PROGRESS, share_done=0.2, id="right")

    state = standing([wrong, later, right])

    assert (state.share_done, state.share_at) == (0.2, at(9))
    assert [row.id for row in in_effect([wrong, later, right])] == ["wrong", later.id]


def test_done_by_mistake_is_taken_back() -> None:
    state = standing(
        [
            told(Kind.STARTED, 0),
            told(Kind.DONE, 5, id="mistake"),
            correction(6, "mistake", Kind.VOID),
        ]
    )

    assert (state.status, state.done_at) == (Status.UNDER_WAY, None)


def test_of_two_corrections_the_later_counts_whatever_it_names() -> None:
    first = told(Kind.PROGRESS, 5, share_done=0.9, id="first")
    second = correction(6, "first", Kind.PROGRESS, share_done=0.5, id="second")
    third = correction(7, "second", Kind.PROGRESS, share_done=0.7, id="third")

    assert standing([first, second, third]).share_done == 0.7


def test_a_correction_of_nothing_changes_nothing() -> None:
    rows = [told(Kind.STARTED, 0), correction(6, "never sent", Kind.DONE)]

    assert standing(rows).status is Status.UNDER_WAY


def test_corrections_in_a_ring_change_nothing() -> None:
    rows = [
        told(Kind.STARTED, 0),
        correction(1, "b", Kind.DONE, id="a"),
        correction(2, "a", Kind.DONE, id="b"),
    ]

    assert standing(rows).status is Status.UNDER_WAY


@pytest.mark.parametrize(
    ("crew", "from_office", "is_taken"),
    [(CREW, False, True), (8, False, False), (None, True, True)],
)
def test_only_the_crew_itself_and_the_office_correct_a_crews_report(
    crew: int | None, from_office: bool, is_taken: bool
) -> None:
    wrong = told(Kind.PROGRESS, 5, share_done=0.9, id="wrong")
    right = correction(
        6, "wrong", Kind.PROGRESS, share_done=0.1, crew=crew, from_office=from_office
    )

    assert standing([wrong, right]).share_done == (0.1 if is_taken else 0.9)


def test_a_crew_does_not_correct_the_office() -> None:
    office = told(Kind.PROGRESS, 5, share_done=0.9, id="office", from_office=True)
    crew = correction(6, "office", Kind.PROGRESS, share_done=0.1)

    assert standing([office, crew]).share_done == 0.9


def left(share_done: float, at_share: float | None, in_all: float | None) -> float:
    return hours_left(
        planned_hours=40, share_done=share_done, hours_at_share=at_share, reported_hours=in_all
    )


def test_a_share_alone_leaves_the_planned_hours_of_the_rest() -> None:
    assert left(0.25, None, None) == 30


def test_hours_alone_come_off_the_planned_hours() -> None:
    assert left(0, None, 12) == 28


def test_hours_at_the_planned_rate_change_nothing() -> None:
    assert left(0.5, 20, 20) == pytest.approx(20)


def test_slow_work_takes_longer_for_the_rest() -> None:
    # 30 h for 20 planned ones, and 20 h of weight on the plan: (30 + 20) ÷ (20 + 20) = 1.25.
    assert left(0.5, 30, 30) == pytest.approx(25)


def test_hours_since_the_share_was_told_come_off() -> None:
    assert left(0.5, 20, 26) == pytest.approx(14)


def test_a_phase_whose_hours_are_used_up_is_not_done_yet() -> None:
    assert left(0, None, 90) == pytest.approx(40 * LEAST_SHARE_LEFT)
    assert left(0.99, 20, 60) <= 0.4


def test_a_job_that_has_not_begun_has_no_index() -> None:
    index = ScheduleIndex(earned_periods=0, actual_periods=0, planned_periods=10)

    assert index.performance_index is None


def test_all_earned_is_the_whole_plan() -> None:
    assert earned_schedule(planned=[10, 20, 30], earned=30) == 3


def test_nothing_earned_is_no_time() -> None:
    assert earned_schedule(planned=[10, 20, 30], earned=0) == 0


def test_a_period_without_work_is_passed_when_the_next_begins() -> None:
    assert earned_schedule(planned=[10, 10, 30], earned=20) == 2.5
