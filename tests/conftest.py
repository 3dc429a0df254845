"""Fixtures that every kind of test shares."""

import socket
from collections.abc import Generator
from pathlib import Path
from typing import Any, NoReturn

import pytest
from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.test import override_settings

from tests import factories

LOOPBACK = {"127.0.0.1", "::1", "localhost"}


@pytest.fixture(scope="session", autouse=True)
def static_root() -> None:
    """Make the folder of static files, which collectstatic makes where the service is installed."""
    Path(settings.STATIC_ROOT).mkdir(parents=True, exist_ok=True)


@pytest.fixture(scope="session", autouse=True)
def quick_passwords() -> Generator[list[str]]:
    """
    Hash passwords in no time; return how the service itself does.

    Argon2id takes a third of a second of a processor by design, at every sign-in.
    """
    of_the_service = settings.PASSWORD_HASHERS
    quick = "django.contrib.auth.hashers.MD5PasswordHasher"
    with override_settings(PASSWORD_HASHERS=[quick, *of_the_service]):
        yield of_the_service


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse connections beyond this computer: no test may lean on someone else's server."""
    connect = socket.socket.connect

    def connect_here(self: socket.socket, address: Any) -> None:
        if isinstance(address, tuple) and address[0] not in LOOPBACK:
            refuse(address)
        return connect(self, address)

    def refuse(address: Any) -> NoReturn:
        raise AssertionError(f"A test tried to reach {address!r}; tests stay on this computer.")

    monkeypatch.setattr(socket.socket, "connect", connect_here)


@pytest.fixture
def office(db: None) -> AbstractUser:
    """Someone of the office: staff, may change jobs, crews and inspections."""
    return factories.OfficeFactory(username="office")


@pytest.fixture
def owner(db: None) -> AbstractUser:
    """The owner: staff, may look at everything."""
    return factories.OwnerFactory(username="owner")


@pytest.fixture
def seller(db: None) -> AbstractUser:
    """Someone who sells: staff, answers "when?" and enters what was sold."""
    return factories.SellerFactory(username="seller")


@pytest.fixture
def reader(db: None) -> AbstractUser:
    """Someone who only looks: staff, changes nothing."""
    return factories.ReadOnlyFactory(username="reader")


@pytest.fixture
def lead(db: None) -> AbstractUser:
    """A crew lead: no admin."""
    return factories.CrewLeadFactory(username="lead")


@pytest.fixture
def stranger(db: None) -> AbstractUser:
    """Someone signed in without any role."""
    return factories.StrangerFactory(username="stranger")
