"""The Celery app, and what a worker does before it takes its first task."""

import os

from celery import Celery
from celery.signals import worker_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")

app = Celery("girtline")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


@worker_init.connect
def make_engine_ready(**_given: object) -> None:
    """
    Load the engine's compiled code, so that no task waits for it.

    In the parent, whose children then have it from their first moment: a child that is not up
    within four seconds is taken for dead.
    """
    from contractor.engine.warm import warm_up

    warm_up()
