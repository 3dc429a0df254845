"""
Asking addresses that people enter: over http and https only, and of the public internet alone.

An address may else lead to what only this computer reaches: its database, the machines of the
office, a cloud's own pages of keys. Each redirect is a connection of its own, and so held to the
same. Source: OWASP ASVS 4.0.3, 5.2.6 and 12.6.1, from memory.
"""

from __future__ import annotations

import socket
from http.client import HTTPConnection, HTTPSConnection
from ipaddress import IPv6Address, ip_address
from typing import TYPE_CHECKING
from urllib.request import (
    HTTPDefaultErrorHandler,
    HTTPErrorProcessor,
    HTTPHandler,
    HTTPRedirectHandler,
    HTTPSHandler,
    OpenerDirector,
    ProxyHandler,
    UnknownHandler,
)

from django.conf import settings

if TYPE_CHECKING:
    from http.client import HTTPResponse
    from urllib.request import Request

_REFUSED = (
    "it is not on the public internet; a computer of your own goes into WEATHER_PRIVATE_HOSTS"
)


class _Connection(HTTPConnection):
    """Connects to hosts of the public internet, and to those that the settings name."""

    def connect(self) -> None:
        """Look where the name leads before anything is sent, and again at who took the call."""
        if self.host.lower() in settings.WEATHER_PRIVATE_HOSTS:
            super().connect()
            return
        found = socket.getaddrinfo(self.host, self.port, type=socket.SOCK_STREAM)
        if not all(_is_public(str(where[4][0])) for where in found):
            raise OSError(_REFUSED)
        super().connect()
        if not _is_public(self.sock.getpeername()[0]):  # the name led elsewhere by then
            self.close()
            raise OSError(_REFUSED)


class _SecureConnection(HTTPSConnection, _Connection):
    """The same, with TLS once the other end is known."""


class _PlainHandler(HTTPHandler):
    def http_open(self, req: Request) -> HTTPResponse:
        """Answer by a guarded connection."""
        return self.do_open(_Connection, req)


class _SecureHandler(HTTPSHandler):
    def https_open(self, req: Request) -> HTTPResponse:
        """Answer by a guarded connection, which checks the other's certificate by itself."""
        return self.do_open(_SecureConnection, req)


# The library's own opener would follow a source to ftp too.
PUBLIC_WEB = OpenerDirector()
for _handler in (
    ProxyHandler(),
    UnknownHandler(),
    _PlainHandler(),
    _SecureHandler(),
    HTTPDefaultErrorHandler(),
    HTTPRedirectHandler(),
    HTTPErrorProcessor(),
):
    PUBLIC_WEB.add_handler(_handler)


def _is_public(text: str) -> bool:
    address = ip_address(text.partition("%")[0])
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        return address.ipv4_mapped.is_global
    return address.is_global and not address.is_multicast
