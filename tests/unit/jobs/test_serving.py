"""Programs that run together: when one ends or someone asks, all end, with what they started."""

import os
import signal
import sys
import time
from pathlib import Path

import pytest

from jobs.management.serving import ChildEnded, Children
from tests.processes import PATIENCE_SECONDS

# A program that has started another one, as a web server starts its workers.
PARENT = """
import subprocess, sys, time
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
open(sys.argv[1], "w").write(str(child.pid))
time.sleep(600)
"""


def start_two(children: Children, folder: Path) -> list[int]:
    """Start two programs, and return the processes that they have started."""
    notes = [folder / "first", folder / "second"]
    for note in notes:
        children.start(note.name, [sys.executable, "-c", PARENT, str(note)])
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not all(note.exists() and note.read_text() for note in notes):
        assert time.monotonic() < deadline
        children.look()
    return [int(note.read_text()) for note in notes]


def has_ended(pid: int) -> bool:
    """Return whether a process is gone, or waits only for whoever inherits it to notice."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")")[-1].split()[0] == "Z"
    except OSError:
        return True


def all_end(pids: list[int]) -> bool:
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not all(map(has_ended, pids)) and time.monotonic() < deadline:
        time.sleep(0.05)
    return all(map(has_ended, pids))


def together(folder: Path) -> Children:
    return Children(log_dir=folder / "log", env=os.environ, cwd=folder)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_is_seen_and_ends_all_of_it(tmp_path: Path, number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with together(tmp_path) as children:
        started = start_two(children, tmp_path)
        os.kill(os.getpid(), number)
        children.look()
        was_asked = children.is_asked_to_stop

    assert was_asked
    assert all_end(started)
    assert signal.getsignal(number) == before


def test_when_one_program_dies_the_others_are_stopped_and_it_is_named(tmp_path: Path) -> None:
    started: list[int] = []

    def look_after_one_that_dies() -> None:
        with together(tmp_path) as children:
            started.extend(start_two(children, tmp_path))
            children.start("beat", [sys.executable, "-c", "raise SystemExit(3)"])
            while True:
                children.look()

    with pytest.raises(ChildEnded, match=r"beat ended by itself \(exit code 3\)"):
        look_after_one_that_dies()

    assert all_end(started)
