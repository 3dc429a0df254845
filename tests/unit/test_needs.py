"""The one rule for tests that need more than Python: skip at home, fail in CI."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import needs

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(autouse=True)
def nothing_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("DATABASE_URL", "REDIS_URL", "PATH"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(needs.shutil, "which", lambda name: None)


@pytest.mark.parametrize("marker", sorted(needs.NEEDS))
def test_a_missing_program_skips_at_home_with_what_to_do(
    marker: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(needs, "IS_CI", False)

    with pytest.raises(pytest.skip.Exception, match=r"needs \S+: (install|set) "):
        needs.NEEDS[marker]()


@pytest.mark.parametrize("marker", sorted(needs.NEEDS))
def test_a_missing_program_fails_in_ci(marker: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(needs, "IS_CI", True)

    with pytest.raises(pytest.fail.Exception, match="nothing may be skipped"):
        needs.NEEDS[marker]()


def test_sqlite_is_no_service(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(needs, "IS_CI", False)
    monkeypatch.setenv("DATABASE_URL", "sqlite:///here.sqlite3")

    with pytest.raises(pytest.skip.Exception, match="needs PostgreSQL"):
        needs.need_services()


def test_named_services_are_taken_at_their_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DATABASE_URL", "postgres://girtline@127.0.0.1/girtline")
    monkeypatch.setenv("REDIS_URL", "redis://127.0.0.1/0")

    needs.need_services()


@pytest.mark.parametrize(("ci", "expected"), [("true", 1), ("", 0)])
def test_any_skip_turns_a_run_red_in_ci_only(ci: str, expected: int, tmp_path: Path) -> None:
    (tmp_path / "test_two.py").write_text(
        "import pytest\n"
        "def test_one(): pass\n"
        "@pytest.mark.skip(reason='tired')\n"
        "def test_other(): pass\n"
    )
    (tmp_path / "pytest.ini").write_text("[pytest]\n")

    run = subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-p", "tests.needs"),
            *("-c", str(tmp_path / "pytest.ini"), str(tmp_path)),
        ],
        cwd=ROOT,
        env={**os.environ, "CI": ci, "PYTEST_ADDOPTS": "", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert run.returncode == expected, run.stdout + run.stderr
    assert "1 passed, 1 skipped" in run.stdout
