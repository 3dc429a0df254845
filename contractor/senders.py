"""Who sends a request, as limits count them and the log names them."""

from __future__ import annotations

from ipaddress import IPv6Address, ip_address, ip_network
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import Error

if TYPE_CHECKING:
    from django.http import HttpRequest

# Whoever has an IPv6 address has all that share its first half, and may send from another each
# time. Source: RFC 6177 and RFC 4291, section 2.5.1 (from memory).
_IPV6_NETWORK_BITS = 64


def address_of(request: HttpRequest | None) -> str:
    """Return where a request came from: behind a proxy, what the proxy itself saw."""
    if request is None:
        return ""
    if settings.BEHIND_PROXY:
        # The last one is the proxy's own; those before it are the sender's to invent.
        forwarded = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
        if forwarded:
            return _counted(forwarded)
    return _counted(str(request.META.get("REMOTE_ADDR", "")))


def person_of(request: HttpRequest) -> str:
    """Return the name of whoever is signed in, for the log, which a fault must not reach."""
    try:
        user = getattr(request, "user", None)
        return user.get_username() if user is not None and user.is_authenticated else "nobody"
    except Error:
        return "nobody known"


def _counted(text: str) -> str:
    """Return an address as it is counted: of IPv6 the network that one household is given."""
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return text[:45]
    if not isinstance(found, IPv6Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ip_network((found, _IPV6_NETWORK_BITS), strict=False))
