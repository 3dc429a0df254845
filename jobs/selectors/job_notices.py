"""What was told to people about one job."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from django.db.models import Q

from jobs.models import Notice, Slip

if TYPE_CHECKING:
    from jobs.models import Job

LATEST = 20


def job_notices(job: Job) -> list[Notice]:
    """
    Return the latest notices that tell of a job, newest first, in two queries.

    One notice may tell of several jobs; a number is read as a whole word, so that what is told of
    26-10 is not taken for 26-1.
    """
    events = [f"slip:{pk}" for pk in Slip.objects.filter(job=job).values_list("pk", flat=True)]
    named = Q(body__contains=job.number) | Q(subject__contains=job.number)
    mine = Q(event__in=events) | Q(person=f"buyer:{job.pk}")
    word = re.compile(rf"(?<![A-Z0-9-]){re.escape(job.number)}(?![A-Z0-9-])")
    rows = Notice.objects.filter(named | mine).order_by("-made_at", "-id")[: 5 * LATEST]
    told = [
        row
        for row in rows
        if row.event in events
        or row.person == f"buyer:{job.pk}"
        or word.search(f"{row.subject}\n{row.body}")
    ]
    return told[:LATEST]
