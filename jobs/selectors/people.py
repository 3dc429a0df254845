"""Who is told: crew leads, the office, the owner, and buyers whom the office wants told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.contrib.auth.models import User

from contractor import roles
from crews.models import Crew

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jobs.models import Job


@dataclass(frozen=True, slots=True)
class Person:
    """Someone to be told; `key` is the same for one person in any role. No address is ""."""

    key: str
    name: str
    email: str
    user_id: int | None = None


def office_people() -> list[Person]:
    """Return everyone of the office."""
    return _in_group(roles.OFFICE)


def owners() -> list[Person]:
    """Return the owners."""
    return _in_group(roles.OWNER)


def leads(crews: Iterable[int]) -> dict[int, Person]:
    """Return each crew's lead, by crew; one without a sign-in is told by the crew's own name."""
    rows = Crew.objects.filter(pk__in=set(crews)).select_related("lead").order_by("id")
    return {crew.pk: _lead(crew) for crew in rows}


def buyer(job: Job) -> Person | None:
    """Return a job's buyer, if the office wants the buyer told."""
    if not job.tells_buyer:
        return None
    return Person(f"buyer:{job.pk}", job.buyer_name, job.buyer_email)


def _lead(crew: Crew) -> Person:
    if crew.lead is not None and crew.lead.is_active:
        return _person(crew.lead, crew.lead_name)
    return Person(f"crew:{crew.pk}", crew.lead_name or f"Lead of {crew.name}", "")


def _in_group(name: str) -> list[Person]:
    rows = User.objects.filter(groups__name=name, is_active=True).order_by("id")
    return [_person(user) for user in rows]


def _person(user: User, name: str = "") -> Person:
    full = f"{user.first_name} {user.last_name}".strip()
    return Person(f"user:{user.pk}", name or full or user.username, user.email, user.pk)
