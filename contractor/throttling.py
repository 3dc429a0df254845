"""How many requests a person may make, counted by all processes of a computer together."""

from typing import Any

from django.core.cache import caches
from django.utils.connection import ConnectionProxy
from rest_framework.throttling import AnonRateThrottle, UserRateThrottle

from contractor.senders import address_of

# Django's own way to a cache by name, as `cache` is to the default one.
COUNTS = ConnectionProxy(caches, "throttle")


class AnonThrottle(AnonRateThrottle):
    """Counts people without a sign-in, by address."""

    cache = COUNTS

    def get_ident(self, request: Any) -> str:
        """Return the address as sign-in knows it: what a sender says of itself is not asked."""
        return address_of(request)


class UserThrottle(UserRateThrottle):
    """Counts people by their sign-in."""

    cache = COUNTS
