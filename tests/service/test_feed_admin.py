"""The office's pages of crews, machines, days off and calendar links."""

from datetime import timedelta

import pytest
from django.contrib import admin
from django.urls import reverse
from django.utils import timezone

from crews import services
from crews.models import Crew, DayOff, Equipment, FeedEvent, FeedSubscription, Firm, WorkHours
from crews.selectors import crews_with_readers
from tests.factories import (
    CrewFactory,
    DayOffFactory,
    EquipmentFactory,
    FeedEventFactory,
    FirmFactory,
    WorkHoursFactory,
)

pytestmark = pytest.mark.django_db


def _list(model):
    return reverse(f"admin:crews_{model._meta.model_name}_changelist")


def _page(row):
    return reverse(f"admin:crews_{row._meta.model_name}_change", args=[row.pk])


def _add(model):
    return reverse(f"admin:crews_{model._meta.model_name}_add")


def _crew_form(crew, **changes):
    inline = {f"days_off-{name}_FORMS": 0 for name in ("TOTAL", "INITIAL")}
    values = {
        "name": "North crew",
        "is_active": "on",
        "size": 4,
        "skills": ["FRAMING", "STEEL"],
        "pace": "1.0",
        "work_hours": crew.work_hours_id,
        **inline,
    }
    return values | changes


@pytest.fixture
def crew():
    return CrewFactory(name="North crew")


@pytest.fixture
def subscription(crew):
    return services.subscribe(crew=crew, reader="Lead's phone", now=timezone.now())[0]


def _fill(rows):
    now = timezone.now()
    for _ in range(rows):
        crew = CrewFactory()
        FeedEventFactory(crew=crew, starts_at=now, ends_at=now + timedelta(days=2))
        DayOffFactory(crew=crew, first_day=now.date())
        DayOffFactory(equipment=EquipmentFactory(), first_day=now.date())
        for reader in ("phone", "wall"):
            services.subscribe(crew=crew, reader=reader, now=now)


@pytest.mark.either_database
@pytest.mark.parametrize("model", [Crew, WorkHours, Equipment, DayOff, FeedSubscription])
def test_a_list_costs_the_same_queries_for_few_and_many_rows(
    client, office, model, django_assert_max_num_queries
):
    client.force_login(office)
    _fill(2)
    client.get(_list(model))
    with django_assert_max_num_queries(20) as few:
        client.get(_list(model))

    _fill(8)
    with django_assert_max_num_queries(20) as many:
        response = client.get(_list(model))

    assert response.status_code == 200
    assert len(many) == len(few)


def test_the_crew_list_answers_who_where_and_who_listens(client, office, crew, subscription):
    now = timezone.now()
    crew.lead_name, crew.lead_phone, crew.skills = "Ada", "555-0100", ["LAYOUT", "AUGER"]
    crew.save()
    services.subscribe(crew=crew, reader="Wall", now=now)
    services.record_fetch(subscription=subscription, client="Phone/1", now=now)
    FeedEventFactory(crew=crew, starts_at=now, ends_at=now + timedelta(hours=1), summary="Roof X")
    FeedEventFactory(
        crew=crew, ends_at=now, starts_at=now - timedelta(hours=1), summary="Long over"
    )
    DayOffFactory(first_day=timezone.localdate() + timedelta(days=3))
    client.force_login(office)

    page = client.get(_list(Crew)).content.decode()

    assert "Ada, 555-0100" in page
    assert "Layout, Auger" in page
    assert "Roof X" in page
    assert "Long over" not in page
    assert f'?crew__id__exact={crew.pk}">2</a>' in page


def test_next_day_off_counts_everyones_days_and_not_a_machines(crew):
    now = timezone.now()
    today = timezone.localdate()
    DayOffFactory(equipment=EquipmentFactory(), first_day=today)
    DayOffFactory(crew=CrewFactory(), first_day=today)
    DayOffFactory(first_day=today + timedelta(days=3))
    DayOffFactory(crew=crew, first_day=today - timedelta(days=1), last_day=today)

    assert crews_with_readers(now=now).get(pk=crew.pk).next_day_off == today - timedelta(days=1)


def test_a_revoked_link_is_not_counted_as_a_reader(crew, subscription):
    now = timezone.now()
    services.revoke(subscription, now)

    assert crews_with_readers(now=now).get().readers == 0


def test_skills_are_boxes_to_tick_and_stored_as_codes(client, office, crew):
    client.force_login(office)
    page = client.get(_page(crew)).content.decode()

    response = client.post(_page(crew), _crew_form(crew))

    crew.refresh_from_db()
    assert page.count('type="checkbox" name="skills"') == len(Crew.Skill)
    assert response.status_code == 302
    assert crew.skills == ["FRAMING", "STEEL"]


@pytest.mark.either_database
@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"skills": []}, "This field is required."),
        ({"skills": ["SAILING"]}, "SAILING is not one of the available choices"),
        ({"size": "0"}, "greater than or equal to 1"),
        ({"pace": "9"}, "less than or equal to 2"),
        ({"name": ""}, "This field is required."),
    ],
)
def test_a_wrong_crew_is_refused_and_nothing_is_stored(client, office, crew, changes, message):
    client.force_login(office)
    before = Crew.objects.values().get()

    response = client.post(_page(crew), _crew_form(crew, **changes))

    assert message in response.content.decode()
    assert Crew.objects.values().get() == before


def test_a_new_crew_is_entered(client, office, crew):
    client.force_login(office)
    page = client.get(_add(Crew))

    response = client.post(_add(Crew), _crew_form(crew, name="South crew"))

    assert (page.status_code, response.status_code) == (200, 302)
    assert Crew.objects.get(name="South crew").skills == ["FRAMING", "STEEL"]


def test_days_off_in_the_wrong_order_are_refused(client, office):
    client.force_login(office)
    form = {"first_day": "2026-12-24", "last_day": "2026-12-20", "reason": "Shop closed"}

    response = client.post(_add(DayOff), form)

    assert "The last day is before the first day." in response.content.decode()
    assert not DayOff.objects.exists()


def test_a_shift_that_is_none_is_refused_with_what_to_write(client, office):
    client.force_login(office)

    response = client.post(_add(WorkHours), {"name": "Odd", "monday": "7 to 3"})

    assert "is not a shift. Write 07:00-12:00 12:30-16:00, or off." in response.content.decode()
    assert not WorkHours.objects.exists()


def test_there_is_one_firm(client, office):
    client.force_login(office)
    first = client.get(_add(Firm)).status_code
    entered = FirmFactory()

    assert first == 200
    assert client.get(_add(Firm)).status_code == 403
    delete = reverse("admin:crews_firm_delete", args=[entered.pk])
    assert client.post(delete, {"post": "yes"}).status_code == 403


def test_adding_a_reader_makes_a_link_and_shows_it(client, office, crew):
    client.force_login(office)

    form = {"crew": crew.pk, "reader": "Lead's phone", "_continue": "1"}
    response = client.post(_add(FeedSubscription), form, follow=True)

    url = services.feed_url(FeedSubscription.objects.get())
    page = response.content.decode()
    assert f'value="{url}"' in page
    assert 'href="webcal://' in page
    assert "Subscribing keeps it up to date" in page


def test_a_reader_can_be_renamed_but_not_moved_to_another_crew(client, office, crew, subscription):
    client.force_login(office)
    other = CrewFactory()
    url = services.feed_url(subscription)

    client.post(_page(subscription), {"reader": "Foreman", "crew": other.pk})

    subscription.refresh_from_db()
    assert (subscription.reader, subscription.crew) == ("Foreman", crew)
    assert services.feed_url(subscription) == url


def _act(client, action, *rows):
    form = {"action": action, "_selected_action": [row.pk for row in rows]}
    return client.post(_list(FeedSubscription), form, follow=True)


def test_the_office_replaces_a_link_in_one_step(client, office, subscription):
    client.force_login(office)
    old = services.feed_url(subscription)

    response = _act(client, "new_link", subscription)

    subscription.refresh_from_db()
    assert services.feed_url(subscription) != old
    assert "new link made" in response.content.decode()


def test_the_office_revokes_a_link_and_it_stays_so(client, office, subscription):
    client.force_login(office)

    _act(client, "revoke", subscription)
    response = _act(client, "new_link", subscription)

    subscription.refresh_from_db()
    assert subscription.revoked_at is not None
    assert "This link was revoked" in response.content.decode()
    assert "This link was revoked" in client.get(_page(subscription)).content.decode()


def test_the_owner_sees_readers_without_their_links_and_cannot_change_them(
    client, owner, subscription
):
    client.force_login(owner)
    token = services.feed_url(subscription).rpartition("/")[2]

    page = client.get(_page(subscription))
    _act(client, "revoke", subscription)

    subscription.refresh_from_db()
    assert page.status_code == 200
    assert token not in page.content.decode()
    assert subscription.revoked_at is None


@pytest.mark.either_database
@pytest.mark.parametrize("person", ["lead", "stranger"])
def test_nobody_else_reaches_these_pages(client, request, subscription, person):
    client.force_login(request.getfixturevalue(person))

    for row in (subscription, subscription.crew, subscription.crew.work_hours):
        assert client.get(_page(row)).status_code == 302
        assert client.get(_list(type(row))).status_code == 302


def test_feed_events_have_no_page():
    assert not admin.site.is_registered(FeedEvent)


def test_work_hours_show_how_many_crews_work_them(client, office):
    week = WorkHoursFactory()
    CrewFactory.create_batch(3, work_hours=week)
    client.force_login(office)

    page = client.get(_list(WorkHours)).content.decode()

    assert '<td class="field-crew_count">3</td>' in page


def test_a_new_name_is_seen_by_readers_that_ask_by_date(client, office):
    client.force_login(office)
    before = timezone.now() - timedelta(days=7)
    crew = CrewFactory(name="North crew", feed_revised_at=before)
    _, url = services.subscribe(crew=crew, reader="Office wall", now=before)
    path = "/feeds/" + url.rsplit("/", 1)[1]
    stamp = client.get(path).headers["Last-Modified"]

    client.post(_page(crew), _crew_form(crew, name="South crew"))

    # RFC 9110, section 13.1.3: 304 would say that nothing has changed.
    response = client.get(path, headers={"If-Modified-Since": stamp})
    assert response.status_code == 200
    assert b"NAME:South crew" in response.content


def test_a_crew_stored_under_its_old_name_leaves_its_calendar_as_it_is(client, office):
    client.force_login(office)
    before = timezone.now() - timedelta(days=7)
    crew = CrewFactory(name="North crew", feed_revised_at=before)

    client.post(_page(crew), _crew_form(crew, size=5))

    crew.refresh_from_db()
    assert (crew.size, crew.feed_revised_at) == (5, before)
