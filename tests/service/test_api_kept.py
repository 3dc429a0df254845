"""Answers that are kept until the database changes: never old, never another person's."""

from collections.abc import Generator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from threading import Barrier
from typing import Any
from unittest.mock import patch

import pytest
import time_machine
from django.db import connection, transaction
from django.db.models import F
from rest_framework.test import APIClient

from jobs.api import jobs as jobs_api
from jobs.api import kept
from jobs.models import Job
from jobs.selectors.visible_state import visible_state
from tests.processes import PATIENCE_SECONDS
from tests.service.api import ROOT, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [
    pytest.mark.services,
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("on_monday"),
]


@pytest.fixture(autouse=True)
def none_kept() -> Generator[None]:
    """Begin with no answer kept."""
    kept.KEPT.clear()
    yield
    kept.KEPT.clear()


@pytest.fixture
def client(owner: Any) -> APIClient:
    """Return a reader whose sign-in is made before, so that asking writes nothing."""
    return reader(owner)


def _built(client: APIClient, address: str = "jobs/") -> tuple[Any, int]:
    """Return an answer, and how many jobs were made into lines for it."""
    with patch.object(jobs_api, "job_line", wraps=jobs_api.job_line) as line:
        answer = client.get(ROOT + address)
    assert answer.status_code == 200
    return answer, line.call_count


def test_an_answer_is_built_once_while_nothing_changes(client: APIClient):
    make_firm(crews=1)
    make_job(number="26-500")

    # Others may write to the same server while this runs, in databases of their own.
    with patch.object(kept, "visible_state", return_value="10:10:"):
        first, second = (_built(client) for _ in range(2))

    assert [first[1], second[1]] == [1, 0]
    assert first[0].content == second[0].content
    assert first[0].headers["ETag"] == second[0].headers["ETag"]
    assert second[0].headers["Content-Type"] == "application/json"
    assert second[0].headers["Cache-Control"] == "private, no-cache"


def test_a_change_of_any_row_is_told_at_once(client: APIClient):
    make_firm(crews=1)
    job = make_job(number="26-500")
    _built(client)

    Job.objects.filter(pk=job.pk).update(buyer_name="Vera Lindqvist")
    answer, built = _built(client)

    assert built == 1
    assert answer.json()["results"][0]["buyer"] == "Vera Lindqvist"


def test_a_change_that_is_taken_back_shows_nothing(client: APIClient):
    make_firm(crews=1)
    job = make_job(number="26-500")
    before, _ = _built(client)

    with transaction.atomic():
        Job.objects.filter(pk=job.pk).update(promise_weight=F("promise_weight") + 1)
        transaction.set_rollback(True)

    assert _built(client)[0].content == before.content


def test_what_the_clock_changes_is_a_minute_old_at_the_most(client: APIClient):
    make_firm(crews=1)
    make_job(number="26-500")
    _built(client)

    with time_machine.travel(MONDAY + timedelta(minutes=1), tick=False):
        assert _built(client)[1] == 1


def test_another_question_has_its_own_answer(client: APIClient):
    make_firm(crews=1)
    make_job(number="26-500")
    make_job(number="26-501")
    _built(client)

    answer, _ = _built(client, "jobs/?search=26-501")

    assert [row["number"] for row in answer.json()["results"]] == ["26-501"]


def test_who_may_not_read_gets_nothing_that_is_kept(client: APIClient, stranger: Any):
    make_firm(crews=1)
    make_job(number="26-500")
    other = reader(stranger)

    with patch.object(kept, "visible_state", return_value="10:10:"):
        _built(client)
        assert other.get(f"{ROOT}jobs/").status_code == 403


def test_an_indent_that_is_asked_for_is_given(client: APIClient):
    make_firm(crews=1)
    _built(client)

    answer = client.get(f"{ROOT}jobs/", headers={"Accept": "application/json; indent=2"})

    assert answer.content.startswith(b"{\n  ")


def test_inside_a_transaction_no_state_has_a_name():
    assert visible_state() is not None
    with transaction.atomic():
        assert visible_state() is None


def test_every_writing_makes_another_state():
    make_firm(crews=1)
    job = make_job(number="26-500")
    before = visible_state()

    Job.objects.filter(pk=job.pk).update(buyer_name="Vera Lindqvist")

    assert visible_state() != before


def test_reading_makes_no_other_state():
    # Others may write to the same server meanwhile, so that one pair of many is enough.
    assert any(_state_after_reading() for _ in range(100))


def _state_after_reading() -> bool:
    before = visible_state()
    Job.objects.count()
    return before == visible_state()


def test_many_who_ask_at_once_wait_for_one_building(client: APIClient):
    make_firm(crews=1)
    make_job(number="26-500")
    address, begun = f"{ROOT}jobs/", Barrier(4, timeout=PATIENCE_SECONDS)
    sign_in = client._credentials

    def ask(_: int) -> bytes:
        asks = APIClient()
        asks.credentials(**sign_in)
        try:
            begun.wait()
            return bytes(asks.get(address).content)
        finally:
            connection.close()

    with (
        patch.object(kept, "visible_state", return_value="10:10:"),
        patch.object(jobs_api, "job_line", wraps=jobs_api.job_line) as line,
        ThreadPoolExecutor(4) as pool,
    ):
        answers = set(pool.map(ask, range(4)))

    assert len(answers) == 1
    assert line.call_count == 1
