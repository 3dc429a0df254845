"""A process of its own that does one thing, for tests that kill it: NAME and its ARGUMENTS."""

import json
import sys
from typing import Any

import django


def save_a_job(number: str) -> dict[str, Any]:
    """Save a job's page as the office does, and tell what came back."""
    from django.contrib.auth.models import User
    from django.test import Client
    from django.urls import reverse

    from jobs.models import Phase

    client = Client(raise_request_exception=False, headers={"host": "localhost"})
    client.force_login(User.objects.get(username="ann"))
    phase = Phase.objects.get(job__number=number, code="PUNCH")
    data = {"status": "OPEN", "share_done": "0", "office_hours": "9"}
    answer = client.post(reverse("admin:jobs_phase_change", args=[phase.pk]), data)
    return {"status": answer.status_code}


def publish(plan_id: str) -> dict[str, Any]:
    """Publish a plan."""
    from django.utils import timezone

    from jobs.services import publishing

    try:
        done = publishing.publish(plan_id=int(plan_id), now=timezone.now())
    except publishing.PublishRefused as refusal:
        return {"refused": str(refusal)}
    return {"plan": done.plan.pk}


def sweep() -> dict[str, Any]:
    """Run the sweeps and send what waits, as beat asks a worker to."""
    from jobs import tasks

    tasks.sweep_plan_requests()
    tasks.sweep_task_requests()
    return {}


def main() -> None:
    """Do what is asked, with what the environment meddles."""
    django.setup()
    from tests.service.faults.meddle import meddle

    meddle()
    name, *arguments = sys.argv[1:]
    does: dict[str, Any] = {"save_a_job": save_a_job, "publish": publish, "sweep": sweep}
    print(json.dumps(does[name](*arguments)))


if __name__ == "__main__":
    main()
