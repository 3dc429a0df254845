"""The booking board as the office, the owner and others get it, without a browser."""

import re
from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from crews.models import Crew
from jobs.models import BoardMove, Booking, Job, LentPeople, Phase, Plan, SetAside
from jobs.selectors import board_version
from jobs.selectors.board import Shown, board
from jobs.selectors.stored_plan import reached_from, reasons, stored_plan
from jobs.services import planning, publishing
from tests.factories import DayOffFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

BOARD = "/admin/board/"
SHOWN = Shown(first_day=MONDAY.date(), days=21, bay_px=46)
# One each for the plan, bookings, crews and so on: a hundred jobs take as many.
MOST_QUERIES = 40


@pytest.fixture
def crews(db: None) -> Sequence[Crew]:
    """Two crews and two jobs, published from Monday on."""
    crews = make_firm(crews=2)
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number, site_town="Elm Fork"))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return crews


def as_(client: Client, user: AbstractUser) -> Client:
    client.force_login(user)
    return client


def booked(code: str, number: str = "26-001") -> Booking:
    plan = board_version.plan_at_hand()
    return Booking.objects.get(plan=plan, phase__code=code, phase__job__number=number)


def a_move(row: Booking, day: date, **more: str) -> dict[str, str]:
    return {
        "kind": "MOVE",
        "phase": str(row.phase_id),
        "crew": str(row.crew_id or ""),
        "day": day.isoformat(),
        "seen": board_version.version(),
        **more,
    }


def hidden(html: str) -> dict[str, str]:
    """Return the fields of the form that accepts."""
    form = html.split('action="/admin/board/accept/"')[1].split("</form>")[0]
    return dict(re.findall(r'name="([a-z]+)" value="([^"]*)"', form))


def test_every_booking_of_the_days_hangs_on_the_row_of_its_crew(crews: Sequence[Crew]) -> None:
    read = board(shown=SHOWN, now=MONDAY)

    drawn = {(line.key, bar.key) for line in read.lines for bar in line.bars}
    end = MONDAY + timedelta(days=20)
    for row in Booking.objects.filter(crew__isnull=False, starts_at__lt=end):
        assert (f"crew-{row.crew_id}", row.phase_id) in drawn


@pytest.mark.either_database
def test_a_bar_says_job_phase_and_times_in_words(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    html = as_(client, office).get(BOARD).content.decode()

    assert re.search(r'aria-label="26-001 Elm Fork, Layout, \w{3} Jun \d+ \d+:\d\d to ', html)


@pytest.mark.parametrize("words", ["26-002", "002", "Elm"])
def test_a_job_is_found_by_number_or_buyer_and_picked_on_its_week(
    client: Client, office: AbstractUser, crews: Sequence[Crew], words: str
) -> None:
    Job.objects.filter(number="26-002").update(buyer_name="Elma Quist")
    first = min(Booking.objects.filter(phase__job__number="26-002"), key=lambda row: row.starts_at)
    local = first.starts_at.astimezone(MONDAY.tzinfo).date()

    answer = as_(client, office).get(BOARD, {"job": words, "weeks": "8"})

    monday = local - timedelta(days=local.weekday())
    assert answer["Location"] == f"{BOARD}?weeks=8&from={monday}&phase={first.phase_id}"


def test_a_job_that_is_not_there_is_told(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    html = as_(client, office).get(BOARD, {"job": "99-999"}, follow=True).content.decode()

    assert "No dates of job or buyer “99-999”" in html


def test_by_job_each_job_is_a_row_with_its_waits(crews: Sequence[Crew]) -> None:
    read = board(shown=Shown(MONDAY.date(), 21, 46, by_job=True), now=MONDAY)

    assert [line.title for line in read.lines] == ["26-001 Elm Fork", "26-002 Elm Fork"]
    assert all(line.gaps for line in read.lines)


def test_time_set_aside_lent_people_and_days_off_are_seen(crews: Sequence[Crew]) -> None:
    first, second = crews
    SetAside.objects.create(
        crew=first,
        kind=SetAside.Kind.SHOP,
        starts_at=MONDAY.replace(day=4, hour=7),
        ends_at=MONDAY.replace(day=4, hour=15),
        note="sharpen augers",
    )
    LentPeople.objects.create(
        from_crew=first, to_crew=second, first_day="2026-06-02", last_day="2026-06-03"
    )
    DayOffFactory(
        crew=second, first_day=date(2026, 6, 10), last_day=date(2026, 6, 10), reason="Training"
    )

    lines = {line.key: line for line in board(shown=SHOWN, now=MONDAY).lines}

    shop = next(bar for bar in lines[f"crew-{first.pk}"].bars if bar.key == 0)
    assert "sharpen augers" in shop.name
    assert ("lent", f"lends 1 to {second}") in {
        (gap.kind, gap.words) for gap in lines[f"crew-{first.pk}"].gaps
    }
    assert ("off", "Training") in {(gap.kind, gap.words) for gap in lines[f"crew-{second.pk}"].gaps}


@pytest.mark.either_database
def test_the_number_of_queries_does_not_grow_with_jobs(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    as_(client, office).get(f"{BOARD}grid/")

    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            client.get(f"{BOARD}grid/?weeks=26")
        return len(queries)

    few = count()
    for number in range(3, 9):
        cover_digging(make_job(number=f"26-00{number}"))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert count() == few <= MOST_QUERIES


@pytest.mark.either_database
def test_a_pick_tells_reasons_and_takes_as_many_queries_for_more_jobs(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("POSTS")
    as_(client, office)
    address = f"{BOARD}phases/{row.phase_id}/"

    def count() -> int:
        with CaptureQueriesContext(connection) as queries:
            client.get(address, headers={"HX-Request": "true"})
        return len(queries)

    html = client.get(address, headers={"HX-Request": "true"}).content.decode()
    assert "Why it is where it is" in html
    assert row.because.split()[0] in html
    few = count()
    for number in range(3, 7):
        cover_digging(make_job(number=f"26-00{number}"))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    assert count() == few


def test_trying_saves_nothing_and_accepting_saves_what_was_shown(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("ROOF")
    day = date(2026, 6, 25)
    as_(client, office)

    answer = client.post(f"{BOARD}try/", a_move(row, day)).content.decode()

    assert "What would follow" in answer
    assert not BoardMove.objects.exists()
    assert not Plan.objects.filter(status=Plan.Status.DRAFT).exists()

    done = client.post(f"{BOARD}accept/", hidden(answer))

    assert done.status_code == 302
    assert booked("ROOF").starts_at.date() == day
    assert booked("ROOF").is_pinned


def test_undo_puts_it_back(client: Client, office: AbstractUser, crews: Sequence[Crew]) -> None:
    row = booked("ROOF")
    as_(client, office)
    answer = client.post(f"{BOARD}try/", a_move(row, date(2026, 6, 25))).content.decode()
    client.post(f"{BOARD}accept/", hidden(answer))

    client.post(f"{BOARD}moves/{BoardMove.objects.get().pk}/undo/")

    assert booked("ROOF").starts_at == row.starts_at
    assert not booked("ROOF").is_pinned


def test_a_rule_that_is_broken_is_named_with_the_nearest_start(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("ROOF")

    # A Saturday: nobody works.
    answer = as_(client, office).post(f"{BOARD}try/", a_move(row, date(2026, 6, 20)))

    assert answer.status_code == 422
    html = answer.content.decode()
    assert "This cannot be" in html
    assert re.search(r'<button class="button">Try \w{3} Jun \d+', html)


def test_a_stale_move_is_refused_with_what_changed(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("ROOF")
    as_(client, office)
    mine = a_move(row, date(2026, 6, 25))
    theirs = client.post(f"{BOARD}try/", a_move(row, date(2026, 6, 23))).content.decode()
    client.post(f"{BOARD}accept/", hidden(theirs))

    answer = client.post(f"{BOARD}try/", mine)

    assert answer.status_code == 409
    assert "The board has changed meanwhile" in answer.content.decode()
    assert "Jun 23" in answer.content.decode()


def test_a_move_that_is_not_complete_keeps_what_was_entered(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("ROOF")

    answer = as_(client, office).post(
        f"{BOARD}try/", a_move(row, date(2026, 6, 25)) | {"day": "25 June"}
    )

    assert answer.status_code == 422
    html = answer.content.decode()
    assert "Day: Enter a valid date." in html
    assert 'value="25 June"' in html


@pytest.mark.either_database
@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"kind": "FLY"}, "not known"),
        ({"kind": "SWAP", "first_day": "2026-06-09", "last_day": "2026-06-08"}, "Swap them"),
        (
            {
                "kind": "ASIDE",
                "what": "SHOP",
                "day": "2026-06-09",
                "begins": "12:00",
                "ends": "9:00",
            },
            "ends before it begins",
        ),
        ({"kind": "ASIDE", "job": "99-999"}, "No job has the number 99-999"),
    ],
)
def test_nonsense_is_refused_in_words(
    client: Client,
    office: AbstractUser,
    crews: Sequence[Crew],
    fields: dict[str, str],
    said: str,
) -> None:
    answer = as_(client, office).post(f"{BOARD}try/", fields)

    assert answer.status_code == 422
    assert said in answer.content.decode()


def test_the_version_is_answered_without_a_body_until_something_changes(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    first = as_(client, office).get(f"{BOARD}version/")
    again = client.get(f"{BOARD}version/", headers={"If-None-Match": first["ETag"]})
    planning.plan_now(now=MONDAY, budget_seconds=0)
    later = client.get(f"{BOARD}version/", headers={"If-None-Match": first["ETag"]})

    assert (again.status_code, again.content) == (304, b"")
    assert later.json()["version"] != first.json()["version"]


def test_the_owner_reads_and_moves_nothing(
    client: Client, owner: AbstractUser, crews: Sequence[Crew]
) -> None:
    row = booked("ROOF")
    html = as_(client, owner).get(f"{BOARD}?phase={row.phase_id}").content.decode()

    assert "Why it is where it is" in html
    assert "What would follow?" not in html
    for address in ("try/", "accept/", "moves/1/undo/"):
        answer = client.post(f"{BOARD}{address}", a_move(row, date(2026, 6, 25)))
        assert answer.status_code == 403


@pytest.mark.parametrize("address", ["", "grid/", "version/", "phases/1/", "gaps/"])
def test_a_lead_and_a_stranger_are_kept_out(
    client: Client, lead: AbstractUser, stranger: AbstractUser, address: str
) -> None:
    for person in (lead, stranger):
        assert as_(client, person).get(f"{BOARD}{address}").status_code in (302, 403)


def test_without_a_plan_the_board_says_how_to_get_one(client: Client, office: AbstractUser) -> None:
    html = as_(client, office).get(BOARD).content.decode()

    assert "Nothing is planned yet" in html


@pytest.mark.either_database
@pytest.mark.parametrize(
    "query", ["from=nonsense", "from=9999-12-31", "weeks=900", "rows=x", "phase=abc", "phase=9e9"]
)
def test_an_address_with_nonsense_shows_the_usual_board(
    client: Client, office: AbstractUser, crews: Sequence[Crew], query: str
) -> None:
    html = as_(client, office).get(f"{BOARD}?{query}").content.decode()

    assert 'aria-label="Booking board from Mon Jun 1, 2026, 3 weeks"' in html


def test_a_phase_that_is_gone_is_not_found(client: Client, office: AbstractUser) -> None:
    assert as_(client, office).get(f"{BOARD}phases/999999/").status_code == 404


def test_work_under_way_and_done_is_told_by_words(crews: Sequence[Crew]) -> None:
    row = booked("LAYOUT")
    Phase.objects.filter(pk=row.phase_id).update(
        status=Phase.Status.UNDER_WAY, started_at=row.starts_at, share_done=0.5
    )

    lines = board(shown=SHOWN, now=MONDAY).lines

    drawn = next(bar for line in lines for bar in line.bars if bar.key == row.phase_id)
    assert "under way, 50% done" in drawn.name
    assert drawn.moves_from == 0


def test_the_next_gaps_are_offered_for_a_callback(
    client: Client, office: AbstractUser, crews: Sequence[Crew]
) -> None:
    html = as_(client, office).get(f"{BOARD}gaps/?hours=3").content.decode()

    assert "The next gaps" in html
    assert "Keep it for a callback visit" in html


def test_the_reasons_of_a_pick_are_those_of_the_whole_plan(crews: Sequence[Crew]) -> None:
    for number in range(3, 8):
        make_job(number=f"26-00{number}", promised_on=date(2026, 7, 1 + number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    whole = stored_plan(plan)

    for row in whole.bookings:
        part = stored_plan(plan, only=reached_from(plan, row))
        assert reasons(part, row) == reasons(whole, row)
