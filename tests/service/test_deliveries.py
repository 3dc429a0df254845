"""Lead times, what suppliers tell, and the week's calls."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from contractor.trade.lead_times import RESERVE_DAYS
from jobs.models import Booking, Delivery, DeliveryReport, Job, LeadTime, Plan
from jobs.selectors.call_ahead import CallAheadLine, Standing, call_ahead
from jobs.selectors.deliveries import lead_times
from jobs.services import deliveries
from jobs.services.deliveries import DeliveryRefused
from jobs.services.loading import load
from jobs.services.planning import plan_now
from tests.service.api import book, make_plan, reader
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

TODAY = MONDAY.date()


def june(day: int, hour: int = 8) -> datetime:
    return datetime(2026, 6, day, hour, tzinfo=ZONE)


def awaited(item: str = "TRUSSES", job: Job | None = None, **columns: Any) -> Delivery:
    """Return a delivery of a job of which all else is there."""
    job = job or make_job()
    Delivery.objects.filter(job=job, item=item).update(arrived_on=None, **columns)
    return Delivery.objects.get(job=job, item=item)


def booked(delivery: Delivery, code: str, start: datetime) -> Plan:
    plan = make_plan()
    book(plan, delivery.job, code, start=start, hours=6, crew=None)  # type: ignore[arg-type]
    return plan


def lines(now: datetime = MONDAY) -> list[CallAheadLine]:
    found = call_ahead(now=now)
    return [*found.to_confirm, *found.to_order]


def truss_day() -> date:
    plan = plan_now(now=MONDAY, budget_seconds=0)
    return Booking.objects.get(plan=plan, phase__code="TRUSSES").starts_at.astimezone(ZONE).date()


def test_the_office_begins_with_the_starter_lead_times():
    assert {row.item for row in lead_times()} == set(Delivery.Item.values)


def test_the_plan_waits_for_the_suppliers_own_lead_time():
    make_firm()
    cover_digging(awaited(supplier="Ridgepole", ordered_on=date(2026, 5, 25)).job)
    by_starter = truss_day()

    LeadTime.objects.create(
        item="TRUSSES", supplier="Ridgepole", over_span_ft=0, days=31, source="their salesman"
    )

    # Ordered May 25: 21 days are Jun 15, and 31 are Jun 25; it comes during that day.
    assert (by_starter, truss_day()) == (date(2026, 6, 16), date(2026, 6, 26))


def test_a_short_delivery_goes_on_holding_its_phase_until_the_rest_is_there():
    make_firm()
    delivery = awaited(promised_on=TODAY, ordered_on=date(2026, 5, 4))
    cover_digging(delivery.job)

    deliveries.arrive(delivery_id=delivery.pk, arrived_on=TODAY, shortage="2 broken", now=MONDAY)
    unpromised = truss_day()
    later = MONDAY + timedelta(hours=1)
    deliveries.promise(delivery_id=delivery.pk, promised_on=date(2026, 6, 17), now=later)
    promised = truss_day()
    told = Booking.objects.filter(phase__code="TRUSSES").latest("id").because

    assert (unpromised, promised) == (date(2026, 6, 23), date(2026, 6, 18))
    assert "short or damaged (2 broken); the rest promised for Jun 17, 2026" in told


def test_confirming_twice_a_day_is_noted_once():
    delivery = awaited(promised_on=date(2026, 6, 10))

    first = deliveries.confirm(delivery_id=delivery.pk, now=MONDAY)
    second = deliveries.confirm(delivery_id=delivery.pk, now=MONDAY + timedelta(hours=1))

    delivery.refresh_from_db()
    assert first is not None
    assert second is None
    assert delivery.confirmed_on == TODAY
    assert DeliveryReport.objects.count() == 1


def test_who_told_what_and_when_is_kept(office: Any):
    delivery = awaited(promised_on=date(2026, 6, 10))

    deliveries.promise(
        delivery_id=delivery.pk, promised_on=date(2026, 6, 15), now=MONDAY, by=office
    )

    report = DeliveryReport.objects.get()
    assert (report.told_by, report.told_at, report.kind) == ("office", MONDAY, "PROMISED")
    assert (report.promised_before, report.note) == (date(2026, 6, 10), "Jun 15, 2026")


@pytest.mark.parametrize("step", ["confirm", "promise", "arrive"])
def test_undo_puts_everything_back(step: str):
    delivery = awaited(promised_on=date(2026, 6, 10), confirmed_on=date(2026, 5, 20))
    before = Delivery.objects.filter(pk=delivery.pk).values().get()
    given: dict[str, Any] = {
        "confirm": {},
        "promise": {"promised_on": date(2026, 6, 15)},
        "arrive": {"arrived_on": TODAY, "shortage": "dented"},
    }[step]
    report = getattr(deliveries, step)(delivery_id=delivery.pk, now=MONDAY, **given)

    deliveries.undo(report_id=report.pk, now=MONDAY)

    assert Delivery.objects.filter(pk=delivery.pk).values().get() == before


def test_only_what_was_told_last_can_be_undone():
    delivery = awaited(promised_on=date(2026, 6, 10))
    first = deliveries.confirm(delivery_id=delivery.pk, now=MONDAY)
    assert first
    later = MONDAY + timedelta(hours=1)
    second = deliveries.promise(delivery_id=delivery.pk, promised_on=date(2026, 6, 15), now=later)
    assert second

    with pytest.raises(DeliveryRefused, match="something was told since"):
        deliveries.undo(report_id=first.pk, now=later)
    deliveries.undo(report_id=second.pk, now=later)
    deliveries.undo(report_id=first.pk, now=later)
    with pytest.raises(DeliveryRefused, match="undone"):
        deliveries.undo(report_id=first.pk, now=later)

    delivery.refresh_from_db()
    assert (delivery.promised_on, delivery.confirmed_on) == (date(2026, 6, 10), None)


@pytest.mark.parametrize(
    ("step", "given", "words"),
    [
        ("confirm", {}, "no day is promised"),
        ("promise", {"promised_on": date(2026, 5, 31)}, "has passed"),
        ("arrive", {"arrived_on": date(2026, 6, 2)}, "still to come"),
        ("arrive", {"arrived_on": date(2026, 4, 30)}, "before the order"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_stored(step: str, given: Any, words: str):
    delivery = awaited(ordered_on=date(2026, 5, 4), promised_on=None)

    with pytest.raises(DeliveryRefused, match=words):
        getattr(deliveries, step)(delivery_id=delivery.pk, now=MONDAY, **given)

    assert not DeliveryReport.objects.exists()


def test_a_day_that_has_passed_is_not_confirmed():
    delivery = awaited(promised_on=date(2026, 5, 29))

    with pytest.raises(DeliveryRefused, match="has passed"):
        deliveries.confirm(delivery_id=delivery.pk, now=MONDAY)


def test_what_is_there_whole_takes_no_more_telling():
    delivery = awaited()
    deliveries.arrive(delivery_id=delivery.pk, arrived_on=TODAY, now=MONDAY)

    with pytest.raises(DeliveryRefused, match="all of it arrived"):
        deliveries.confirm(delivery_id=delivery.pk, now=MONDAY)


def test_material_is_needed_the_day_before_and_ordered_lead_time_and_reserve_earlier():
    make_firm()
    delivery = awaited("STEEL")
    plan = booked(delivery, "ROOF", june(18))

    found = call_ahead(now=MONDAY)
    (line,) = found.to_order

    assert (found.plan, line.phase_code) == (plan, "ROOF")
    assert line.needed_by == date(2026, 6, 17)
    assert line.order_by == date(2026, 6, 17) - timedelta(days=14 + RESERVE_DAYS)


@pytest.mark.parametrize(
    ("promised", "standing", "days_late"),
    [
        (date(2026, 5, 29), Standing.OVERDUE, -5),
        (date(2026, 6, 1), Standing.IN_TIME, -2),
        (date(2026, 6, 2), Standing.TIGHT, -1),
        (date(2026, 6, 3), Standing.TIGHT, 0),
        (date(2026, 6, 4), Standing.LATE, 1),
    ],
)
def test_a_promise_stands_to_the_day_it_is_needed(
    promised: date, standing: Standing, days_late: int
):
    make_firm()
    booked(awaited(promised_on=promised), "TRUSSES", june(4))

    (line,) = lines()

    assert (line.standing, line.days_late) == (standing, days_late)


def test_late_ones_come_first():
    make_firm()
    plan = make_plan()
    for number, promised in (("26-601", 5), ("26-602", 12), ("26-603", 9)):
        delivery = awaited(job=make_job(number=number), promised_on=date(2026, 6, promised))
        book(plan, delivery.job, "TRUSSES", start=june(8), hours=6, crew=None)  # type: ignore[arg-type]

    assert [line.delivery.job.number for line in lines()] == ["26-602", "26-603", "26-601"]


def test_what_is_due_after_the_week_and_in_time_is_not_called_about():
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 12))
    booked(delivery, "TRUSSES", june(29))

    assert lines() == []
    assert len(call_ahead(now=MONDAY, every=True).to_confirm) == 1
    assert len(lines(june(8))) == 1


def test_what_no_open_phase_waits_for_is_not_called_about():
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 3))
    delivery.job.phases.filter(code="TRUSSES").update(
        status="DONE", started_at=june(1), done_at=june(1)
    )

    assert lines() == []


def test_the_list_takes_as_many_queries_for_many_jobs_as_for_one(django_assert_max_num_queries):
    make_firm()
    for _ in range(4):
        awaited(promised_on=date(2026, 6, 3))

    with django_assert_max_num_queries(11):
        assert len(lines()) == 4


def test_one_click_confirms_and_another_undoes_it(client: Client, office: Any):
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 3), supplier="Ridgepole")
    client.force_login(office)
    page = reverse("admin:jobs_delivery_call_ahead")

    told = client.post(
        reverse("admin:jobs_delivery_tell", args=[delivery.pk]), {"told": "confirmed"}, follow=True
    )
    report = DeliveryReport.objects.get()
    undone = client.post(reverse("admin:jobs_delivery_undo", args=[report.pk]), follow=True)

    assert told.redirect_chain[-1][0] == page
    assert "Confirmed, noted Mon Jun 1, 06:00 by office" in told.content.decode()
    assert "undone" in undone.content.decode()
    delivery.refresh_from_db()
    assert delivery.confirmed_on is None


@pytest.mark.either_database
@pytest.mark.parametrize(
    ("posted", "words"),
    [
        ({"told": "promised", "promised_on": "soon"}, "this is not a date"),
        ({"told": "promised", "promised_on": ""}, "enter the day"),
        ({"told": "promised", "promised_on": "2040-01-01"}, "more than five years ahead"),
        ({"told": "arrived", "arrived_on": "2026-06-09"}, "still to come"),
    ],
)
def test_a_wrong_entry_is_told_with_its_remedy(
    client: Client, office: Any, posted: dict[str, str], words: str
):
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 3))
    client.force_login(office)

    response = client.post(
        reverse("admin:jobs_delivery_tell", args=[delivery.pk]), posted, follow=True
    )

    assert words in response.content.decode()
    assert not DeliveryReport.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_a_new_promise_makes_a_new_draft(client: Client, office: Any):
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 3))
    first = plan_now(now=MONDAY, budget_seconds=0)
    client.force_login(office)

    client.post(
        reverse("admin:jobs_delivery_tell", args=[delivery.pk]),
        {"told": "promised", "promised_on": "2026-06-25"},
    )

    draft = Plan.objects.get(status=Plan.Status.DRAFT)
    starts = Booking.objects.get(plan=draft, phase__code="TRUSSES").starts_at
    assert draft.pk != first.pk
    assert starts.astimezone(ZONE).date() == date(2026, 6, 26)


def test_the_owner_reads_and_does_not_tell(client: Client, owner: Any):
    make_firm()
    delivery = awaited(promised_on=date(2026, 6, 3))
    client.force_login(owner)

    page = client.get(reverse("admin:jobs_delivery_call_ahead"))
    told = client.post(
        reverse("admin:jobs_delivery_tell", args=[delivery.pk]), {"told": "confirmed"}
    )

    assert "Confirmed for" not in page.content.decode()
    assert told.status_code == 403


def test_a_stranger_sees_no_calls(client: Client, stranger: Any):
    client.force_login(stranger)

    assert client.get(reverse("admin:jobs_delivery_call_ahead")).status_code == 302


def test_the_api_tells_the_weeks_calls(owner: Any):
    make_firm()
    booked(awaited(promised_on=date(2026, 6, 9), supplier="Ridgepole"), "TRUSSES", june(4))

    body = reader(owner).get("/api/v1/call-ahead/").json()

    (line,) = body["to_confirm"]
    assert (line["supplier"], line["standing"], line["days_late"]) == ("Ridgepole", "LATE", 6)
    assert body["reserve_days"] == RESERVE_DAYS


def test_a_file_takes_the_place_of_untouched_starter_rows_only(tmp_path: Any):
    path = tmp_path / "lead_times.csv"
    path.write_text(
        "item,supplier,over_span_ft,days,source\n"
        "STEEL,,0,9,our mill\n"
        "OVERHEAD_DOORS,Latch and Spring,0,56,their salesman\n"
    )

    load(paths=[path], now=MONDAY)

    assert LeadTime.objects.get(item="STEEL").days == 9
    assert LeadTime.objects.filter(item="OVERHEAD_DOORS").count() == 2
