"""Servers and workers of these tests' own, to be stopped, killed and set ahead."""

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from os import environ
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import redis
from django.conf import settings
from django.db import connection

from tests.processes import free_port, wait_for
from tests.service.mail import Inbox, mail_server

Start = Callable[..., "Worker"]


class OwnRedis:
    """A Redis server that can be stopped and started again, empty each time."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.folder = folder
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    def start(self) -> None:
        self.process = subprocess.Popen(
            [
                *("redis-server", "--port", str(self.port), "--save", "", "--appendonly", "no"),
                *("--bind", "127.0.0.1", "--dir", str(self.folder)),
            ],
            stdout=subprocess.DEVNULL,
        )
        wait_for(self.answers, "Redis")

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def answers(self) -> bool:
        client = redis.Redis.from_url(self.url, socket_connect_timeout=1)
        try:
            return bool(client.ping())
        except redis.RedisError:
            return False
        finally:
            client.close()


class Worker:
    """A worker in a process of its own, on the test database and these tests' Redis."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self.process = process

    def kill(self) -> None:
        """Kill -9: the parent and all its children, none of which can clean up."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@pytest.fixture
def own_redis(tmp_path: Path) -> Iterator[OwnRedis]:
    assert shutil.which("redis-server"), "install Debian's package redis-server"
    server = OwnRedis(tmp_path)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def surroundings(own_redis: OwnRedis) -> dict[str, str]:
    """The environment of processes that belong to one test."""
    return {**environ, "DATABASE_URL": url_of_test_database(), "REDIS_URL": own_redis.url}


@pytest.fixture
def start_worker(surroundings: dict[str, str]) -> Iterator[Start]:
    """Start workers, meddled with by names of the environment; all are killed at the end."""
    started: list[Worker] = []

    def start(*, concurrency: int = 1, **meddling: str) -> Worker:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "celery", "--app", "tests.service.faults.worker_app"),
                *("worker", "--concurrency", str(concurrency)),
                *("--without-gossip", "--without-mingle", "--hostname", f"w{len(started)}@%h"),
            ],
            env={**surroundings, "LOG_LEVEL": "WARNING", **meddling},
            cwd=settings.BASE_DIR,
            start_new_session=True,
        )
        started.append(Worker(process))
        return started[-1]

    yield start
    for worker in started:
        worker.kill()


@pytest.fixture
def run_child(surroundings: dict[str, str]) -> Callable[..., subprocess.Popen[str]]:
    """Start a process that does one thing of `child.py`."""

    def run(name: str, *arguments: object, **meddling: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.service.faults.child", name, *map(str, arguments)],
            env={**surroundings, **meddling},
            cwd=settings.BASE_DIR,
            stdout=subprocess.PIPE,
            text=True,
        )

    return run


@pytest.fixture
def inbox(surroundings: dict[str, str]) -> Iterator[Inbox]:
    """A mail server that workers of the test send to."""
    with mail_server() as server:
        surroundings["EMAIL_URL"] = f"smtp://127.0.0.1:{server.port}"
        yield server


def send(own_redis: OwnRedis, task: Any, **given: Any) -> None:
    """Put a message for a task into these tests' Redis."""
    from celery import Celery

    # An app made current would take over every shared task of this process, for all later tests.
    other = Celery("sender", broker=own_redis.url, set_as_current=False)
    other.send_task(task.name, kwargs=given)
    other.close()


def url_of_test_database() -> str:
    name = connection.settings_dict["NAME"]
    return urlsplit(environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()
