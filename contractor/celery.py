"""The Celery app, what it writes to the log, and what a worker does before its first task."""

import os

from celery import Celery
from celery.signals import setup_logging, worker_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")

app = Celery("girtline")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


@setup_logging.connect
def keep_to_the_settings(**_given: object) -> None:
    """
    Leave the log as LOGGING of the settings has made it: without keys, with the task's number.

    Celery puts handlers of its own in place of all others, unless someone answers this signal;
    its --loglevel then says nothing, and LOG_LEVEL is for all programs.
    """


@worker_init.connect
def make_engine_ready(**_given: object) -> None:
    """
    Load the engine's compiled code, so that no task waits for it.

    In the parent, whose children then have it from their first moment: a child that is not up
    within four seconds is taken for dead.
    """
    from contractor.engine.collector import keep_for_good
    from contractor.engine.warm import warm_up

    warm_up()
    keep_for_good()
