"""What finished work has taught: the numbers, what is left out and taken back, and who may."""

import math
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from scipy import stats

from contractor.engine.learning import STARTER
from contractor.trade.errors import SpecError
from crews.models import Crew
from jobs.models import Change, LeftOutWork, Phase
from jobs.selectors.learning import learning, mean_factor
from jobs.services.left_out import leave_out, take_back
from tests.factories import CrewFactory, PhaseFactory
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def finished(*, hours: float, days_ago: int = 10, crew: Crew | None = None) -> Phase:
    """A frame of 32 planned hours that took so many."""
    done_at = MONDAY - timedelta(days=days_ago)
    phase: Phase = PhaseFactory(
        status=Phase.Status.DONE,
        share_done=1,
        crew=crew or Crew.objects.first() or CrewFactory(),
        started_at=done_at - timedelta(days=2),
        done_at=done_at,
        reported_hours=hours,
    )
    return phase


def test_a_factor_moves_from_one_toward_what_was_reported():
    for _ in range(4):
        finished(hours=64)

    (frame,) = learning(now=MONDAY).phases

    # Four jobs at twice the hours beside a factor of 1 that counts as four: halfway in logarithms.
    assert (frame.phase, frame.count) == ("Frame walls", 4)
    assert frame.factor == pytest.approx(math.sqrt(2))
    assert frame.low < frame.factor < frame.high
    assert frame.next_low < frame.low
    assert frame.next_high > frame.high


def test_the_usual_factor_is_the_marginal_of_the_mean():
    """Against scipy: the mean of a normal-inverse-gamma, its variance drawn first."""
    belief = STARTER.after([0.3, 0.1, 0.4])
    variance = stats.invgamma(belief.shape, scale=belief.scale).rvs(200_000, random_state=1)
    mean = stats.norm(belief.mean, (variance / belief.weight) ** 0.5).rvs(random_state=2)

    told = mean_factor(belief)

    for share in (0.1, 0.5, 0.9):
        drawn = math.exp(stats.scoreatpercentile(mean, 100 * share))
        assert told.factor(share) == pytest.approx(drawn, rel=0.01)


def test_a_crew_stands_between_its_own_work_and_the_firms():
    slow, quick = CrewFactory(name="Slow"), CrewFactory(name="Quick")
    for _ in range(5):
        finished(hours=48, crew=slow)
        finished(hours=24, crew=quick)

    by_crew = {row.crew: row.factor for row in learning(now=MONDAY).crews}

    assert 24 / 32 < by_crew["Quick"] < 1 < by_crew["Slow"] < 48 / 32


def test_work_left_out_teaches_nothing_and_teaches_again():
    strange = finished(hours=320)
    finished(hours=32)
    leave_out(phase=strange, reason="the lift broke down", now=MONDAY)

    found = learning(now=MONDAY)
    assert found.phases[0].count == 1
    assert [piece.left_out_because for piece in found.pieces if piece.phase == strange] == [
        "the lift broke down"
    ]

    assert take_back(phase=strange, now=MONDAY)
    assert not take_back(phase=strange, now=MONDAY)
    assert learning(now=MONDAY).phases[0].count == 2
    assert [row.action for row in Change.objects.order_by("id")] == ["ADDED", "REMOVED"]


def test_leaving_out_twice_keeps_the_first_reason():
    phase = finished(hours=320)

    leave_out(phase=phase, reason="first", now=MONDAY)
    leave_out(phase=phase, reason="second", now=MONDAY)

    assert LeftOutWork.objects.get().reason == "first"


@pytest.mark.parametrize("reason", ["", "   ", "x" * 201])
def test_a_reason_is_needed(reason: str):
    with pytest.raises(SpecError, match="say why"):
        leave_out(phase=finished(hours=40), reason=reason, now=MONDAY)
    assert not LeftOutWork.objects.exists()


def test_work_that_is_not_done_cannot_be_left_out():
    with pytest.raises(SpecError, match="not done"):
        leave_out(phase=PhaseFactory(), reason="why not", now=MONDAY)


def test_a_drift_is_told_from_luck():
    for number in range(8):
        finished(hours=32 + number % 2, days_ago=300)
        finished(hours=64 + number % 2, days_ago=20)

    drift = learning(now=MONDAY).phases[0].drift

    assert drift is not None
    assert drift.before == pytest.approx(1.0, abs=0.02)
    assert drift.recent == pytest.approx(2.0, abs=0.02)
    assert (drift.before_count, drift.recent_count, drift.is_hardly_luck) == (8, 8, True)


def test_the_same_work_on_both_sides_is_no_drift():
    for number in range(6):
        for days_ago in (300, 20):
            finished(hours=30 + 4 * (number % 3), days_ago=days_ago)

    drift = learning(now=MONDAY).phases[0].drift

    assert drift is not None
    assert not drift.is_hardly_luck


def test_queries_do_not_grow_with_work():
    finished(hours=32)
    with CaptureQueriesContext(connection) as few:
        learning(now=MONDAY)
    for _ in range(5):
        finished(hours=40, crew=CrewFactory())

    with CaptureQueriesContext(connection) as many:
        learning(now=MONDAY)

    assert len(few) == len(many) == 1


ADDRESS = "admin:jobs_laborrate_learning"


def test_the_office_leaves_work_out_on_the_page(client: Client, office: Any):
    phase = finished(hours=320)
    client.force_login(office)

    client.post(reverse(ADDRESS), {"phase": phase.pk, "reason": "taught apprentices"})
    text = client.get(reverse(ADDRESS)).content.decode()

    assert "Left out (1)" in text
    assert "taught apprentices" in text
    assert LeftOutWork.objects.get().by == office
    client.post(reverse(ADDRESS), {"phase": phase.pk, "take_back": "1"})
    assert not LeftOutWork.objects.exists()


@pytest.mark.parametrize("key", ["", "x", "99999999", "9" * 30, "-1"])
def test_work_that_does_not_exist_is_told(client: Client, office: Any, key: str):
    client.force_login(office)

    text = client.post(reverse(ADDRESS), {"phase": key, "reason": "why"}, follow=True)

    assert "There is no such work" in text.content.decode()


def test_the_owner_reads_and_changes_nothing(client: Client, owner: Any):
    phase = finished(hours=320)
    client.force_login(owner)

    assert "Leave it out" not in client.get(reverse(ADDRESS)).content.decode()
    assert client.post(reverse(ADDRESS), {"phase": phase.pk, "reason": "x"}).status_code == 403
    assert not LeftOutWork.objects.exists()


def test_strangers_and_crew_leads_are_kept_out(client: Client, lead: Any, stranger: Any):
    for user in (lead, stranger):
        client.force_login(user)
        assert client.get(reverse(ADDRESS)).status_code == 302
