"""The admin's pages of what the board sets: to be read, corrected, and never typed as a record."""

from datetime import date, datetime

import pytest
from django.contrib.auth.models import AbstractUser
from django.test import Client
from django.urls import reverse

from jobs.models import BoardMove, Change, LentPeople, SetAside
from tests.service.portfolio import MONDAY, ZONE, make_firm

pytestmark = pytest.mark.django_db


@pytest.fixture
def lent(db: None) -> LentPeople:
    first, second = make_firm(crews=2)
    begins = datetime(2026, 7, 6, 7, 0, tzinfo=ZONE)
    SetAside.objects.create(
        crew=first, kind="SHOP", starts_at=begins, ends_at=begins.replace(hour=15)
    )
    BoardMove.objects.create(kind="LEND", words="1 person of one with another", made_at=MONDAY)
    return LentPeople.objects.create(
        from_crew=first, to_crew=second, first_day=date(2026, 7, 6), last_day=date(2026, 7, 8)
    )


@pytest.mark.parametrize("name", ["lentpeople", "setaside", "boardmove"])
def test_the_office_reads_the_list(
    client: Client, office: AbstractUser, lent: LentPeople, name: str
) -> None:
    client.force_login(office)

    page = client.get(reverse(f"admin:jobs_{name}_changelist"))

    assert page.status_code == 200
    assert page.context["cl"].result_count == 1


def test_taking_a_lend_away_is_recorded(
    client: Client, office: AbstractUser, lent: LentPeople
) -> None:
    client.force_login(office)

    client.post(reverse("admin:jobs_lentpeople_delete", args=[lent.pk]), {"post": "yes"})

    assert not LentPeople.objects.exists()
    assert Change.objects.filter(kind="lent people", action="REMOVED", by=office).exists()


@pytest.mark.parametrize("page", ["add", "delete"])
def test_a_record_of_a_move_is_neither_typed_nor_taken_away(
    client: Client, office: AbstractUser, lent: LentPeople, page: str
) -> None:
    client.force_login(office)
    args = [BoardMove.objects.get().pk] if page == "delete" else []

    assert client.get(reverse(f"admin:jobs_boardmove_{page}", args=args)).status_code == 403
