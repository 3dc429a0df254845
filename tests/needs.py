"""
What a test run stands on: its own folder, and the outside programs that marked tests need.

One rule for all of them: without the program a marked test is skipped with the reason; with
CI=true it fails instead, and so does a run in which any test was skipped for any reason.
"""

import atexit
import os
import shutil
import tempfile
from collections.abc import Generator
from typing import NoReturn
from urllib.parse import urlsplit

import pytest

IS_CI = os.environ.get("CI") == "true"


def missing(reason: str) -> NoReturn:
    """Skip the test with the reason; in CI, fail it."""
    if IS_CI:
        pytest.fail(f"{reason} (CI=true: nothing may be skipped)", pytrace=False)
    pytest.skip(reason)


def need_services() -> None:
    """Skip unless PostgreSQL and Redis are named by DATABASE_URL and REDIS_URL; in CI, fail."""
    if not os.environ.get("DATABASE_URL", "").startswith(("postgres://", "postgresql://")):
        missing("needs PostgreSQL: set DATABASE_URL to postgres://…")
    if not os.environ.get("REDIS_URL", "").startswith("redis"):
        missing("needs Redis: set REDIS_URL to redis://…")


def need_chromium() -> str:
    """Return the path of Chromium, or skip; in CI, fail."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        missing("needs Chromium: install Debian's package chromium")
    return path


def need_node() -> str:
    """Return the path of Node.js, or skip; in CI, fail."""
    path = shutil.which("node")
    if path is None:
        missing("needs Node.js: install Debian's packages nodejs and npm")
    return path


NEEDS = {"services": need_services, "browser": need_chromium, "node": need_node}


@pytest.hookimpl(wrapper=True)
def pytest_load_initial_conftests() -> Generator[None]:
    """
    Give each process a folder and a queue of its own before settings load.

    var/ belongs to the installation; and a real worker that one process of `-n` starts must not
    take the messages of another, whose test database it does not know.
    """
    os.environ["VAR_DIR"] = folder = tempfile.mkdtemp(prefix="girtline-tests-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    number = os.environ.get("PYTEST_XDIST_WORKER", "").removeprefix("gw")
    if number and os.environ.get("REDIS_URL"):
        # Redis has sixteen numbered queues; the first stays for runs in one process.
        url = urlsplit(os.environ["REDIS_URL"])
        os.environ["REDIS_URL"] = url._replace(path=f"/{int(number) % 15 + 1}").geturl()
    return (yield)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Ask for the programs a test is marked with, before its fixtures start anything."""
    for marker, need in NEEDS.items():
        if item.get_closest_marker(marker):
            need()


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Turn a green run red in CI if a test was skipped: a skip there hides a broken set-up."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if IS_CI and reporter is not None and reporter.stats.get("skipped") and not session.exitstatus:
        reporter.write_line("CI=true and tests were skipped: the run fails", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
