"""Readers of calendars that are not one crew's: the firm's, a job's, an authority's, a buyer's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from crews.models import FeedCalendar, FeedSubscription
from crews.services import subscribe
from jobs.services.feed_names import names_of
from jobs.services.publishing import refresh_feeds

if TYPE_CHECKING:
    from datetime import datetime


class NothingToShow(Exception):  # noqa: N818 - an answer with its remedy
    """There is no such job or authority; the text says what to do."""


def subscribe_to(
    *, kind: str, number: int = 0, reader: str, now: datetime
) -> tuple[FeedSubscription, str]:
    """
    Return a new reader's subscription to a calendar beside the crews', and its address.

    `number` is the primary key of the job or the authority, 0 for the firm. The calendar is
    made with its first reader, and shows what is published at once.

    Raises
    ------
    NothingToShow
        If there is no such job or authority.
    crews.selectors.NoFirm
        If there is no firm yet.
    django.core.exceptions.ValidationError
        If the reader is empty or longer than 60 characters.
    """
    name = names_of([(kind, number)]).get((kind, number))
    if name is None:
        raise NothingToShow(
            f"There is no {'authority' if kind == FeedCalendar.Kind.AUTHORITY else 'job'} "
            f"{number}. Choose one from the list."
        )
    with transaction.atomic():
        calendar, _ = FeedCalendar.objects.get_or_create(
            kind=kind, number=number, defaults={"name": name}
        )
        subscription, url = subscribe(calendar=calendar, reader=reader, now=now)
        refresh_feeds(now=now)
    return subscription, url
