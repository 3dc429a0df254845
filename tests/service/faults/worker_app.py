"""The product's Celery app, in a worker that these tests meddle with."""

from celery.signals import worker_init

from contractor.celery import app
from tests.service.faults.meddle import meddle

__all__ = ["app"]


@worker_init.connect
def meddle_with_it(**_given: object) -> None:
    """Meddle in the parent, before its children are forked."""
    meddle()
