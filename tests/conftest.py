"""Fixtures that every kind of test shares."""

import socket
from collections.abc import Generator
from pathlib import Path
from typing import Any, NoReturn

import pytest
from django.conf import settings
from django.contrib.auth.models import AbstractUser, Group, Permission
from django.db import connection, transaction
from django.test import TransactionTestCase, override_settings
from whitenoise.middleware import WhiteNoiseMiddleware

from contractor.engine.warm import warm_up
from tests import factories

LOOPBACK = {"127.0.0.1", "::1", "localhost"}
# Tables that `migrate` fills besides its own.
OF_ROLES = {"django_content_type", "auth_permission", "auth_group", "auth_group_permissions"}


@pytest.hookimpl(tryfirst=True)
def pytest_sessionstart(session: pytest.Session) -> None:
    """Have the engine compiled before processes of `-n` start, or each would do it for itself."""
    if not hasattr(session.config, "workerinput") and not session.config.option.collectonly:
        warm_up()


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings_parallel_suffix: None) -> None:
    """
    Have the embedded default in a file, as whoever runs it has; pytest-django asks for this.

    In memory, all threads of a live server would share one connection, and one would find locked
    what another reads.
    """
    if connection.vendor == "sqlite":
        file = Path(settings.VAR_DIR) / "tests.sqlite3"
        connection.settings_dict["TEST"]["NAME"] = str(file)


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


@pytest.fixture(scope="session", autouse=True)
def quick_static_files() -> Generator[None]:
    """
    Look through the static files once, and not for each client of each test.

    A client builds the middleware at its first request, which then looks at some 200 files.
    """
    look = WhiteNoiseMiddleware.add_files_from_finders
    found: dict[str, Any] = {}

    def take(middleware: WhiteNoiseMiddleware) -> None:
        if not found:
            look(middleware)
            found.update(middleware.files)
        middleware.files.update(found)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(WhiteNoiseMiddleware, "add_files_from_finders", take)
        yield


@pytest.fixture(scope="session", autouse=True)
def quick_flush() -> Generator[None]:
    """
    Empty only tables that have rows, and leave the roles where they are as `migrate` wrote them.

    A test that commits ends by emptying all tables. TRUNCATE makes a new file for each table and
    index of it, some 400 of them, and holds up whoever still reads; Django then writes every
    permission and role anew, by 124 queries.
    """
    begin = TransactionTestCase._fixture_setup.__func__
    whole = TransactionTestCase._fixture_teardown
    before: list[Any] = []

    def remember(cls: Any) -> None:
        before[:] = _roles()
        begin(cls)

    def empty(case: Any) -> None:
        if before != _roles():
            whole(case)
            return
        names = set(connection.introspection.django_table_names(only_existing=True)) - OF_ROLES
        tables = [f'"{name}"' for name in sorted(names)]
        # References are held against each other at the end only, when all of them are gone.
        with transaction.atomic(), connection.cursor() as cursor:
            if connection.vendor == "postgresql":  # whoever still writes ends first
                cursor.execute(f"LOCK TABLE {', '.join(tables)} IN EXCLUSIVE MODE")
            filled = (f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM {name})" for name in tables)
            cursor.execute(" UNION ALL ".join(filled))
            for (table,) in cursor.fetchall():
                cursor.execute(f"DELETE FROM {table}")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(TransactionTestCase, "_fixture_setup", classmethod(remember))
        patch.setattr(TransactionTestCase, "_fixture_teardown", empty)
        yield


def _roles() -> list[Any]:
    rights = Permission.objects.values_list("codename", "group__name")
    names = Group.objects.values_list("name")
    return [*rights.order_by("codename", "group__name"), *names.order_by("name")]


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
