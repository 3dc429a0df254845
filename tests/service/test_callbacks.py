"""Punch lists, callbacks under warranty, completion, and rounds of them."""

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.models import Crew
from jobs.models import Callback, Change, Job, LentPeople, Phase, SetAside
from jobs.selectors.callback_rounds import callback_rounds
from jobs.selectors.callbacks import warranty_of
from jobs.services import callbacks
from jobs.services.dumping import dump
from jobs.services.loading import LoadFailed, load
from jobs.services.planning import plan_now
from tests.factories import CrewFactory, DayOffFactory, JobFactory
from tests.service.csv_files import files
from tests.service.portfolio import MONDAY, ZONE, make_firm, make_job

pytestmark = pytest.mark.django_db

TODAY = MONDAY.date()
DESK = reverse("admin:jobs_callback_desk")


def done_job(completed_on: date = TODAY - timedelta(days=30), **columns: Any) -> Job:
    given = {"sold_on": date(2020, 1, 2), "promised_on": None, **columns}
    return JobFactory(status=Job.Status.DONE, completed_on=completed_on, **given)


def asked(job: Job, **changes: Any) -> Callback:
    given = {"kind": "WARRANTY", "what": "Ridge cap leaks", "asked_on": TODAY, "now": MONDAY}
    return callbacks.ask_for(job=job, **{**given, **changes})


def finish_all(job: Job) -> None:
    end = MONDAY - timedelta(days=3)
    job.phases.update(
        status=Phase.Status.DONE, started_at=end - timedelta(hours=4), done_at=end, share_done=1
    )


def test_completion_starts_the_five_year_clock() -> None:
    make_firm()
    job = make_job(number="26-001")
    finish_all(job)

    ends_on = callbacks.complete(job=job, completed_on=TODAY, now=MONDAY)

    job.refresh_from_db()
    assert ends_on == date(2031, 6, 1) == warranty_of(job)
    assert Change.objects.filter(job=job, kind="job", action="CHANGED").exists()


def test_a_leap_day_ends_on_the_28th() -> None:
    # dateutil and RFC 7529, 4.1, SKIP=BACKWARD: a day that is not there is the one before it.
    assert warranty_of(done_job(date(2024, 2, 29))) == date(2029, 2, 28)


def test_a_job_with_open_work_is_not_completed() -> None:
    make_firm()
    job = make_job(number="26-001")

    with pytest.raises(SpecError, match=r"Layout.*is not done"):
        callbacks.complete(job=job, completed_on=TODAY, now=MONDAY)


@pytest.mark.parametrize(
    ("day", "told"), [(TODAY + timedelta(days=1), "still to come"), (date(2026, 5, 1), "last work")]
)
def test_a_completion_before_its_work_or_after_today_is_refused(day: date, told: str) -> None:
    make_firm()
    job = make_job(number="26-001")
    finish_all(job)

    with pytest.raises(SpecError, match=told):
        callbacks.complete(job=job, completed_on=day, now=MONDAY)

    assert Job.objects.get().status == Job.Status.SIGNED


def test_a_callback_without_a_promise_is_promised_in_two_weeks() -> None:
    assert asked(done_job()).promised_on == TODAY + timedelta(days=14)


@pytest.mark.parametrize(
    ("completed_on", "told"),
    [
        (date(2021, 5, 31), "warranty ended on 2026-05-31"),
        (None, "begins with completion"),
    ],
)
def test_outside_the_warranty_it_is_refused_with_the_way_out(
    completed_on: date | None, told: str
) -> None:
    job = done_job(completed_on) if completed_on else JobFactory()

    with pytest.raises(SpecError, match=told):
        asked(job)

    row = asked(job, kind="OUTSIDE" if completed_on else "PUNCH")
    assert row.pk


def test_the_last_day_of_the_warranty_is_covered() -> None:
    assert asked(done_job(date(2021, 6, 1))).kind == "WARRANTY"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"asked_on": TODAY + timedelta(days=1)}, "still to come"),
        ({"promised_on": TODAY - timedelta(days=1)}, "before the day"),
        ({"labor_hours": 0}, "labor_hours"),
        ({"what": "  "}, "what"),
    ],
)
def test_a_callback_that_makes_no_sense_is_refused(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(SpecError, match=told):
        asked(done_job(), **changes)

    assert not Callback.objects.exists()


def test_done_is_noted_once_and_can_be_opened_again() -> None:
    row = asked(done_job())
    callbacks.finish(callback_id=row.pk, done_on=TODAY, now=MONDAY, note="new screws")

    again = callbacks.finish(callback_id=row.pk, done_on=TODAY, now=MONDAY, note="other")

    assert again.done_note == "new screws"
    assert callbacks.reopen(callback_id=row.pk, now=MONDAY).done_on is None


def test_callbacks_go_through_files_and_back(tmp_path: Path) -> None:
    job = done_job(number="25-001")
    row = asked(job, what="=Ridge cap leaks", asked_by="Ada Quill")
    callbacks.finish(callback_id=row.pk, done_on=TODAY, now=MONDAY, note="new screws")
    dump(directory=tmp_path, kinds=["callbacks"])
    before = Callback.objects.values("what", "done_on", "promised_on", "labor_hours").get()
    row.delete()

    load(paths=[tmp_path / "callbacks.csv"], now=MONDAY)

    assert Callback.objects.values(*before).get() == before


def test_the_visit_of_a_callback_goes_through_files_and_back(tmp_path: Path) -> None:
    crew, _ = make_firm()
    rows = [asked(done_job(number=f"25-00{n}"), what=f"Trim {n}") for n in range(3)]
    day = TODAY + timedelta(days=1)
    both = [row.pk for row in rows[:2]]
    callbacks.book_round(callback_ids=both, crew_id=crew.pk, day=day, now=MONDAY)
    dump(directory=tmp_path, kinds=["set_aside", "callbacks"])
    Callback.objects.all().delete()
    SetAside.objects.all().delete()

    load(paths=sorted(tmp_path.iterdir()), now=MONDAY)

    aside = SetAside.objects.get()
    told = dict(Callback.objects.values_list("what", "round"))
    assert told == {"Trim 0": aside.pk, "Trim 1": aside.pk, "Trim 2": None}
    # Later files may name time that is stored.
    Callback.objects.all().delete()
    load(paths=[tmp_path / "callbacks.csv"], now=MONDAY)
    assert aside.callbacks.count() == 2


@pytest.mark.parametrize(
    ("crew", "starts_at", "column", "told"),
    [
        ("Crew A", "", "visit_starts_at", "Write both, or neither"),
        ("", "2026-06-02 07:00", "visit_crew", "Write both, or neither"),
        ("Crew A", "2026-06-02 08:00", "visit_starts_at", "no time is set aside"),
        ("Crew B", "2026-06-02 07:00", "visit_crew", "Not in crews.csv"),
    ],
)
def test_a_visit_that_is_not_there_is_refused_with_its_column(
    tmp_path: Path, crew: str, starts_at: str, column: str, told: str
) -> None:
    CrewFactory(name="Crew A")
    done_job(number="25-001")
    head = "job,kind,what,asked_on,promised_on,visit_crew,visit_starts_at"
    row = f"25-001,PUNCH,Leak,2026-06-01,2026-06-09,{crew},{starts_at}"
    aside = "crew,kind,starts_at,ends_at\nCrew A,CALLBACK,2026-06-02 07:00,2026-06-02 09:00\n"

    with pytest.raises(LoadFailed) as failed:
        load(paths=files(tmp_path, callbacks=f"{head}\n{row}\n", set_aside=aside), now=MONDAY)

    (error,) = failed.value.errors
    assert (error.file, error.line, error.column) == ("callbacks.csv", 2, column)
    assert told in error.message
    assert not Callback.objects.exists()
    assert not SetAside.objects.exists()


def test_a_callback_whose_visit_is_refused_is_not_complained_of_itself(tmp_path: Path) -> None:
    CrewFactory(name="Crew A")
    done_job(number="25-001")
    head = "job,kind,what,asked_on,promised_on,visit_crew,visit_starts_at"
    row = "25-001,PUNCH,Leak,2026-06-01,2026-06-09,Crew A,2026-06-02 07:00"
    aside = "crew,kind,starts_at,ends_at\nCrew A,CALLBACK,2026-06-02 07:00,2026-06-02 06:00\n"

    with pytest.raises(LoadFailed) as failed:
        load(paths=files(tmp_path, callbacks=f"{head}\n{row}\n", set_aside=aside), now=MONDAY)

    assert [(error.file, error.column) for error in failed.value.errors] == [
        ("set_aside.csv", "ends_at")
    ]


def test_a_file_cannot_put_under_warranty_what_is_outside(tmp_path: Path) -> None:
    done_job(date(2021, 5, 31), number="20-001")
    text = "job,kind,what,asked_on,promised_on\n20-001,WARRANTY,Leak,2026-06-01,2026-06-09\n"

    with pytest.raises(LoadFailed) as failed:
        load(paths=files(tmp_path, callbacks=text), now=MONDAY)

    (error,) = failed.value.errors
    assert (error.line, error.column) == (2, "kind")
    assert "Choose Outside warranty" in error.message


def test_near_callbacks_share_a_round_and_booking_it_sets_the_crews_time_aside() -> None:
    crew, _ = make_firm()
    jobs = [done_job(number=f"25-00{n}", site_town="Fennel Mills") for n in range(3)]
    rows = [asked(job) for job in jobs]
    found = callback_rounds(crew_id=crew.pk, now=MONDAY)
    assert [[one.pk for one in row.callbacks] for row in found.proposed] == [[r.pk for r in rows]]
    day = found.proposed[0].round.day
    assert day == TODAY + timedelta(days=1)

    aside = callbacks.book_round(
        callback_ids=[row.pk for row in rows], crew_id=crew.pk, day=day, now=MONDAY
    )

    # 3 × 2 h of four people and 30 + 10 + 10 + 30 minutes: 2 h 50 min, in quarters 3 h.
    starts_at = datetime(2026, 6, 2, 7, 0, tzinfo=ZONE)
    assert (aside.starts_at, aside.ends_at) == (starts_at, starts_at + timedelta(hours=3))
    assert aside.note == "25-000, 25-001, 25-002"
    after = callback_rounds(crew_id=crew.pk, now=MONDAY)
    assert (after.proposed, len(after.booked)) == ([], 3)


def test_a_round_counts_the_people_who_are_there_that_day() -> None:
    crew, other = make_firm()
    row = asked(done_job(number="25-001"), labor_hours=6)
    day = TODAY + timedelta(days=1)
    for lent, people, there in ((crew, 1, 3), (other, 2, 5)):
        LentPeople.objects.create(
            from_crew=lent,
            to_crew=other if lent == crew else crew,
            people=people,
            first_day=day,
            last_day=day,
        )

        (proposed,) = callback_rounds(crew_id=crew.pk, now=MONDAY).proposed
        # Three of the four are left, then two more come; 6 hours of all, and an hour of driving.
        assert (proposed.round.day, proposed.round.people) == (day, there)
        assert proposed.round.hours == pytest.approx(6 / there + 1)

    aside = callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)

    # 1 h 12 min of five people and an hour of driving, in quarters 2 h 15 min.
    assert aside.ends_at - aside.starts_at == timedelta(hours=2, minutes=15)


def test_nobody_goes_round_on_a_day_on_which_all_are_lent() -> None:
    crew, other = make_firm()
    asked(done_job(number="25-001"))
    day = TODAY + timedelta(days=1)
    LentPeople.objects.create(from_crew=crew, to_crew=other, people=4, first_day=day, last_day=day)

    (proposed,) = callback_rounds(crew_id=crew.pk, now=MONDAY).proposed

    assert proposed.round.day == day + timedelta(days=1)


def test_open_work_is_planned_around_a_round() -> None:
    crew, other = make_firm()
    other.delete()
    make_job(number="26-001")
    row = asked(done_job(number="25-001"), labor_hours=28)
    day = TODAY + timedelta(days=1)

    aside = callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)
    plan = plan_now(now=MONDAY, budget_seconds=0)

    for booking in plan.bookings.filter(crew=crew):
        is_apart = booking.ends_at <= aside.starts_at or booking.starts_at >= aside.ends_at
        # Work may pause over it; then its hours do not fit between its start and its end without.
        assert is_apart or booking.ends_at - booking.starts_at > timedelta(hours=booking.work_hours)


@pytest.mark.parametrize(
    ("day", "hours", "told"),
    [
        (TODAY, 2, "no working day"),
        (TODAY + timedelta(days=5), 2, "no working day"),
        (TODAY + timedelta(days=2), 2, "no working day"),
        (TODAY + timedelta(days=1), 60, "longer than the day"),
    ],
)
def test_a_round_that_cannot_be_made_is_refused(day: date, hours: float, told: str) -> None:
    crew, _ = make_firm()
    DayOffFactory(first_day=TODAY + timedelta(days=2), crew=crew)
    row = asked(done_job(), labor_hours=hours)

    with pytest.raises(SpecError, match=told):
        callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)

    assert not SetAside.objects.exists()


def test_what_is_booked_is_not_booked_twice_and_can_be_taken_back() -> None:
    crew, _ = make_firm()
    row = asked(done_job())
    day = TODAY + timedelta(days=1)
    aside = callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)

    with pytest.raises(SpecError, match="booked by now"):
        callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)

    assert callbacks.free_round(round_id=aside.pk, now=MONDAY) == 1
    assert not SetAside.objects.exists()
    row.refresh_from_db()
    assert row.round is None


def test_a_round_that_has_passed_leaves_what_was_not_done_open() -> None:
    crew, _ = make_firm()
    row = asked(done_job())
    day = TODAY + timedelta(days=1)
    callbacks.book_round(callback_ids=[row.pk], crew_id=crew.pk, day=day, now=MONDAY)

    found = callback_rounds(crew_id=crew.pk, now=MONDAY + timedelta(days=3))

    assert [one.pk for one in found.proposed[0].callbacks] == [row.pk]


def test_the_desk_books_and_takes_back(client: Client, office: AbstractUser) -> None:
    crew, _ = make_firm()
    now = timezone.now()
    job = done_job(timezone.localdate() - timedelta(days=90))
    row = asked(job, asked_on=timezone.localdate(), now=now)
    client.force_login(office)
    page = client.get(DESK, {"crew": crew.pk})
    assert "Ridge cap leaks" in page.content.decode()
    day = page.context["rounds"][0]["round"].day

    client.post(
        reverse("admin:jobs_callback_book"),
        {"callback": [row.pk], "crew": crew.pk, "day": day.isoformat()},
    )
    aside = SetAside.objects.get()
    client.post(reverse("admin:jobs_callback_free", args=[aside.pk]))

    assert not SetAside.objects.exists()


@pytest.mark.either_database
def test_the_desk_takes_as_many_queries_for_20_callbacks_as_for_2(
    client: Client, office: AbstractUser
) -> None:
    make_firm()
    client.force_login(office)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(DESK).status_code == 200
        return len(captured)

    for _ in range(2):
        asked(done_job())
    queries()
    few = queries()
    for _ in range(18):
        asked(done_job())

    assert queries() == few


def test_the_job_page_completes_a_job(client: Client, office: AbstractUser) -> None:
    make_firm()
    job = make_job(number="26-001")
    finish_all(job)
    client.force_login(office)
    page = client.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()
    assert "Complete the job" in page

    address = reverse("admin:jobs_callback_complete", args=[job.pk])
    day = timezone.localdate().isoformat()
    told = client.post(address, {"day": day}, follow=True).content.decode()

    assert "workmanship is warranted to" in told
    assert Job.objects.get().status == Job.Status.DONE


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_nobody_but_the_office_enters_or_books(client: Client, request: Any, who: str) -> None:
    make_firm()
    job = done_job()
    row = asked(job)
    client.force_login(request.getfixturevalue(who))

    for address in (
        reverse("admin:jobs_callback_ask", args=[job.pk]),
        reverse("admin:jobs_callback_complete", args=[job.pk]),
        reverse("admin:jobs_callback_done", args=[row.pk]),
        reverse("admin:jobs_callback_reopen", args=[row.pk]),
        reverse("admin:jobs_callback_book"),
        reverse("admin:jobs_callback_free", args=[1]),
    ):
        data = {"day": "2026-06-01", "crew": Crew.objects.earliest("pk").pk, "callback": row.pk}
        assert client.post(address, data).status_code in (302, 403), address
    row.refresh_from_db()
    assert (row.done_on, row.round) == (None, None)


def test_a_round_of_an_absurd_number_is_not_there() -> None:
    """Found by asking at random: a number too long for a column was a server error."""
    assert callbacks.free_round(round_id=10**30, now=MONDAY) == 0
