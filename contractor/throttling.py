"""How many requests a person may make, counted by all processes of a computer together."""

from django.core.cache import caches
from django.utils.connection import ConnectionProxy
from rest_framework.throttling import AnonRateThrottle, UserRateThrottle

# Django's own way to a cache by name, as `cache` is to the default one.
COUNTS = ConnectionProxy(caches, "throttle")


class AnonThrottle(AnonRateThrottle):
    """Counts people without a sign-in, by address."""

    cache = COUNTS


class UserThrottle(UserRateThrottle):
    """Counts people by their sign-in."""

    cache = COUNTS
