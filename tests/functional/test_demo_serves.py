"""The demo as a newcomer runs it: one command sets up, serves, and Ctrl-C ends all of it."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings

from tests.processes import free_port, wait_for

# With room for a computer that also does much else.
READY_SECONDS, END_SECONDS, ANSWER_SECONDS = 600, 240, 120
UNSET = ("DATABASE_URL", "REDIS_URL", "PUBLIC_URL", "DJANGO_SETTINGS_MODULE")


def embedded(var_dir: Path) -> dict[str, str]:
    """Return the environment of the embedded default, whatever this run itself stands on."""
    kept = {name: value for name, value in os.environ.items() if name not in UNSET}
    return kept | {"VAR_DIR": str(var_dir)}


class Demo:
    """A running `manage.py demo` on a free port, with its data in a directory of its own."""

    def __init__(self, var_dir: Path) -> None:
        self.var_dir = var_dir
        self.port = free_port()
        with (var_dir / "out.txt").open("wb") as out:
            self.process = subprocess.Popen(
                [sys.executable, "manage.py", "demo", "--port", str(self.port), "--seconds", "0"],
                cwd=settings.BASE_DIR,
                env=embedded(var_dir),
                stdout=out,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def said(self) -> str:
        return (self.var_dir / "out.txt").read_text()

    def wait_until_it_serves(self) -> None:
        deadline = time.monotonic() + READY_SECONDS
        while "Ctrl-C stops everything" not in self.said():
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < deadline, self.said()
            time.sleep(0.3)

    def get(self, path: str) -> tuple[int, bytes]:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{self.port}{path}", timeout=ANSWER_SECONDS
        ) as answer:
            return answer.status, answer.read()

    def processes(self) -> dict[int, str]:
        """Return the command lines of all processes that this demo has started, at any depth."""
        mark = f"VAR_DIR={self.var_dir}".encode()
        found = {}
        for entry in Path("/proc").glob("[0-9]*"):
            try:
                if mark in (entry / "environ").read_bytes().split(b"\0"):
                    found[int(entry.name)] = (entry / "cmdline").read_text().replace("\0", " ")
            except OSError:
                continue
        found.pop(self.process.pid, None)
        return {pid: line for pid, line in found.items() if line}

    def end(self, number: int) -> int:
        self.process.send_signal(number)
        return self.process.wait(timeout=END_SECONDS)

    def clean_up(self) -> None:
        if self.process.poll() is None:
            self.end(signal.SIGTERM)


@pytest.fixture(scope="module")
def var_dir(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One directory for all tests here: the first run sets up, the later ones find it done."""
    return tmp_path_factory.mktemp("demo")


@pytest.fixture
def demo(var_dir: Path) -> Iterator[Demo]:
    running = Demo(var_dir)
    yield running
    running.clean_up()


def test_it_serves_health_sign_in_and_feeds_until_ctrl_c(demo: Demo) -> None:
    demo.wait_until_it_serves()

    feed = next(word for word in demo.said().split() if word.endswith(".ics"))
    started = demo.processes()
    health = demo.get("/health/")
    sign_in = demo.get("/admin/login/")
    style = demo.get("/static/admin/css/base.css")
    calendar = demo.get(feed.split(f":{demo.port}")[1])
    code = demo.end(signal.SIGINT)

    assert health[0] == 200
    assert b"password" in sign_in[1]
    assert style[0] == 200
    assert calendar[1].count(b"BEGIN:VEVENT") > 3
    for program in ("gunicorn", "worker", "beat"):
        assert any(program in line for line in started.values()), started
    assert code == 0
    wait_for(lambda: not demo.processes(), "all that it started has ended")


def test_a_second_run_keeps_what_is_there_and_when_one_program_dies_all_end(demo: Demo) -> None:
    demo.wait_until_it_serves()
    beat = next(pid for pid, line in demo.processes().items() if "beat" in line)

    os.kill(beat, signal.SIGKILL)
    code = demo.process.wait(timeout=END_SECONDS)

    assert "A firm is there already" in demo.said()
    assert "A plan is published already" in demo.said()
    assert "changepassword" not in demo.said()
    assert code != 0
    assert "beat ended by itself" in demo.said()
    wait_for(lambda: not demo.processes(), "all that it started has ended")


def test_a_port_that_is_taken_is_told_before_anything_is_done(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        ended = subprocess.run(
            [sys.executable, "manage.py", "demo", "--port", port],
            cwd=settings.BASE_DIR,
            env=embedded(tmp_path),
            capture_output=True,
            text=True,
            timeout=END_SECONDS,
            check=False,
        )

    assert ended.returncode != 0
    assert "something listens there already" in ended.stderr
    assert not (tmp_path / "girtline.sqlite3").exists()
