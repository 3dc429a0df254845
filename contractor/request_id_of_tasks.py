"""A worker's log lines carry the task's number, as a web process's carry the request's."""

from typing import Any

from celery.signals import task_postrun, task_prerun

from contractor.request_id import current


@task_prerun.connect
def begin(task_id: str = "", **_given: Any) -> None:
    """Let every line from here on carry this task's number."""
    current.set(task_id or "-")


@task_postrun.connect
def end(**_given: Any) -> None:
    """Leave the lines between tasks without a number."""
    current.set("-")
