"""Tokens of the API: kept as hashes, shown once, revocable, one's own."""

import hashlib
import re
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from rest_framework.test import APIClient

from jobs.models import ApiToken
from jobs.services import api_tokens
from tests.factories import OfficeFactory
from tests.service.api import ROOT

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
ADD = "/admin/jobs/apitoken/add/"


def ask(key: str) -> int:
    """Return the status of an answer to a program with that key."""
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    return int(client.get(f"{ROOT}crews/").status_code)


def test_the_database_holds_no_key(owner: Any):
    token, key = api_tokens.make_token(user=owner, name="ledger", now=timezone.now())

    row = ApiToken.objects.filter(pk=token.pk).values().get()

    assert key not in str(row)
    assert row["key_hash"] == hashlib.sha256(key.encode()).hexdigest()


def test_a_key_has_256_random_bits(owner: Any):
    keys = {api_tokens.make_token(user=owner, name="x", now=timezone.now())[1] for _ in range(20)}

    assert len(keys) == 20
    assert min(len(key) for key in keys) * 6 >= 256


def test_a_revoked_token_opens_nothing(owner: Any):
    token, key = api_tokens.make_token(user=owner, name="ledger", now=timezone.now())
    assert ask(key) == 200

    api_tokens.revoke(token=token, now=timezone.now())

    assert ask(key) == 401


@pytest.mark.parametrize("key", ["", "wrong", "é", "two words", "\x00", "x" * 5000])
def test_anything_else_opens_nothing(key: str, db: None):
    assert ask(key) == 401


def test_when_it_was_used_is_kept(owner: Any):
    token, key = api_tokens.make_token(user=owner, name="ledger", now=timezone.now())

    ask(key)

    token.refresh_from_db()
    assert token.last_used_at == timezone.now()


def test_the_page_makes_one_for_whoever_asks_and_shows_its_key_once(owner: Any):
    client = Client()
    client.force_login(owner)

    page = client.post(ADD, {"name": "ledger"}, follow=True).content.decode()

    found = re.search(r"only this once: ([\w-]{43})", page)
    assert found is not None
    assert ask(found[1]) == 200
    assert found[1] not in client.get("/admin/jobs/apitoken/").content.decode()
    assert ApiToken.objects.get().user == owner


def test_one_persons_tokens_are_no_other_persons_to_see(owner: Any):
    token, _ = api_tokens.make_token(user=owner, name="ledger", now=timezone.now())
    client = Client()
    client.force_login(OfficeFactory())

    listed = client.get("/admin/jobs/apitoken/").content.decode()

    assert "ledger" not in listed
    assert client.get(f"/admin/jobs/apitoken/{token.pk}/change/").status_code == 302


def test_the_page_revokes(owner: Any):
    token, key = api_tokens.make_token(user=owner, name="ledger", now=timezone.now())
    client = Client()
    client.force_login(owner)

    client.post("/admin/jobs/apitoken/", {"action": "revoke", "_selected_action": [token.pk]})

    assert ask(key) == 401
