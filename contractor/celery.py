"""The Celery app and nothing else."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "contractor.settings")

app = Celery("girtline")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
