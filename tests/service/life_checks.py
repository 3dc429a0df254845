"""
What holds whatever happens to a firm's jobs, read from the rows alone.

Each check is written apart from the services, from what docs/ promises of them.
"""

from collections import defaultdict
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from contractor.trade.phases import INSPECTIONS
from contractor.trade.progress import standing
from crews.models import FeedEvent
from inspections.models import InspectionEvent
from jobs.models import (
    BoardMove,
    Booking,
    Change,
    DeliveryReport,
    FieldReport,
    Forecast,
    Job,
    JobForecast,
    Notice,
    Phase,
    PhaseForecast,
    Plan,
    ReplanProposal,
    Slip,
    SlipStep,
)
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of
from jobs.selectors.reports import told

# What a row may still become after it is written; all else of it stays.
MAY_CHANGE = {
    FieldReport: (),
    InspectionEvent: (),
    Change: (),
    BoardMove: ("undone_at", "undone_by_id", "plan_id"),
    DeliveryReport: ("undone_at",),
    SlipStep: (),
    Booking: ("is_live", "because_phase_id"),
    Plan: ("status", "published_at", "published_by_id"),
    JobForecast: (),
    PhaseForecast: (),
    Notice: (
        *("state", "tries", "next_try_at", "claimed_at", "sent_at", "error"),
        *("message_id", "email", "name"),
    ),
}


class Record:
    """Rows that are written once: none is changed, none is lost."""

    def __init__(self) -> None:
        self.seen: dict[Any, dict[Any, Any]] = {model: {} for model in MAY_CHANGE}
        self.published: set[int] = set()

    def check(self) -> None:
        """Hold the record against what it was, and keep what is new in it."""
        for model, but in MAY_CHANGE.items():
            rows = {
                row["pk"]: {name: value for name, value in row.items() if name not in but}
                for row in model._default_manager.values("pk", *_columns(model))
            }
            for key, before in self.seen[model].items():
                assert rows.get(key) == before, f"{model.__name__} {key} is not what it was"
            self.seen[model] = rows
        told = Plan.objects.exclude(published_at=None)
        self.published |= set(told.values_list("pk", flat=True))

    def forget_drafts(self) -> None:
        """Let go of the drafts that are gone, of which none may have been published."""
        left = set(Plan.objects.values_list("pk", flat=True))
        gone = {key: row for key, row in self.seen[Plan].items() if key not in left}
        assert not self.published & gone.keys(), "a plan that people were told of is gone"
        for key in gone:
            del self.seen[Plan][key]
        bookings = self.seen[Booking]
        self.seen[Booking] = {k: row for k, row in bookings.items() if row["plan_id"] not in gone}


class Pins:
    """What the office pinned stays pinned there, whatever else happens."""

    def __init__(self) -> None:
        self.seen: dict[int, tuple[datetime, int | None]] = {}

    def check(self, *, by_hand: bool) -> None:
        """Hold the pins against what they were, unless somebody has just changed them by hand."""
        rows = Phase.objects.filter(pinned_start_at__isnull=False)
        pins = {row.pk: (row.pinned_start_at, row.pinned_crew_id) for row in rows}
        assert by_hand or pins == self.seen, "a pin is lost or has moved"
        self.seen = pins  # type: ignore[assignment]


def _columns(model: Any) -> list[str]:
    return [field.attname for field in model._meta.concrete_fields]


def check_plans() -> None:
    """One plan is published, one is the draft, one proposal waits; live is what is published."""
    states = list(Plan.objects.values_list("status", flat=True))
    assert states.count("PUBLISHED") <= 1
    assert states.count("DRAFT") <= 1
    assert ReplanProposal.objects.filter(state="OPEN").count() <= 1
    live = set(Booking.objects.filter(is_live=True).values_list("pk", flat=True))
    assert live == set(
        Booking.objects.filter(plan__status="PUBLISHED").values_list("pk", flat=True)
    )


def check_nobody_in_two_places() -> None:
    """No crew and no machine is booked twice at one moment of one plan."""
    for status in ("PUBLISHED", "DRAFT"):
        held: dict[Any, list[tuple[datetime, datetime, str]]] = defaultdict(list)
        rows = Booking.objects.filter(plan__status=status).select_related("phase__job")
        for row in rows.prefetch_related("equipment"):
            stay = (row.starts_at, row.ends_at, str(row.phase))
            if row.crew_id:
                held["crew", row.crew_id].append(stay)
            for machine in row.equipment.all():
                held["machine", machine.pk].append(stay)
        for who, stays in held.items():
            for first, second in pairwise(sorted(stays)):
                assert first[1] <= second[0], f"{status}: {who} is on {first} and {second}"


def check_phases() -> None:
    """A phase stands where all that was reported of it tells, in whatever order it came."""
    for phase in Phase.objects.exclude(code__in=INSPECTIONS).exclude(status="DROPPED"):
        reports = list(FieldReport.objects.filter(phase=phase))
        if not reports:
            continue
        state = standing(told(report) for report in reports)
        assert (phase.status, phase.started_at, phase.done_at) == (
            state.status.value,
            state.started_at,
            state.done_at,
        ), f"{phase} stands otherwise than its reports tell"


def check_notices() -> None:
    """Nobody is told the same twice; a message carries one person's notices."""
    told_of = list(Notice.objects.values_list("event", "person", "kind"))
    assert len(told_of) == len(set(told_of))
    bodies = list(
        Notice.objects.filter(kind="SLIP").values_list("person", "subject", "body", "event")
    )
    assert len(bodies) == len(set(bodies))
    messages: dict[Any, set[str]] = defaultdict(set)
    for message, person in Notice.objects.exclude(message_id=None).values_list(
        "message_id", "person"
    ):
        messages[message].add(person)
    assert all(len(people) == 1 for people in messages.values())


def check_slips() -> None:
    """No event is two slips of one job, and the steps of a job follow on from each other."""
    events = list(Slip.objects.values_list("plan", "job", "event"))
    assert len(events) == len(set(events))
    steps: dict[Any, list[SlipStep]] = defaultdict(list)
    for step in SlipStep.objects.order_by("compared_at", "number"):
        steps[step.plan_id, step.job_id].append(step)
    for rows in steps.values():
        for first, second in pairwise(rows):
            assert first.ends_after == second.ends_before, f"{first.what}, then {second.what}"


class Calendars:
    """Every event of a calendar keeps its UID, and its SEQUENCE never goes down (RFC 5545)."""

    def __init__(self) -> None:
        self.seen: dict[Any, tuple[Any, int]] = {}

    def check(self) -> None:
        """Hold the calendars against what they were."""
        rows = {
            (row.crew_id, row.calendar_id, row.source): (row.uid, row.sequence)
            for row in FeedEvent.objects.all()
        }
        for key, (uid, sequence) in self.seen.items():
            if key in rows:
                assert rows[key][0] == uid, f"{key} has another UID"
                assert rows[key][1] >= sequence, f"{key}: SEQUENCE went down"
        uids = [uid for uid, _ in rows.values()]
        assert len(uids) == len(set(uids))
        self.seen.update(rows)


def check_forecast(forecast: Forecast) -> None:
    """No quantile is out of order, and none is sooner than the waits alone would let it be."""
    soonest = forecast.as_of - timedelta(minutes=15)
    for row in PhaseForecast.objects.filter(forecast=forecast).select_related("phase"):
        _check_quantiles(row)
        assert row.finish_p10 is None or row.finish_p10 >= soonest, f"{row.phase} is done already"
        begins = row.start_p10
        assert row.phase.status != "OPEN" or begins is None or begins >= soonest, f"{row.phase}"
    for row in JobForecast.objects.filter(forecast=forecast).select_related("job"):
        _check_quantiles(row)
        waits = timedelta(hours=_hours_of_waits(row.job))
        assert row.finish_p10 is None or row.finish_p10 >= soonest + waits, f"{row.job} too soon"


def _hours_of_waits(job: Job) -> float:
    """
    Return the least hours to a job's end if its work took no time: the longest way of its waits.

    Source: the forward pass of the critical path method.
    """
    network = network_of(job, building_of(job))
    phases = job.phases.exclude(status__in=("DROPPED", "DONE"))
    left = {phase.code: phase for phase in phases.order_by("part")}
    reached = dict.fromkeys(left, 0.0)
    # As often as there are phases: no way is longer.
    for _ in left:
        for link in network.follows:
            before = left.get(link.before)
            if before is None or link.after not in left:
                continue
            if link.start_to_start and before.status != "OPEN":
                continue
            cures = link.cure.minimum_hours if link.cure and not before.pours.exists() else 0.0
            hours = reached[link.before] + link.lag_hours + cures
            reached[link.after] = max(reached[link.after], hours)
    return max(reached.values(), default=0.0)


def _check_quantiles(row: JobForecast | PhaseForecast) -> None:
    for what in ("start", "finish"):
        given = [getattr(row, f"{what}_p{percent}") for percent in (10, 50, 80, 90)]
        dates = [date for date in given if date is not None]
        assert given[: len(dates)] == dates, f"{row}: a later quantile is known, a sooner is not"
        assert dates == sorted(dates), f"{row}: quantiles out of order"
    if row.start_p10 is not None and row.finish_p10 is not None:
        assert row.start_p10 <= row.finish_p10, f"{row} ends before it begins"
