"""
Whatever happens to a small firm's jobs, in whatever order: what must never be true never is.

A long run by hand: `LIFE_EXAMPLES=400 LIFE_STEPS=60 python -m pytest` and this file.
"""

from os import environ

import pytest
from django.db import connection
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.service.life_of_jobs import Life

pytestmark = pytest.mark.django_db

BY_HAND = "LIFE_EXAMPLES" in environ
# The same walks each time. On the embedded default the first of them stand for all, since what they
# hold true is the services' doing, whose queries each have their own tests there too.
USUAL = 15 if connection.vendor == "postgresql" else 5
EXAMPLES = int(environ.get("LIFE_EXAMPLES", USUAL))
STEPS = int(environ.get("LIFE_STEPS", "20"))


def test_nothing_that_happens_to_jobs_breaks_a_rule() -> None:
    run_state_machine_as_test(
        Life,
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            database=None,
            derandomize=not BY_HAND,
            # A shorter example is worth its minutes only to whoever looks for one.
            phases=[Phase.generate, *([Phase.shrink] if "LIFE_SHRINK" in environ else [])],
            report_multiple_bugs=False,
            print_blob=BY_HAND,
            suppress_health_check=list(HealthCheck),
        ),
    )
