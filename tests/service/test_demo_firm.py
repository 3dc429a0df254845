"""The demo firm's files: whole, at every stage of work, and possible as a history."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise
from typing import Any

import pytest
from django.db import transaction
from django.db.models import Count
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from crews.models import Crew, DayOff, Equipment
from inspections.models import Authority, LocateTicket
from jobs.models import Job, Opening, Phase
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of
from jobs.services import demo
from jobs.services.loading import load

# About the files.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]


@pytest.fixture(scope="module", autouse=True)
def firm(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Load the firm once for all tests here, which only read; then take it back."""
    with django_db_blocker.unblock(), transaction.atomic():
        load(paths=sorted(demo.FIXTURES.glob("*.csv")))
        with django_db_blocker.block():
            yield
        transaction.set_rollback(True)


def worked_phases() -> list[Phase]:
    return list(
        Phase.objects.filter(started_at__isnull=False)
        .select_related("job", "crew__work_hours")
        .order_by("started_at")
    )


def test_the_firm_has_the_crews_machines_and_authorities_of_the_demo() -> None:
    sizes = set(Crew.objects.values_list("size", flat=True))

    assert (Crew.objects.count(), min(sizes), max(sizes)) == (5, 3, 6)
    kinds = dict(Equipment.objects.values_list("kind").annotate(Count("pk")))
    assert kinds == {"AUGER": 2, "TELEHANDLER": 1}
    assert Authority.objects.count() == 4
    assert Authority.objects.values("notice_working_days", "asked_when").distinct().count() >= 3


def test_two_crews_at_least_have_each_skill_and_the_people_for_each_phase() -> None:
    crews = list(Crew.objects.all())

    for kind in PHASE_TABLE.values():
        if kind.performer is Performer.CREW:
            able = [c for c in crews if kind.skills <= set(c.skills) and c.size >= kind.min_people]
            assert len(able) >= 2, kind.code


def test_jobs_of_every_kind_are_there() -> None:
    jobs = Job.objects.all()

    assert jobs.count() >= 44
    assert set(jobs.values_list("use", flat=True)) == set(Job.Use.values)
    assert set(jobs.values_list("foundation", flat=True)) == set(Job.Foundation.values)
    assert {"NONE", "STEEL", "DRYWALL_READY"} == set(jobs.values_list("wall_lining", flat=True))
    assert jobs.filter(use="RIDING_ARENA", width_ft__gte=60).exists()
    assert jobs.filter(extends_existing=True).exists()
    assert jobs.filter(lean_tos__isnull=False).exists()
    assert set(Opening.objects.values_list("kind", flat=True)) == {
        "WALK_DOOR",
        "SLIDING_DOOR",
        "OVERHEAD_DOOR",
        "WINDOW",
    }


def test_jobs_stand_at_every_stage() -> None:
    begun = Job.objects.filter(phases__started_at__isnull=False).distinct()
    done = Job.objects.filter(status=Job.Status.DONE)

    assert done.count() >= 12
    assert begun.exclude(status=Job.Status.DONE).count() >= 6
    assert Phase.objects.filter(status=Phase.Status.UNDER_WAY, share_done__gt=0).count() >= 3
    assert Job.objects.filter(permit__expected_on__isnull=False).count() >= 5
    live = LocateTicket.objects.filter(expires_on__gte=demo.BASE_MONDAY)
    assert live.exclude(job__in=begun).count() >= 3


def test_finished_jobs_have_all_phases_done_and_no_other_has() -> None:
    for job in Job.objects.prefetch_related("phases"):
        is_all_done = all(phase.status == Phase.Status.DONE for phase in job.phases.all())
        assert is_all_done == (job.status == Job.Status.DONE), job.number


def test_work_of_the_past_follows_the_order_of_each_jobs_network() -> None:
    for job in Job.objects.prefetch_related("phases").select_related("permit__authority"):
        phases = {phase.code: phase for phase in job.phases.all()}
        for link in network_of(job, building_of(job)).follows:
            before, after = phases[link.before], phases[link.after]
            if after.started_at is None:
                continue
            moment = before.started_at if link.start_to_start else before.done_at
            assert moment is not None, (job.number, link)
            wait = timedelta(hours=link.cure.minimum_hours if link.cure else link.lag_hours)
            assert after.started_at >= moment + wait, (job.number, link)


def test_no_crew_was_in_two_places() -> None:
    by_crew = defaultdict(list)
    for phase in worked_phases():
        if phase.crew_id:
            by_crew[phase.crew_id].append(phase)

    for phases in by_crew.values():
        for first, second in pairwise(phases):
            assert first.done_at is not None
            assert first.done_at <= second.started_at, (first, second)


def test_crews_began_and_ended_within_their_work_hours() -> None:
    off = list(DayOff.objects.filter(equipment=None))
    for phase in worked_phases():
        if phase.crew is None:
            continue
        week = phase.crew.work_hours.week()
        for moment in filter(None, (phase.started_at, phase.done_at)):
            local = timezone.localtime(moment)
            shifts = week.get(local.weekday(), ())
            assert any(a <= local.time() <= z for a, z in shifts), (phase, local)
            assert not any(
                o.first_day <= local.date() <= o.last_day and o.crew_id in (None, phase.crew_id)
                for o in off
            ), (phase, local)


def test_every_dig_had_a_live_ticket_on_its_first_day() -> None:
    digs = Phase.objects.filter(code="DIG", started_at__isnull=False)

    for dig in digs.select_related("job").prefetch_related("job__locate_tickets"):
        day = timezone.localdate(dig.started_at)
        tickets = dig.job.locate_tickets.all()
        assert any(t.dig_from <= day <= t.expires_on for t in tickets), dig.job.number


def test_hours_spread_around_the_plan_without_running_away() -> None:
    ratios = [
        phase.reported_hours / phase.labor_hours
        for phase in worked_phases()
        if phase.status == Phase.Status.DONE and phase.crew_id and phase.labor_hours >= 8
    ]

    assert 0.85 < sum(ratios) / len(ratios) < 1.25
    assert sum(ratio < 1 for ratio in ratios) > len(ratios) / 6
    assert sum(ratio > 1 for ratio in ratios) > len(ratios) / 6
