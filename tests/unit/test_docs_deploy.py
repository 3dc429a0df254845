"""The files of docs/deploy fit each other and the programs that they start."""

import re
from configparser import ConfigParser
from pathlib import Path

import pytest
from celery.bin.beat import beat
from celery.bin.worker import worker
from click import Context
from django.core.management import load_command_class
from gunicorn.config import Config

from contractor import logs

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "docs/deploy"
UNITS = sorted(path.name for path in DEPLOY.glob("*.service"))
_READ = r'(?:env\.\w+|_unless_empty)\("([A-Z_]+)"'
SETTINGS = re.findall(_READ, (ROOT / "contractor/settings.py").read_text())
OF_PACKAGES = {"NUMBA_CACHE_DIR", "MPLCONFIGDIR"}
WRITTEN = ("VAR_DIR", "NUMBA_CACHE_DIR", "MPLCONFIGDIR")


def service(unit: str) -> dict[str, str]:
    """Return the lines of a unit's own section."""
    parser = ConfigParser(interpolation=None, strict=False)
    parser.optionxform = str  # type: ignore[assignment, method-assign]  # names have capitals
    parser.read(DEPLOY / unit)
    return dict(parser["Service"])


def environment() -> dict[str, str]:
    lines = (DEPLOY / "environment").read_text().splitlines()
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#"))


def arguments(unit: str) -> list[str]:
    """Return what a unit starts, from its program's name on."""
    program, *rest = service(unit)["ExecStart"].replace("${WEB_ADDRESS}", "127.0.0.1:1").split()
    return [program.rsplit("/", 1)[-1], *rest]


def test_every_name_of_the_environment_is_read_by_something() -> None:
    names = {name.removesuffix("_FILE") for name in environment()}

    assert names - set(SETTINGS) <= OF_PACKAGES


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_may_write_where_its_settings_say(unit: str) -> None:
    """Else all is compiled anew at each start: nothing outside of these folders can be kept."""
    told = service(unit)
    folders = told["ReadWritePaths"].split()

    assert told["ProtectSystem"] == "strict"
    for name in WRITTEN:
        assert any(Path(environment()[name]).is_relative_to(folder) for folder in folders), name


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_has_no_more_rights_than_it_needs(unit: str) -> None:
    told = service(unit)

    assert told["User"] == told["Group"] == "girtline"
    assert told["UMask"] == "0077"
    assert told["NoNewPrivileges"] == told["PrivateTmp"] == told["ProtectHome"] == "true"


def test_the_programs_take_what_the_units_give_them() -> None:
    web, *of_web = arguments("girtline-web.service")
    _, app, name, work, *of_worker = arguments("girtline-worker.service")
    *_, clock = arguments("girtline-beat.service")
    _, manage, command, *of_backup = arguments("girtline-backup.service")

    options = Config().parser().parse_args(of_web)
    parser = worker.make_parser(Context(worker))
    given, rest, _ = parser.parse_args(list(of_worker))
    backup = load_command_class("jobs", command).create_parser(manage, command)

    assert (web, options.args) == ("gunicorn", ["contractor.wsgi"])
    assert (app, name, work, clock) == ("--app", "contractor.celery", worker.name, beat.name)
    assert (given["concurrency"], rest) == ("2", [])
    assert backup.parse_args(of_backup).keep == 48


def servers() -> list[str]:
    """Return the blocks of nginx.conf in which it listens."""
    conf = (DEPLOY / "nginx.conf").read_text()
    return re.findall(r"^server \{\n(.*?)^\}", conf, re.MULTILINE | re.DOTALL)


def test_no_server_of_the_proxy_writes_a_key_to_a_log() -> None:
    """Lines of the error log name the address that was asked for, which nothing can shorten."""
    assert len(servers()) == 2
    for block in servers():
        assert re.search(r"^ +access_log \S+ without_keys;", block, re.MULTILINE)
        quiet = re.search(r"^ +error_log \S+ crit;", block, re.MULTILINE)
        assert "proxy_pass" not in block or quiet


def test_the_proxy_leaves_out_the_keys_that_our_own_log_leaves_out() -> None:
    conf = (DEPLOY / "nginx.conf").read_text()
    of_proxy = re.search(r"~\^\(\?<kept>/\(([^)]*)\)/\)", conf)
    ours = re.findall(r"/([a-z/]+)/", logs._KEY_IN_PATH.pattern)

    assert of_proxy is not None
    assert of_proxy[1].split("|") == ours


def test_the_proxy_packs_nothing_that_holds_a_key() -> None:
    """Source: BREACH (Gluck, Harris, Prado 2013, from memory): secrets, packed, show by length."""
    conf = (DEPLOY / "nginx.conf").read_text()
    places = re.findall(r"location ([^{]+) \{(.*?)\}", conf, re.DOTALL)

    assert [place for place, rules in places if "gzip on;" in rules] == ["~ ^/(static|api)/"]
    assert conf.count("gzip on;") == 1
