"""The buyer's page: what it tells, what it never tells, and whom it opens to."""

import re
import uuid
from datetime import date, timedelta

import pytest
from django.contrib import admin
from django.core.files.base import ContentFile
from django.urls import reverse
from django.utils import timezone

from crews.services import LinkClosedError
from jobs.models import (
    BuyerLink,
    Delivery,
    FieldReport,
    Forecast,
    Job,
    JobForecast,
    Phase,
    Plan,
    ReportPhoto,
)
from jobs.services import buyer_links, planning, publishing
from tests.service.portfolio import MONDAY, make_firm, make_job

NOW = MONDAY
JPEG = b"\xff\xd8\xff\xe0 a picture"

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def job():
    make_firm()
    return make_job(
        buyer_name="Ada Fenwick",
        buyer_phone="555-0133",
        gate_code="4711#",
        notes="Pays late",
        contract_value_usd="48500.00",
    )


@pytest.fixture
def published(job):
    plan = planning.plan_now(now=NOW, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=NOW)
    return job


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: NOW)


def _link(job, reader="Buyer"):
    return buyer_links.make_link(job=job, reader=reader, now=NOW)


def _path(url):
    return re.sub(r"^https?://[^/]+", "", url)


def _page(client, job):
    response = client.get(_path(_link(job)[1]))
    assert response.status_code == 200
    return " ".join(response.content.decode().split())


def _finish(job, *codes):
    Phase.objects.filter(job=job, code__in=codes).update(
        status=Phase.Status.DONE, started_at=NOW, done_at=NOW
    )


def _photo(job, is_released=True, code="LAYOUT"):
    phase = Phase.objects.get(job=job, code=code)
    report = FieldReport.objects.create(
        phase=phase, kind=FieldReport.Kind.NOTE, made_at=NOW, received_at=NOW, by_name="Lead"
    )
    photo = ReportPhoto(
        report=report,
        sha256=uuid.uuid4().hex * 2,
        width_px=1600,
        height_px=1200,
        received_at=NOW,
        is_released=is_released,
    )
    photo.file.save(f"{uuid.uuid4()}.jpg", ContentFile(JPEG), save=True)
    return photo


def test_the_page_tells_what_is_done_what_is_next_and_the_likely_weeks(client, published, at_once):
    _finish(published, "LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS")

    page = _page(client, published)

    assert 'Layout, holes and posts</span> <span class="state">Done, Jun 1, 2026' in page
    assert re.search(r'Frame and trusses</span> <span class="state">Next, [^<]*2026', page)
    assert "Likely finished" in page
    assert "As it is planned now." in page


def test_the_likely_weeks_are_those_of_the_newest_forecast(client, published, at_once):
    forecast = Forecast.objects.create(
        plan=Plan.objects.get(), status=Forecast.Status.DONE, as_of=NOW, made_at=NOW, draws=100
    )
    JobForecast.objects.create(
        forecast=forecast,
        job=published,
        finish_p10=NOW + timedelta(days=7),
        finish_p90=NOW + timedelta(days=60),
    )

    page = _page(client, published)

    assert "Jun 8 to Aug 2, 2026" in page
    assert "In about 8 of 10 cases" in page


def test_the_page_tells_what_the_next_stage_waits_for_in_plain_words(client, published, at_once):
    Delivery.objects.filter(job=published, item="POSTS").update(
        arrived_on=None, promised_on=date(2026, 6, 10), supplier="Dry Fork Supply"
    )

    page = _page(client, published)

    assert "<strong>Material</strong>, before layout, holes and posts can go on" in page
    assert "expected the week of Jun 8, 2026" in page
    assert "Dry Fork" not in page


def test_weeks_that_are_over_are_not_told(client, published, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: NOW + timedelta(days=365))

    page = _page(client, published)

    assert "No dates yet" in page
    assert "2026" not in page


def test_nothing_else_of_the_job_is_told(client, published, at_once):
    page = _page(client, published)

    crews = {crew for crew in Phase.objects.values_list("bookings__crew__name", flat=True) if crew}
    for secret in (
        *crews,
        "4711",
        "48500",
        "48,500",
        "555-0133",
        "Pays late",
        published.buyer_name,
        published.number,
        published.site_address,
        "hours",
    ):
        assert secret not in page.replace("no hours", "")


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"status": Job.Status.DONE, "completed_on": date(2026, 5, 29)}, "May 29, 2026"),
        ({"status": Job.Status.ON_HOLD}, "Work is on hold"),
        ({}, "No dates yet"),
    ],
)
def test_a_job_without_a_plan_says_how_it_stands(client, job, columns, words):
    Job.objects.filter(pk=job.pk).update(**columns)

    assert words in _page(client, job)


def test_the_page_is_kept_by_nobody_and_listed_nowhere(client, job):
    response = client.get(_path(_link(job)[1]))

    assert response.headers["Cache-Control"] == "private, no-store"
    assert response.headers["Referrer-Policy"] == "no-referrer"
    assert response.headers["X-Robots-Tag"] == "noindex"
    assert not response.cookies


def _revoked(link):
    buyer_links.revoke_link(link=link, now=NOW)


def _replaced(link):
    buyer_links.replace_link(link=link, now=NOW)


def _cancelled(link):
    Job.objects.filter(pk=link.job_id).update(status=Job.Status.CANCELLED)


@pytest.mark.parametrize("closed", [_revoked, _replaced, _cancelled])
def test_a_closed_link_looks_like_one_that_never_was(client, job, closed):
    link, url = _link(job)
    never = client.get("/buyer/never/")

    closed(link)

    response = client.get(_path(url))
    assert (response.status_code, response.content) == (404, never.content)


def test_what_is_stored_opens_nothing(client, job):
    link, url = _link(job)

    for value in BuyerLink.objects.values().get().values():
        assert client.get(f"/buyer/{value}/").status_code == 404
    assert client.get(_path(url)).status_code == 200
    assert link.token_hash not in url


def test_a_calendars_key_opens_no_page_and_a_pages_key_no_calendar(client, job):
    _, url = _link(job)
    token = url.rstrip("/").rpartition("/")[2]

    assert client.get(f"/feeds/{token}.ics").status_code == 404


def test_a_link_under_an_old_secret_key_opens_and_is_shown_with_the_fallback(client, job, settings):
    link, url = _link(job)
    old, settings.SECRET_KEY = settings.SECRET_KEY, "another" * 10

    assert client.get(_path(url)).status_code == 200
    with pytest.raises(LinkClosedError, match="another secret key"):
        buyer_links.page_url(link=link)
    settings.SECRET_KEY_FALLBACKS = [old]
    assert buyer_links.page_url(link=link) == url


def test_opening_is_written_down_once_in_ten_minutes(client, job):
    _, url = _link(job)
    client.head(_path(url))
    assert BuyerLink.objects.get().last_opened_at is None

    client.get(_path(url))
    first = BuyerLink.objects.get().last_opened_at
    client.get(_path(url))

    assert first is not None
    assert BuyerLink.objects.get().last_opened_at == first


def test_a_buyer_sees_the_photos_that_were_released_and_no_others(client, job):
    shown, kept = _photo(job), _photo(job, is_released=False)
    foreign = _photo(make_job())
    url = _path(_link(job)[1])

    page = client.get(url).content.decode()
    answers = {pk: client.get(f"{url}photos/{pk}/") for pk in (shown.pk, kept.pk, foreign.pk, 999)}

    assert f"photos/{shown.pk}/" in page
    assert f"photos/{kept.pk}/" not in page
    assert {pk: answer.status_code for pk, answer in answers.items()} == {
        shown.pk: 200,
        kept.pk: 404,
        foreign.pk: 404,
        999: 404,
    }
    assert b"".join(answers[shown.pk].streaming_content) == JPEG
    assert answers[shown.pk].headers["Content-Type"] == "image/jpeg"


def test_nothing_is_posted_to_the_page(client, job):
    assert client.post(_path(_link(job)[1])).status_code == 405


@pytest.mark.either_database
def test_the_page_costs_the_same_queries_for_few_and_many_rows(
    client, published, at_once, django_assert_max_num_queries
):
    url = _path(_link(published)[1])
    _photo(published)
    client.get(url)
    with django_assert_max_num_queries(40) as few:
        client.get(url)
    for code in ("LAYOUT", "DIG", "ROOF", "WALLS"):
        _photo(published, code=code)
    for _ in range(3):
        make_job()

    with django_assert_max_num_queries(40) as many:
        client.get(url)

    assert len(many) == len(few)


ADD = "/admin/jobs/buyerlink/add/"


def _admin_page(link):
    return reverse("admin:jobs_buyerlink_change", args=[link.pk])


def test_the_office_makes_a_link_and_sees_it_with_its_code(client, office, job):
    client.force_login(office)

    form = {"job": job.pk, "reader": "Ada and Ben", "_continue": "1"}
    page = client.post(ADD, form, follow=True).content.decode()

    assert buyer_links.page_url(link=BuyerLink.objects.get()) in page
    assert "<svg" in page


def _act(client, model, action, *rows):
    form = {"action": action, "_selected_action": [row.pk for row in rows]}
    return client.post(reverse(f"admin:jobs_{model}_changelist"), form, follow=True)


def test_the_office_replaces_and_revokes_a_link(client, office, job):
    client.force_login(office)
    link, url = _link(job)

    _act(client, "buyerlink", "new_link", link)
    link.refresh_from_db()
    renewed = buyer_links.page_url(link=link)
    _act(client, "buyerlink", "revoke", link)
    again = _act(client, "buyerlink", "new_link", link).content.decode()

    link.refresh_from_db()
    assert renewed != url
    assert link.revoked_at is not None
    assert "This link was revoked" in again


def test_the_owner_sees_links_without_their_keys_and_changes_nothing(client, owner, job):
    client.force_login(owner)
    link, url = _link(job)

    page = client.get(_admin_page(link)).content.decode()
    _act(client, "buyerlink", "revoke", link)

    link.refresh_from_db()
    assert url.rstrip("/").rpartition("/")[2] not in page
    assert link.revoked_at is None


def test_a_photo_whose_file_is_gone_is_not_there(client, job):
    shown, url = _photo(job), _path(_link(job)[1])
    shown.file.storage.delete(shown.file.name)

    assert client.get(f"{url}photos/{shown.pk}/").status_code == 404


def test_a_photo_of_a_report_that_was_taken_back_is_shown_no_more(client, job):
    shown, wrong = _photo(job), _photo(job)
    FieldReport.objects.create(
        phase=wrong.report.phase,
        kind=FieldReport.Kind.CORRECTION,
        corrects_id=wrong.report.pk,
        corrected_kind="VOID",
        made_at=NOW + timedelta(minutes=5),
        received_at=NOW + timedelta(minutes=5),
    )
    url = _path(_link(job)[1])

    page = client.get(url).content.decode()

    assert f"photos/{shown.pk}/" in page
    assert f"photos/{wrong.pk}/" not in page
    answers = [client.get(f"{url}photos/{photo.pk}/") for photo in (shown, wrong)]
    assert [answer.status_code for answer in answers] == [200, 404]
    answers[0].close()


def test_the_office_releases_photos_and_takes_them_back(client, office, job):
    client.force_login(office)
    photo = _photo(job, is_released=False)

    _act(client, "reportphoto", "show_to_buyer", photo)
    released = ReportPhoto.objects.get().is_released
    _act(client, "reportphoto", "hide_from_buyer", photo)

    assert released
    assert not ReportPhoto.objects.get().is_released


@pytest.mark.parametrize("person", ["owner", "lead", "stranger"])
def test_nobody_else_releases_photos(client, request, job, person):
    client.force_login(request.getfixturevalue(person))
    photo = _photo(job, is_released=False)

    _act(client, "reportphoto", "show_to_buyer", photo)

    assert not ReportPhoto.objects.get().is_released


@pytest.mark.parametrize("person", ["lead", "stranger"])
def test_nobody_else_reaches_the_offices_pages(client, request, job, person):
    client.force_login(request.getfixturevalue(person))
    link, _ = _link(job)

    for address in (ADD, _admin_page(link), reverse("admin:jobs_reportphoto_changelist")):
        assert client.get(address).status_code == 302


@pytest.mark.either_database
@pytest.mark.parametrize("model", [BuyerLink, ReportPhoto])
def test_a_list_costs_the_same_queries_for_few_and_many_rows(
    client, office, job, model, django_assert_max_num_queries
):
    client.force_login(office)
    address = reverse(f"admin:jobs_{model._meta.model_name}_changelist")
    _link(job)
    _photo(job)
    client.get(address)
    with django_assert_max_num_queries(20) as few:
        client.get(address)
    for _ in range(4):
        other = make_job()
        _link(other)
        _photo(other)

    with django_assert_max_num_queries(20) as many:
        client.get(address)

    assert len(many) == len(few)


def test_photos_are_neither_typed_nor_deleted():
    page = admin.site.get_model_admin(ReportPhoto)

    assert not page.has_add_permission(None)
    assert not page.has_change_permission(None)
    assert not page.has_delete_permission(None)
