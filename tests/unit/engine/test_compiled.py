"""Kernels are kept from one process to the next, but never beyond a change of what they call."""

import os
import subprocess
import sys
import time
from pathlib import Path

import contractor

ROOT = Path(contractor.__file__).parents[1]

INNER = """
from contractor.engine.compiled import kernel

@kernel
def inner(x: int) -> int:
    return {times} * x
"""

OUTER = """
from contractor.engine.compiled import kernel
from rooms.inner import inner

@kernel
def outer(x: int) -> int:
    return inner(x) + 1

print(outer(20))
"""

POINTER = """
from dataclasses import dataclass, field

import numpy as np

from contractor.engine.compiled import (
    Flags, Floats, Ints, Longs, Words, by_pointer, kernel, pointer_table
)

@by_pointer
@dataclass(frozen=True, eq=False)
class Box:
    count: int
    ints: Ints
    longs: Longs
    flags: Flags
    floats: Floats
    words: Words
    table: Longs = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", pointer_table(self))

    @property
    def address(self) -> int:
        return int(self.table.ctypes.data)

@kernel
def sizes(box: Box) -> tuple[int, int, int, int, int, int]:
    return (
        box.count, box.ints.size, box.longs.size, box.flags.size, box.floats.size, box.words.size
    )

@kernel
def change(box: Box, to: int) -> float:
    box.ints[0] = -to
    box.longs[1] = to << 40
    box.flags[2] = 1
    box.words[0] |= np.uint64(1) << np.uint64(63)
    box.floats[:] = to / 4
    return box.floats.sum()

def box(count: int, floats: int) -> Box:
    return Box(
        count,
        np.zeros(1, dtype=np.int32),
        np.zeros(2, dtype=np.int64),
        np.zeros(3, dtype=np.uint8),
        np.zeros(floats),
        np.zeros(5, dtype=np.uint64),
    )

one, other = box(-7, 4), box(2**40, 0)
print(*sizes(one), *sizes(other))
print(change(one, 6), one.ints[0], one.longs[1], one.flags[2], one.words[0], one.floats[3])
print(other.ints[0], other.words[0])
"""


def room(folder: Path, **modules: str) -> Path:
    """Write a package `rooms` of these modules into `folder`; return the package's own folder."""
    package = folder / "rooms"
    package.mkdir(exist_ok=True)
    (package / "__init__.py").touch()
    for name, text in modules.items():
        (package / f"{name}.py").write_text(text)
    return package


def run(folder: Path, module: str, **environment: str) -> str:
    """Import a module of `rooms` in a process of its own and return what it prints."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA_")}
    kept |= {"PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)]), **environment}
    command = [sys.executable, "-B", "-c", f"import rooms.{module}"]
    done = subprocess.run(command, env=kept, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def kept_in(folder: Path) -> list[str]:
    """Return the folders of kernels below `folder` that hold some."""
    return sorted({str(path.parent) for path in folder.rglob("kernels-*/**/*.nbc")})


def test_what_a_kernel_calls_is_compiled_anew_where_only_that_has_changed(tmp_path):
    cache = tmp_path / "kept"
    package = room(tmp_path, inner=INNER.format(times=2), outer=OUTER)
    before = run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))
    first = kept_in(cache)
    # The same length and moment: nothing but the text tells the two sources apart.
    written = (package / "inner.py").stat()
    room(tmp_path, inner=INNER.format(times=3))
    os.utime(package / "inner.py", ns=(written.st_atime_ns, written.st_mtime_ns))

    after = run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))

    assert (before, after) == ("41\n", "61\n")
    assert set(first) < set(kept_in(cache))


def test_what_is_kept_is_used_by_the_next_process(tmp_path):
    cache = tmp_path / "kept"
    room(tmp_path, inner=INNER.format(times=2), outer=OUTER)
    run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))
    files = {path: path.stat().st_mtime_ns for path in cache.rglob("*.nb?")}

    again = run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))

    assert again == "41\n"
    assert files
    assert {path: path.stat().st_mtime_ns for path in cache.rglob("*.nb?")} == files


def test_kernels_of_other_sources_go_a_day_after_they_were_last_begun_with(tmp_path):
    cache = tmp_path / "kept"
    hour = 60 * 60
    ages = {"kernels-" + 16 * "a": 25, "kernels-" + 16 * "b": 23, "kernels-mine": 25, "other": 25}
    for name, hours in ages.items():
        (cache / name).mkdir(parents=True)
        (cache / name / "file").touch()
        os.utime(cache / name, (time.time() - hours * hour,) * 2)
    room(tmp_path, inner=INNER.format(times=2), outer=OUTER)

    run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))

    left = {path.name for path in cache.iterdir() if path.name in ages}
    assert left == set(ages) - {"kernels-" + 16 * "a"}


def test_a_process_that_finds_its_kernels_removes_none_and_says_that_they_are_used(tmp_path):
    cache = tmp_path / "kept"
    room(tmp_path, inner=INNER.format(times=2), outer=OUTER)
    run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))
    old = time.time() - 48 * 60 * 60
    for kept in cache.iterdir():
        os.utime(kept, (old, old))
    (cache / ("kernels-" + 16 * "a")).mkdir()
    os.utime(cache / ("kernels-" + 16 * "a"), (old, old))

    run(tmp_path, "outer", NUMBA_CACHE_DIR=str(cache))

    ages = {path.name: time.time() - path.stat().st_mtime for path in cache.iterdir()}
    assert ages.pop("kernels-" + 16 * "a") > 24 * 60 * 60
    assert all(age < 60 * 60 for age in ages.values())


def test_without_a_folder_named_kernels_are_kept_beside_their_sources(tmp_path):
    package = room(tmp_path, inner=INNER.format(times=2), outer=OUTER)

    run(tmp_path, "outer", HOME=str(tmp_path / "home"))

    assert kept_in(package / "__pycache__")
    assert not kept_in(tmp_path / "home")


def test_where_the_folder_of_the_sources_takes_nothing_kernels_are_kept_at_home(tmp_path):
    package = room(tmp_path, inner=INNER.format(times=2), outer=OUTER)
    # A file where the folder would be stands for a read-only one, which stops no root.
    (package / "__pycache__").touch()

    printed = run(tmp_path, "outer", HOME=str(tmp_path / "home"))

    assert printed == "41\n"
    assert kept_in(tmp_path / "home" / ".cache" / "girtline")


def test_where_no_folder_takes_anything_kernels_are_compiled_all_the_same(tmp_path):
    package = room(tmp_path, inner=INNER.format(times=2), outer=OUTER)
    (package / "__pycache__").touch()
    (tmp_path / "no home").touch()

    assert run(tmp_path, "outer", HOME=str(tmp_path / "no home")) == "41\n"


def test_kernels_read_and_change_the_arrays_of_what_they_take_by_pointer(tmp_path):
    room(tmp_path, pointer=POINTER)
    cache = str(tmp_path / "kept")

    fresh = run(tmp_path, "pointer", NUMBA_CACHE_DIR=cache)

    assert fresh.splitlines() == [
        f"-7 1 2 3 4 5 {2**40} 1 2 3 0 5",
        f"6.0 -6 {6 << 40} 1 {2**63} 1.5",
        "0 0",
    ]
    assert run(tmp_path, "pointer", NUMBA_CACHE_DIR=cache) == fresh
