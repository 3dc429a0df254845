"""What a phone reports: kept once, in the crew's name, with what it does besides and its undo."""

import json
from datetime import date, timedelta
from http import HTTPStatus
from io import BytesIO
from uuid import uuid4

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from crews.models import Crew
from crews.services import phones
from inspections.models import Inspection, SiteShot
from jobs.models import (
    Booking,
    Delivery,
    DeliveryReport,
    FieldReport,
    Job,
    Phase,
    PlanRequest,
    ReportPhoto,
)
from tests.factories import CrewFactory
from tests.service.inspecting import asked, booked, finish, phase, published_job
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db
OURS = {"X-Outbox": "1", "Accept": "application/json"}


@pytest.fixture(autouse=True)
def clock(settings, tmp_path):
    settings.TIME_ZONE = "America/New_York"
    settings.MEDIA_ROOT = tmp_path
    with time_machine.travel(MONDAY + timedelta(hours=2), tick=False) as traveller:
        yield traveller


@pytest.fixture
def job():
    return published_job(foundation="POURED_PIER")


@pytest.fixture
def dig(job):
    return booked(job, "DIG")


@pytest.fixture
def client(dig):
    return enrolled(dig.crew)


def enrolled(crew: Crew, **options) -> Client:
    client = Client(**options)
    _, address = phones.invite(crew=crew, person_name="Ada Bright", now=MONDAY)
    key = address.rstrip("/").rpartition("/")[2]
    page = client.get(f"/phone/enroll/{key}/")
    token = str(page.context["csrf_token"])
    client.post(f"/phone/enroll/{key}/", {"csrfmiddlewaretoken": token})
    return client


def said(row: Phase, do: str, **fields) -> dict:
    return {
        "id": str(uuid4()),
        "made_at": (MONDAY + timedelta(hours=1)).isoformat(),
        "phase": str(row.pk),
        "do": do,
        **fields,
    }


def send(client: Client, *rows: dict, **headers):
    return client.post(
        "/phone/reports/",
        json.dumps({"reports": rows}),
        content_type="application/json",
        headers=OURS | headers,
    )


def answers(client: Client, *rows: dict) -> list[dict]:
    response = send(client, *rows)
    assert response.status_code == HTTPStatus.OK, response.content
    return response.json()["results"]


def picture() -> bytes:
    out = BytesIO()
    Image.new("RGB", (40, 30), "navy").save(out, "JPEG")
    return out.getvalue()


def test_a_start_is_kept_in_the_crews_and_the_persons_name(client, dig):
    (told,) = answers(client, said(dig.phase, "STARTED"))

    report = FieldReport.objects.get()
    assert (report.crew, report.by_name, report.from_office) == (dig.crew, "Ada Bright", False)
    assert (told["result"], told["stands"]) == ("RECEIVED", "Under way")
    assert PlanRequest.objects.filter(reason="field reports").count() == 1


def test_the_same_report_twice_is_one_row_and_one_wish(client, dig):
    row = said(dig.phase, "DONE", people="4", hours_each="7.5")

    (first,), (second,) = answers(client, row), answers(client, row)

    assert (first["result"], second["result"]) == ("RECEIVED", "ALREADY_RECEIVED")
    assert FieldReport.objects.get().crew_hours == 30  # 4 people × 7.5 h
    assert PlanRequest.objects.filter(reason="field reports").count() == 1


def test_one_that_is_refused_keeps_no_other_from_being_taken(client, dig):
    results = answers(
        client,
        said(dig.phase, "STARTED"),
        said(dig.phase, "DANCE"),
        said(dig.phase, "SHARE 7"),
        said(dig.phase, "SHARE 0.5"),
    )

    assert [row["result"] for row in results] == ["RECEIVED", "REFUSED", "REFUSED", "RECEIVED"]
    assert all(row["words"] for row in results[1:3])
    assert results[3]["stands"] == "Under way, 50% done"


@pytest.mark.parametrize(
    ("do", "fields", "words"),
    [
        ("SHARE half", {}, "cannot be read"),
        ("DONE", {"people": "four"}, "cannot be read"),
        ("DONE", {"people": "", "hours_each": "8"}, "how many worked"),
        ("DONE", {"people": "4", "hours_each": "nan"}, "not a number"),
        ("STOPPED LUNCH", {}, "not one of the choices"),
        ("STOPPED WEATHER", {"until": "2026-02-31"}, "cannot be read"),
        ("STOPPED WEATHER", {"until": "2026-05-30"}, "not a moment to go on"),
        ("NOTE", {}, "Write a word or two"),
        ("SHORT 1 TRUSSES", {"shortage": " "}, "missing or broken"),
        ("SHOTS", {"shot_FRONT_LEFT": "4"}, "not shot yet"),
        ("STARTED", {"id": "1"}, "cannot be read"),
        ("STARTED", {"phase": "-1"}, "cannot be read"),
        ("STARTED", {"phase": "987654"}, "no such phase"),
        ("STARTED", {"made_at": "noon"}, "not told when"),
        ("STARTED", {"made_at": "2026-06-01T23:00:00-04:00"}, "Set the clock"),
    ],
)
def test_what_cannot_be_kept_says_why_and_what_to_do(client, dig, do, fields, words):
    (told,) = answers(client, said(dig.phase, do, **fields))

    assert told["result"] == "REFUSED"
    assert words in " ".join(told["words"])
    assert not FieldReport.objects.exists()


DEEP = b'{"reports": [{"note": ' + b"[" * 100_000 + b"]" * 100_000 + b"}]}"
LONG = b'{"reports": [{"note": ' + b"9" * 10_000 + b"}]}"
MANY = json.dumps({"reports": [{"note": "x"}] * 51}).encode()


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b'{"reports": []}', b'{"reports": [1]}', DEEP, LONG, MANY, b"\xff\xfe\x00"],
)
def test_a_body_that_is_no_list_of_reports_is_turned_away(client, body):
    response = client.post("/phone/reports/", body, content_type="application/json", headers=OURS)

    assert response.status_code == HTTPStatus.BAD_REQUEST


def test_a_stop_says_by_what_and_until_which_day(client, dig):
    (told,) = answers(client, said(dig.phase, "STOPPED WEATHER", until="2026-06-03"))

    row = phase(dig.phase.job, "DIG")
    assert told["stands"] == "Stopped, weather"
    assert row.stopped_until.astimezone(MONDAY.tzinfo).isoformat() == "2026-06-03T00:00:00-04:00"


def test_an_undo_takes_a_report_back(client, dig):
    row = said(dig.phase, "DONE")
    answers(client, row)

    (told,) = answers(client, said(dig.phase, f"UNDO {row['id']}"))

    assert told["stands"] == "Open"
    assert FieldReport.objects.count() == 2


def test_moved_work_is_kept_and_told(client, dig):
    seen = dig.starts_at.isoformat()
    later = dig.starts_at + timedelta(days=1)
    Booking.objects.exclude(pk=dig.pk).delete()  # a crew is nowhere twice
    Booking.objects.filter(pk=dig.pk).update(starts_at=later, ends_at=dig.ends_at + timedelta(2))

    (told,) = answers(client, said(dig.phase, "STARTED", seen=seen))

    assert told["result"] == "RECEIVED"
    assert "The office has moved this work from" in told["words"][0]
    assert phase(dig.phase.job, "DIG").status == "UNDER_WAY"


def test_work_given_to_another_crew_meanwhile_is_kept_and_told(client, dig):
    other = CrewFactory(name="South crew")
    seen = dig.starts_at.isoformat()
    Booking.objects.filter(pk=dig.pk).update(crew=other)
    # What was ever the crew's may be reported by it.
    Phase.objects.filter(pk=dig.phase_id).update(pinned_crew=dig.crew)

    (told,) = answers(client, said(dig.phase, "STARTED", seen=seen))

    assert told["result"] == "RECEIVED"
    assert "The office has given this work to South crew" in told["words"][0]


def test_a_job_on_hold_is_told(client, dig):
    Job.objects.update(status="ON_HOLD")

    (told,) = answers(client, said(dig.phase, "STARTED"))

    assert told["words"] == ["The job is on hold. Call the office."]


def test_no_phone_reports_the_work_of_another_crew(job, dig):
    stranger = enrolled(CrewFactory(name="Strangers"))

    long_ago = said(dig.phase, "STARTED", seen="2020-01-01T12:00:00+00:00")

    (told,) = answers(stranger, long_ago)

    assert told["result"] == "REFUSED"
    assert not FieldReport.objects.exists()
    # Numbers of phases can be guessed: the answer tells neither whose work it is nor when.
    assert len(told["words"]) == 1
    assert dig.crew.name not in str(told)


def test_a_delivery_that_came_short_waits_for_the_rest_and_can_be_undone(client, dig):
    delivery = Delivery.objects.filter(job=dig.phase.job).first()
    Delivery.objects.filter(pk=delivery.pk).update(arrived_on=None)
    row = said(dig.phase, f"SHORT {delivery.pk} {delivery.item}", shortage="2 broken")

    answers(client, row, row)

    delivery.refresh_from_db()
    told = DeliveryReport.objects.get()
    assert (delivery.arrived_on, delivery.shortage) == (date(2026, 6, 1), "2 broken")
    assert told.told_by == "Ada Bright"
    assert "short or damaged: 2 broken" in FieldReport.objects.get().note

    answers(client, said(dig.phase, f"UNDO {row['id']}"))

    delivery.refresh_from_db()
    assert (delivery.arrived_on, delivery.shortage) == (None, "")


def test_an_arrival_that_the_office_has_entered_already_stays_as_a_note(client, dig):
    delivery = Delivery.objects.filter(job=dig.phase.job).first()

    (told,) = answers(client, said(dig.phase, f"ARRIVED {delivery.pk} {delivery.item}"))

    assert told["result"] == "RECEIVED"
    assert "all of it arrived on 2026-05-29" in told["words"][0]
    assert FieldReport.objects.count() == 1


def test_no_phone_tells_the_delivery_of_another_job(client, dig):
    delivery = Delivery.objects.filter(job=dig.phase.job).first()
    other = published_like(dig.phase.job)
    Delivery.objects.filter(pk=delivery.pk).update(job=other, arrived_on=None)

    (told,) = answers(client, said(dig.phase, f"ARRIVED {delivery.pk} {delivery.item}"))

    delivery.refresh_from_db()
    assert delivery.arrived_on is None
    assert "taken this delivery off the job" in told["words"][0]


def published_like(job: Job) -> Job:
    job.pk, job.number = None, "26-777"
    job.save()
    return job


@pytest.fixture
def visit(job, dig, clock):
    finish(job, "LAYOUT", "DIG", at=booked(job, "DIG").ends_at)
    found = asked(job, "HOLE_INSPECTION", now=MONDAY)
    clock.move_to(found.visit_until or MONDAY + timedelta(days=3))
    return found


def test_an_inspectors_word_is_recorded_once_and_can_be_taken_back(client, dig, visit):
    row = said(dig.phase, f"VISIT {visit.pk} PASSED", note="Signed on the card")

    (first,), (second,) = answers(client, row), answers(client, row)

    visit.refresh_from_db()
    assert (first["result"], second["result"]) == ("RECEIVED", "ALREADY_RECEIVED")
    assert visit.status == Inspection.Status.PASSED
    assert visit.events.count() == 2
    assert phase(visit.phase.job, "HOLE_INSPECTION").status == "DONE"
    assert "Ada Bright, by phone" in visit.events.last().teller

    answers(client, said(dig.phase, f"UNDO {row['id']}"))

    visit.refresh_from_db()
    assert visit.status == Inspection.Status.REQUESTED


def test_a_result_that_was_cut_off_after_its_note_is_recorded_when_it_comes_again(
    client, dig, visit, monkeypatch
):
    row = said(dig.phase, f"VISIT {visit.pk} FAILED")
    with monkeypatch.context() as broken:
        broken.setattr("crews.services.phone_reports.visits.record", _fail)
        with pytest.raises(ConnectionError):
            send(client, row)
    assert FieldReport.objects.filter(kind="NOTE").count() == 1

    (told,) = answers(client, row)

    visit.refresh_from_db()
    assert (told["result"], visit.status) == ("ALREADY_RECEIVED", "FAILED")


def _fail(**_):
    raise ConnectionError("the computer went down")


def test_a_visit_passed_in_part_says_what_is_free(client, dig, visit):
    (told,) = answers(client, said(dig.phase, f"VISIT {visit.pk} PARTIAL"))
    assert "which holes or bays" in told["words"][0]

    answers(client, said(dig.phase, f"VISIT {visit.pk} PARTIAL", released="North row"))

    visit.refresh_from_db()
    assert (visit.status, visit.released) == ("PARTIAL", "North row")


def test_a_result_the_office_entered_first_stands_and_the_note_is_kept(client, dig, visit):
    Inspection.objects.filter(pk=visit.pk).update(status="PASSED", decided_at=MONDAY)

    (told,) = answers(client, said(dig.phase, f"VISIT {visit.pk} FAILED"))

    visit.refresh_from_db()
    assert (told["result"], visit.status) == ("RECEIVED", "PASSED")
    assert "Your note is kept." in told["words"][0]
    assert FieldReport.objects.filter(note="Inspector: Failed").exists()


def test_grade_shots_are_stored_and_read_back(client, dig):
    corners = {"FRONT_LEFT": "4.0", "FRONT_RIGHT": "4.5", "BACK_RIGHT": "5,0", "BACK_LEFT": "4.5"}
    fields = {f"shot_{place}": reading for place, reading in corners.items()}

    (told,) = answers(client, said(dig.phase, "SHOTS", shot_kind="ROD", **fields))

    shots = {shot.place: shot.reading_ft for shot in SiteShot.objects.all()}
    assert shots == {"FRONT_LEFT": 4, "FRONT_RIGHT": 4.5, "BACK_RIGHT": 5, "BACK_LEFT": 4.5}
    assert "12 in" in told["words"][0]  # 5.0 ft less 4.0 ft


def test_a_photo_is_kept_with_its_report_once(client, dig):
    row = said(dig.phase, "NOTE", photos="1")
    answers(client, row)
    address = f"/phone/reports/{row['id']}/photos/"

    for _ in range(2):
        sent = SimpleUploadedFile("photo.jpg", picture(), "image/jpeg")
        assert client.post(address, {"photo": sent}, headers=OURS).json()["result"] == "RECEIVED"

    assert ReportPhoto.objects.count() == 1


def test_what_is_no_photo_and_whose_report_is_not_there_is_refused(client, dig):
    row = said(dig.phase, "NOTE", note="x")
    answers(client, row)
    for report, data in ((row["id"], b"text"), (uuid4(), picture())):
        sent = SimpleUploadedFile("photo.jpg", data, "image/jpeg")
        told = client.post(f"/phone/reports/{report}/photos/", {"photo": sent}, headers=OURS)
        assert told.json()["result"] == "REFUSED"
        assert told.json()["words"]


def test_a_form_without_scripts_is_taken_once_with_its_photo(dig):
    client = enrolled(dig.crew, enforce_csrf_checks=True)
    page = client.get(f"/phone/phases/{dig.phase_id}/")
    fields = {
        "csrfmiddlewaretoken": str(page.context["csrf_token"]),
        "report_id": str(uuid4()),
        "phase": dig.phase_id,
        "do": "NOTE",
        "note": "Rock at 3 ft",
    }
    for _ in range(2):
        sent = SimpleUploadedFile("photo.jpg", picture(), "image/jpeg")
        told = client.post("/phone/reports/form/", fields | {"photo": sent}, follow=True)
        assert "Received." in told.content.decode()

    assert FieldReport.objects.get().note == "Rock at 3 ft"
    assert ReportPhoto.objects.count() == 1


def test_a_form_says_on_the_next_page_what_was_wrong(client, dig):
    fields = {"report_id": str(uuid4()), "phase": dig.phase_id, "do": "DONE", "people": "x"}

    told = client.post("/phone/reports/form/", fields, follow=True)

    assert "cannot be read" in told.content.decode()


def test_no_other_site_can_report(dig):
    client = enrolled(dig.crew, enforce_csrf_checks=True)
    row = said(dig.phase, "STARTED")
    bare = client.post(
        "/phone/reports/", json.dumps({"reports": [row]}), content_type="application/json"
    )
    foreign = send(client, row, Origin="https://elsewhere.example")
    form = client.post("/phone/reports/form/", row)

    assert {bare.status_code, foreign.status_code, form.status_code} == {403}
    assert not FieldReport.objects.exists()
    assert send(client, row, Origin="http://testserver").status_code == HTTPStatus.OK


def test_a_phone_that_is_not_let_in_is_told_so_in_its_own_terms(dig):
    response = send(Client(), said(dig.phase, "STARTED"))

    assert response.status_code == HTTPStatus.FORBIDDEN
    assert response.json()["error"] == "phone_unknown"


def test_every_report_form_of_a_page_has_its_own_id(client, dig):
    page = client.get(f"/phone/phases/{dig.phase_id}/").content.decode()

    ids = [part.partition('"')[0] for part in page.split('name="report_id" value="')[1:]]
    assert len(ids) == len(set(ids)) > 3


def test_the_program_changes_its_version_with_its_files(client, settings, monkeypatch):
    first = client.get("/phone/sw.js")
    assert first.headers["Content-Type"].startswith("text/javascript")
    settings.DEBUG = True
    monkeypatch.setattr("crews.phone.offline.SHELL", ("crews/phone.css", "crews/outbox.js"))

    assert client.get("/phone/sw.js").content.split(b"\n")[0] != first.content.split(b"\n")[0]


def test_the_manifest_has_what_phones_install_by(client):
    # Source: W3C Web Application Manifest, members; icon sizes as Chromium asks (from memory).
    told = client.get("/phone/manifest.webmanifest").json()

    assert told["start_url"] == told["scope"] == "/phone/"
    assert told["display"] == "standalone"
    assert {"192x192", "512x512"} <= {icon["sizes"] for icon in told["icons"]}
