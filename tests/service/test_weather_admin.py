"""The weather desk: what it shows, what it stores, and to whom."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from inspections.models import WeatherArea, WeatherHour
from jobs.models import Job, Phase, Plan
from jobs.services import planning, publishing
from tests.factories import WeatherAreaFactory
from tests.service.portfolio import cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db

DESK = "/admin/inspections/weatherarea/desk/"
DAY = {"low_degf": "40", "high_degf": "60", "wind_mph": "10", "rain_in": "", "gust_mph": ""}


def address(name: str, area: WeatherArea) -> str:
    return reverse(f"admin:inspections_weatherarea_{name}", args=[area.pk])


def test_the_desk_tells_each_gate_in_words(client, office):
    area = WeatherAreaFactory(name="Harrow Plain")
    tell(area, timezone.localdate(), days=2)
    tell(area, timezone.localdate(), wind_mph=22)
    client.force_login(office)

    page = client.get(DESK).content.decode()

    assert "Harrow Plain (default)" in page
    assert "<b>stop</b><br>wind 22 mph, limit 20" in page
    assert "<b>caution</b><br>wind 22 mph, caution from 20" in page
    assert "<b>not known</b>" in page
    assert "Nobody under the load" not in page  # a caution of ours, in our words below
    assert "nobody under the load" in page
    assert "No forecast address: nothing is fetched." in page


def test_without_areas_the_desk_says_that_weather_stops_nothing(client, office):
    client.force_login(office)

    assert "weather stops nothing in the plan" in client.get(DESK).content.decode()


def test_a_source_that_failed_is_told_with_what_is_kept(client, office):
    now = timezone.now()
    WeatherAreaFactory(
        forecast_url="http://127.0.0.1:9/x",
        last_good_at=now - timedelta(hours=20),
        last_tried_at=now,
        last_error="the source answers 503",
    )
    client.force_login(office)

    page = client.get(DESK).content.decode()

    assert "failed: the source answers 503" in page
    assert "What was known is kept" in page
    assert "more than 12 hours ago" in page


def test_a_day_by_hand_is_stored_and_taken_back(client, office):
    area = WeatherAreaFactory()
    client.force_login(office)
    today = timezone.localdate()

    stored = client.post(address("enter_day", area), {**DAY, "day": today.isoformat()}, follow=True)
    count = WeatherHour.objects.filter(source="BY_HAND").count()
    gone = client.post(address("forget_day", area), {"day": today.isoformat()}, follow=True)

    assert "is entered by hand" in stored.content.decode()
    assert 23 <= count <= 25
    assert "is no longer by hand" in gone.content.decode()
    assert not WeatherHour.objects.exists()


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"low_degf": "70"}, "is below the low"),
        ({"wind_mph": "400"}, "wind_mph 400"),
        ({"wind_mph": "breezy"}, "Enter a number"),
        ({"day": "2020-01-01"}, "more than ten days away"),
    ],
)
def test_a_day_that_cannot_be_is_refused_with_what_was_typed(client, office, changes, says):
    area = WeatherAreaFactory()
    client.force_login(office)
    sent = {**DAY, "day": timezone.localdate().isoformat(), **changes}

    page = client.post(address("enter_day", area), sent).content.decode()

    assert says in page
    assert 'value="60"' in page
    assert not WeatherHour.objects.exists()


def sent_file(client, area: WeatherArea, text: str) -> str:
    file = SimpleUploadedFile("days.csv", text.encode(), content_type="text/csv")
    answer = client.post(address("send_days", area), {"days": file}, follow=True)
    return str(answer.content.decode())


def test_a_file_of_days_is_stored(client, office):
    area = WeatherAreaFactory()
    client.force_login(office)
    today = timezone.localdate()

    page = sent_file(client, area, f"day,low_degf,high_degf,wind_mph\n{today},40,60,8\n")

    assert "stored from the file" in page
    assert WeatherHour.objects.filter(source="CSV").exists()


@pytest.mark.parametrize(
    ("text", "says"),
    [("day\nsoon\n", "no column low_degf"), ("x" * 200_001, "Send at most 200000")],
)
def test_a_file_that_cannot_be_used_stores_nothing(client, office, text, says):
    area = WeatherAreaFactory()
    client.force_login(office)

    assert says in sent_file(client, area, text)
    assert not WeatherHour.objects.exists()


def test_fetching_without_an_answer_says_so(client, office):
    area = WeatherAreaFactory(forecast_url="http://127.0.0.1:9/none")
    client.force_login(office)

    page = client.post(address("refresh", area), follow=True).content.decode()

    assert "cannot be reached" in page


@pytest.mark.parametrize("name", ["refresh", "enter_day", "forget_day", "send_days"])
@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_only_the_office_changes_weather(client, request, name, who):
    area = WeatherAreaFactory(forecast_url="http://127.0.0.1:9/none")
    client.force_login(request.getfixturevalue(who))

    answer = client.post(address(name, area), {**DAY, "day": timezone.localdate().isoformat()})

    assert answer.status_code in (302, 403)
    area.refresh_from_db()
    assert area.last_tried_at is None
    assert not WeatherHour.objects.exists()


def test_the_owner_reads_the_desk_without_its_buttons(client, owner):
    WeatherAreaFactory()
    client.force_login(owner)

    page = client.get(DESK).content.decode()

    assert "<table" in page
    assert "Store this day" not in page


def test_reading_changes_nothing(client, office):
    area = WeatherAreaFactory(forecast_url="http://127.0.0.1:9/none")
    client.force_login(office)

    assert client.get(address("refresh", area)).status_code == 403


def test_a_county_is_in_one_area_only(client, office):
    WeatherAreaFactory(name="North", is_default=False, counties="Oxbow County OH")
    client.force_login(office)
    area = WeatherAreaFactory(name="South")
    page = client.get(f"/admin/inspections/weatherarea/{area.pk}/change/")
    form = page.context["adminform"].form.initial
    sent = {name: value for name, value in form.items() if value is not None}

    answer = client.post(
        f"/admin/inspections/weatherarea/{area.pk}/change/",
        {**sent, "counties": "Oxbow County OH"},
    )

    assert "Oxbow County OH is in North already" in answer.content.decode()


@pytest.fixture
def stormy_firm():
    """A published plan whose trusses stand on a day that turns out stormy."""
    make_firm(crews=1)
    job = make_job(number="26-900")
    cover_digging(job)
    now = timezone.now()
    before = ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FRAME")
    Phase.objects.filter(job=job, code__in=before).update(
        status="DONE", done_at=now - timedelta(days=3)
    )
    indoor = make_job(number="26-901", wall_lining="STEEL", liner_gauge=29)
    Phase.objects.filter(job=indoor).exclude(
        code__in=("LINER", "PUNCH", "FINAL_INSPECTION")
    ).update(status="DONE", done_at=now - timedelta(days=3))
    Job.objects.filter(pk=indoor.pk).update(earliest_start_on=now.date() + timedelta(days=40))
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    booking = plan.bookings.get(phase__code="TRUSSES")
    area = WeatherAreaFactory()
    tell(area, timezone.localdate(), days=9)
    tell(area, timezone.localdate(booking.starts_at), wind_mph=31)
    return booking


def test_a_stopped_crew_is_offered_work_under_cover(client, office, stormy_firm):
    client.force_login(office)

    page = client.get(DESK).content.decode()

    assert "Set trusses and purlins of 26-900" in page
    assert "wind 31 mph, limit 20" in page
    assert "Steel liner of 26-901" in page
    assert "under cover, 30 min drive" in page


def test_entering_weather_makes_a_draft_that_moves_the_work(client, office, stormy_firm):
    area = WeatherArea.objects.get()
    client.force_login(office)
    first = timezone.localdate(stormy_firm.starts_at)

    client.post(
        address("enter_day", area),
        {**DAY, "day": (first + timedelta(days=1)).isoformat(), "wind_mph": "40"},
    )

    draft = Plan.objects.get(status=Plan.Status.DRAFT)
    moved = draft.bookings.get(phase__code="TRUSSES")
    assert timezone.localdate(moved.starts_at) >= first + timedelta(days=2)
    assert "eather" in moved.because


def test_the_desk_reads_in_a_constant_number_of_queries(
    client, office, stormy_firm, django_assert_max_num_queries
):
    client.force_login(office)
    with django_assert_max_num_queries(40) as few:
        client.get(DESK)
    for n in range(3):
        tell(WeatherAreaFactory(is_default=False), timezone.localdate(), days=2)
        make_job(number=f"27-{n:03d}")
    with django_assert_max_num_queries(40) as many:
        client.get(DESK)

    assert len(many) == len(few)
