"""Links to the buyer's page: made, shown, replaced, revoked, and when each was last opened."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import TYPE_CHECKING

from django.conf import settings
from django.db.models import Q
from django.urls import reverse

from crews.selectors import token_hash
from crews.services import LinkClosedError
from crews.services.link_tokens import shown_again, token_of
from jobs.models import BuyerLink, ReportPhoto

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from jobs.models import Job

_SALT = "jobs.services.buyer_links"
OPENING_RECORDED_EVERY = timedelta(minutes=10)
_REVOKED = "This link was revoked. Add a new one to open the page again."


def make_link(*, job: Job, reader: str, now: datetime) -> tuple[BuyerLink, str]:
    """
    Return a new link to a job's page for its buyer, and its address.

    Raises
    ------
    django.core.exceptions.ValidationError
        If the reader is empty or longer than 60 characters.
    """
    link = BuyerLink(job=job, reader=reader.strip(), created_at=now)
    token = token_of(link.nonce, salt=_SALT)
    link.token_hash = token_hash(token)
    link.full_clean()
    link.save()
    return link, _url(token)


def page_url(*, link: BuyerLink) -> str:
    """
    Return the address of a link that is open.

    Raises
    ------
    crews.services.LinkClosedError
        If it was revoked, or the secret key it was made under is gone.
    """
    if link.revoked_at is not None:
        raise LinkClosedError(_REVOKED)
    token = shown_again(link.nonce, link.token_hash, salt=_SALT)
    if token is None:
        raise LinkClosedError("This link was made under another secret key. Make a new link.")
    return _url(token)


def replace_link(*, link: BuyerLink, now: datetime) -> str:
    """
    Return a new address for the reader; the old one opens nothing from here on.

    Raises
    ------
    crews.services.LinkClosedError
        If the link was revoked.
    """
    nonce = uuid.uuid4()
    token = token_of(nonce, salt=_SALT)
    # One conditional statement: a link that is revoked at the same moment stays revoked.
    replaced = BuyerLink.objects.filter(pk=link.pk, revoked_at=None).update(
        nonce=nonce, token_hash=token_hash(token), created_at=now, last_opened_at=None
    )
    if not replaced:
        raise LinkClosedError(_REVOKED)
    link.refresh_from_db()
    return _url(token)


def revoke_link(*, link: BuyerLink, now: datetime) -> None:
    """Close a link for good; closing it again changes nothing."""
    BuyerLink.objects.filter(pk=link.pk, revoked_at=None).update(revoked_at=now)
    link.refresh_from_db(fields=["revoked_at"])


def record_opening(*, link: BuyerLink, now: datetime) -> None:
    """Write down that a page was opened, at most once in ten minutes."""
    before = now - OPENING_RECORDED_EVERY
    if link.last_opened_at is not None and link.last_opened_at > before:
        return
    due = Q(last_opened_at=None) | Q(last_opened_at__lte=before)
    BuyerLink.objects.filter(due, pk=link.pk).update(last_opened_at=now)


def show_photos(*, photos: Iterable[int], to_buyer: bool) -> int:
    """Return how many photos, by primary key, the buyer's page now shows, or no longer shows."""
    changed = ReportPhoto.objects.filter(pk__in=list(photos)).exclude(is_released=to_buyer)
    return changed.update(is_released=to_buyer)


def _url(token: str) -> str:
    return f"{settings.PUBLIC_URL}{reverse('buyer:page', kwargs={'token': token})}"
