"""A small firm with a row of every kind, so that every address of the service shows something."""

import uuid
from datetime import datetime, timedelta
from io import BytesIO

from django.contrib.auth.models import AbstractUser
from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image

from crews.models import Crew
from crews.services import phones
from crews.services.feed_links import subscribe
from inspections import models as inspecting
from jobs import models
from jobs.services import api_tokens, buyer_links, forecasting, planning, publishing
from jobs.services.callbacks import ask_for, book_round
from jobs.services.importing import dry_run
from tests.factories import (
    DayOffFactory,
    LocateTicketFactory,
    PourFactory,
    WeatherAreaFactory,
)
from tests.service.csv_files import JOB, JOB_COLUMNS
from tests.service.inspecting import asked
from tests.service.portfolio import make_firm, make_job, next_working_day
from tests.service.weather_hours import tell


def _last_part(url: str) -> str:
    return url.rstrip("/").rpartition("/")[2]


def make_everything(user: AbstractUser) -> dict[str, str]:
    """Return what fills the addresses: the key of a row by the name that routes give it."""
    now, today = timezone.now(), timezone.localdate()
    crew, other = make_firm()
    job = _planned_job(now)
    dig = models.Booking.objects.get(phase__job=job, phase__code="DIG", is_live=True)
    visit = asked(job, "HOLE_INSPECTION", now=now)
    area = WeatherAreaFactory()
    tell(area, today, days=5, gust_mph=40.0, wind_mph=30.0, made_at=now)
    pour = PourFactory(phase__job__number="26-003", poured_at=now - timedelta(days=3))
    photo = _photo(job, now)
    aside = _round(crew, now)
    slip = _slip(job, crew, now)
    checked = dry_run(files={"jobs.csv": f"{JOB_COLUMNS}\n{JOB}\n".encode()}, now=now, by=user)
    delivery = job.deliveries.earliest("pk")
    word = models.DeliveryReport.objects.create(
        job=job, item=delivery.item, kind="CONFIRMED", told_at=now, told_by="Yard"
    )
    move = models.BoardMove.objects.create(kind="LEND", words="1 person lent", made_at=now, by=user)
    wish = models.PlanRequest.objects.create(
        status="DONE", reason="asked for", requested_at=now, finished_at=now
    )
    proposal = models.ReplanProposal.objects.create(
        plan=slip.plan, reason="weather on the dig", made_at=now
    )
    _, link = phones.invite(crew=crew, person_name="Ada Bright", now=now)
    _, page = buyer_links.make_link(job=job, reader="Ada Quill", now=now)
    _, calendar = subscribe(crew=crew, reader="Ada Bright", now=now)
    _rows_by_hand(job, crew, other, now)
    api_tokens.make_token(user=user, name="sheet", now=now)
    event = visit.events.earliest("pk")
    return {
        "app_label": "jobs",
        "form": "csv",
        "what": "tasks",
        "area_id": str(area.pk),
        "batch": str(checked.batch),
        "callback_id": str(models.Callback.objects.filter(round=None).earliest("pk").pk),
        "delivery_id": str(delivery.pk),
        "event_id": str(event.pk),
        "id": str(user.pk),
        "job_id": str(job.pk),
        "key": _last_part(link),
        "move_id": str(move.pk),
        "number": str(proposal.pk),
        "phase_id": str(dig.phase_id),
        "photo_id": str(photo.pk),
        "plan_id": str(models.Plan.objects.filter(status="DRAFT").latest("pk").pk),
        "plan_request_id": str(wish.pk),
        "pour_id": str(pour.pk),
        "report_id": str(photo.report_id),
        "delivery_report_id": str(word.pk),
        "round_id": str(aside.pk),
        "visit_id": str(visit.pk),
        "buyer": _last_part(page),
        "feeds": _last_part(calendar).removesuffix(".ics"),
    }


def _planned_job(now: datetime) -> models.Job:
    """Return a job under way: published, forecast, and moved by a draft since."""
    promised = timezone.localdate() + timedelta(days=40)
    job = make_job(number="26-001", promised_on=promised)
    make_job(number="26-002", promised_on=promised)
    LocateTicketFactory(
        job=job,
        called_on=timezone.localdate() - timedelta(days=6),
        dig_from=timezone.localdate() - timedelta(days=2),
        expires_on=timezone.localdate() + timedelta(days=14),
    )
    first = planning.plan_now(now=now - timedelta(days=6), budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=now - timedelta(days=6))
    begun = now - timedelta(days=5)
    job.phases.filter(code="LAYOUT").update(
        status="DONE", started_at=begun, done_at=now - timedelta(days=4), share_done=1
    )
    job.phases.filter(code="DIG").update(
        status="UNDER_WAY", started_at=now - timedelta(days=1), share_done=0.5
    )
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    forecasting.forecast_now(now=now, draws=50)
    models.Job.objects.filter(number="26-002").update(
        earliest_start_on=timezone.localdate() + timedelta(days=90)
    )
    planning.plan_now(now=now, budget_seconds=0)
    return job


def _photo(job: models.Job, now: datetime) -> models.ReportPhoto:
    report = models.FieldReport.objects.create(
        phase=job.phases.get(code="LAYOUT"), kind="NOTE", made_at=now, received_at=now, note="Dry"
    )
    out = BytesIO()
    Image.new("RGB", (80, 60), "white").save(out, "JPEG")
    photo = models.ReportPhoto(
        report=report,
        sha256=uuid.uuid4().hex * 2,
        width_px=80,
        height_px=60,
        received_at=now,
        is_released=True,
    )
    photo.file.save("one.jpg", ContentFile(out.getvalue()))
    return photo


def _round(crew: Crew, now: datetime) -> models.SetAside:
    """Book a round of one callback, and leave two open: one that is late, one that is not."""
    today = timezone.localdate(now)
    job = make_job(number="25-001", sold_on=today - timedelta(days=200), promised_on=None)
    models.Job.objects.filter(pk=job.pk).update(
        status="DONE", completed_on=today - timedelta(days=30)
    )
    job.refresh_from_db()
    asked_on = today - timedelta(days=20)
    rows = [
        ask_for(
            job=job,
            kind="WARRANTY",
            what=what,
            asked_on=asked_on,
            promised_on=asked_on + timedelta(days=days),
            now=now,
        )
        for what, days in (("Ridge cap leaks", 40), ("Trim loose", 5), ("Door rubs", 40))
    ]
    day = next_working_day(today + timedelta(days=1))
    return book_round(callback_ids=[rows[0].pk], crew_id=crew.pk, day=day, now=now)


def _slip(job: models.Job, crew: Crew, now: datetime) -> models.Slip:
    return models.Slip.objects.create(
        job=job,
        plan=models.Plan.objects.get(status="PUBLISHED"),
        event="rain",
        what="Rain stopped the dig",
        cause="WEATHER",
        phase=job.phases.get(code="DIG"),
        crew=crew,
        happened_at=now,
        found_at=now,
        phase_quarters=34,
        job_quarters=34,
        day_quarters=34,
    )


def _rows_by_hand(job: models.Job, crew: Crew, other: Crew, now: datetime) -> None:
    """Store what only people or other programs enter, a row of each."""
    today = timezone.localdate(now)
    DayOffFactory(first_day=today + timedelta(days=9), crew=crew, reason="Dentist")
    models.LentPeople.objects.create(
        from_crew=crew,
        to_crew=other,
        first_day=today + timedelta(days=3),
        last_day=today + timedelta(days=4),
    )
    models.Notice.objects.create(
        event="plan:1",
        person="user:1",
        kind="PLAN",
        name="Ada Bright",
        subject="Your week has changed",
        body="Dig on Tuesday.",
        made_at=now,
        next_try_at=now,
    )
    for state in ("QUEUED", "PARKED"):
        models.TaskRequest.objects.create(
            kind="SLIPS", reason="a report", status=state, requested_at=now, next_try_at=now
        )
    models.FailedSignIn.objects.create(username="ada", address="192.0.2.7", failed_at=now)
    models.LaborRate.objects.create(code="set_post", hours_per_unit=0.5, note="last year")
    models.LeadTime.objects.create(
        item="TRUSSES", supplier="Ridge Trusses", over_span_ft=0, days=28, source="the supplier"
    )
    inspecting.LocateRule.objects.create(
        state="ZZ", notice_working_days=2, life_days=20, source="assumed"
    )
    inspecting.WeatherLimit.objects.create(gate="ROOF", stop_gust_mph=25)
    inspecting.StrengthNeed.objects.create(
        poured_phase="POSTS", following_phase="FRAME", strength_percent=50, stated_by="sheet S1"
    )
    for place, reading in (("FRONT_LEFT", 4.0), ("BACK_RIGHT", 4.6)):
        inspecting.SiteShot.objects.create(
            job=job, taken_on=today, place=place, reading_ft=reading, taken_by="Ada Bright"
        )
