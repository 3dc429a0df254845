"""
Fetching and storing weather: an honest source replayed by a local HTTP server, and others.

The documents are written by hand as the US National Weather Service's API writes them
(from memory).
"""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from contractor import settings as service_settings
from contractor.trade.weather_days import DaySummary
from inspections.models import WeatherHour
from inspections.selectors.weather import weather_at
from inspections.services import weather
from inspections.services.public_web import _is_public
from inspections.services.weather_sources import (
    DaysFile,
    HoursTold,
    NwsForecast,
    SourceError,
    _read,
)
from jobs import tasks
from jobs.models import TaskRequest
from tests.factories import WeatherAreaFactory
from tests.nws import gridpoint, hourly, layer
from tests.processes import PATIENCE_SECONDS
from tests.service.portfolio import ZONE

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 10, 20, tzinfo=UTC)
FIRST = datetime(2026, 6, 1, 6, tzinfo=UTC)
GEO_JSON = "application/geo+json"
Answer = Callable[[BaseHTTPRequestHandler], None]


@pytest.fixture(autouse=True)
def own_network(settings: Any) -> None:
    """Let sources be on this computer, as those of the tests are."""
    settings.WEATHER_PRIVATE_HOSTS = ["127.0.0.1"]


@contextmanager
def serving(answer: Answer) -> Iterator[str]:
    """Run an HTTP server that answers every GET in one way; give its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            try:
                answer(self)
            except (BrokenPipeError, ConnectionResetError):
                self.close_connection = True

        def log_message(self, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/gridpoints/ZZZ/10,20"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def with_body(body: bytes, *, status: int = 200, kind: str = GEO_JSON) -> Answer:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        handler.send_header("Content-Type", kind)
        handler.end_headers()
        handler.wfile.write(body)

    return answer


def with_document(document: object) -> Answer:
    return with_body(json.dumps(document).encode())


def fetched(url: str, *, now: datetime = NOW, **limits: float) -> HoursTold:
    return NwsForecast(url, "Girtline test", **limits).tell(now=now)


@pytest.fixture
def known():
    """An area that has had a good forecast already."""
    area = WeatherAreaFactory()
    with serving(with_document(gridpoint(FIRST))) as url:
        area.forecast_url = url
        area.save()
        assert weather.refresh(area=area, now=NOW) == ""
    return area


@pytest.mark.parametrize("document", [gridpoint(FIRST), hourly(FIRST)])
def test_an_honest_source_is_stored_by_the_hour(document):
    area = WeatherAreaFactory()
    with serving(with_document(document)) as url:
        area.forecast_url = url
        area.save()
        assert weather.refresh(area=area, now=NOW) == ""

    area.refresh_from_db()
    assert (area.last_good_at, area.last_tried_at, area.last_error) == (NOW, NOW, "")
    noon = WeatherHour.objects.get(area=area, starts_at=datetime(2026, 6, 1, 16, tzinfo=UTC))
    assert (noon.source, noon.temp_degf, noon.made_at) == ("FORECAST", pytest.approx(59), FIRST)


def test_the_source_is_told_who_asks():
    seen = []

    def answer(handler: BaseHTTPRequestHandler) -> None:
        seen.append(handler.headers["User-Agent"])
        with_document(gridpoint(FIRST))(handler)

    with serving(answer) as url:
        fetched(url)

    assert seen == ["Girtline test"]


def broken_off(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Type", GEO_JSON)
    handler.send_header("Content-Length", "5000")
    handler.end_headers()
    handler.wfile.write(b'{"properties": {')
    handler.close_connection = True


def silent(handler: BaseHTTPRequestHandler) -> None:
    time.sleep(2)


def dripping(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Type", GEO_JSON)
    handler.end_headers()
    for _ in range(100):
        handler.wfile.write(b" ")
        handler.wfile.flush()
        time.sleep(0.02)


def endless(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.send_header("Content-Type", GEO_JSON)
    handler.end_headers()
    for _ in range(200):
        handler.wfile.write(b" " * 65_536)


def no_http(handler: BaseHTTPRequestHandler) -> None:
    handler.wfile.write(b"\x00\x01 not a web server\r\n\r\n")
    handler.close_connection = True


def leading_to(address: str) -> Answer:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(302)
        handler.send_header("Location", address)
        handler.end_headers()

    return answer


LIES = {
    "an error": (with_body(b"{}", status=503), "answers 503"),
    "not found": (with_body(b"{}", status=404), "answers 404"),
    "a page": (with_body(b"<html>", kind="text/html"), "text/html and not JSON"),
    "nothing": (with_body(b""), "not JSON"),
    "half a document": (with_body(b'{"properties": {"temp'), "not JSON"),
    "too deep": (with_body(b"[" * 200_000), "not JSON"),
    "other bytes": (with_body(b"\xff\xfe\x00"), "not JSON"),
    "empty": (with_document({"properties": {}}), "cannot be used"),
    "no hours": (with_document(gridpoint(FIRST, hours=1)), "fewer than 12 hours"),
    "yesterday's": (
        with_document(gridpoint(FIRST - timedelta(days=5), hours=240)),
        "out of date",
    ),
    "too hot": (
        with_document(gridpoint(FIRST, temperature=layer("wmoUnit:degC", [(FIRST, 72, 71.0)]))),
        "temp_degf 159.8",
    ),
    "a hurricane of 900": (
        with_document(gridpoint(FIRST, windSpeed=layer("wmoUnit:km_h-1", [(FIRST, 72, 900)]))),
        "wind_mph 559",
    ),
    "negative rain": (
        with_document(
            gridpoint(FIRST, quantitativePrecipitation=layer("wmoUnit:mm", [(FIRST, 6, -1)]))
        ),
        "rain_in",
    ),
    "broken off": (broken_off, "not JSON|broke off"),
    "silent": (silent, "broke off|cannot be reached"),
    "dripping": (dripping, "too long|not JSON"),
    "endless": (endless, "longer than 6 MB"),
    "no HTTP": (no_http, "broke off"),
    "a redirect to a file": (leading_to("file:///etc/hostname"), "answers 302"),
    "a redirect to other than the web": (leading_to("ftp://127.0.0.1/a.json"), "unknown url type"),
    "a redirect to itself": (leading_to("10,20"), "answers 302"),
}
# Only these are given up by the clock; the others have all the time that a busy computer takes.
LIMITS = {"silent": {"connect_seconds": 0.3}, "dripping": {"most_seconds": 0.6}}
PATIENT = {"connect_seconds": PATIENCE_SECONDS, "most_seconds": PATIENCE_SECONDS}


@pytest.mark.either_database  # refused before a row is written
@pytest.mark.parametrize("lie", LIES)
def test_a_source_that_fails_or_lies_is_told_and_nothing_known_is_lost(known, lie):
    answer, says = LIES[lie]
    before = list(WeatherHour.objects.order_by("id").values())
    later = NOW + timedelta(hours=1)

    with serving(answer) as url:
        source = NwsForecast(url, "Girtline test", **PATIENT | LIMITS.get(lie, {}))
        error = weather.refresh(area=known, now=later, source=source)

    known.refresh_from_db()
    assert list(WeatherHour.objects.order_by("id").values()) == before
    assert any(words in error for words in says.split("|")), error
    assert (known.last_error, known.last_tried_at, known.last_good_at) == (error, later, NOW)


class Drop:
    """An answer of which a byte comes at each asking, without an end."""

    def read1(self, _most: int) -> bytes:
        return b" "


def test_a_source_whose_time_is_over_is_asked_no_more():
    with pytest.raises(SourceError, match="takes too long"):
        _read(Drop(), ends_at=time.monotonic())


def test_a_source_that_nobody_answers_for_is_told(known):
    with serving(with_body(b"")) as url:
        closed = url

    assert "cannot be reached" in weather.refresh(
        area=known, now=NOW, source=NwsForecast(closed, "Girtline test")
    )


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "[::ffff:127.0.0.1]"])
@pytest.mark.parametrize("scheme", ["http", "https"])
def test_no_address_leads_into_our_own_network(known, settings, host, scheme):
    """Source: OWASP ASVS 4.0.3, 5.2.6 (forgery of requests by the server), from memory."""
    settings.WEATHER_PRIVATE_HOSTS = []
    asked = []

    with serving(asked.append) as url:
        inside = url.replace("http://127.0.0.1", f"{scheme}://{host}")
        error = weather.refresh(area=known, now=NOW, source=NwsForecast(inside, "Girtline test"))

    assert "not on the public internet" in error
    assert asked == []


def test_only_the_embedded_default_asks_the_computer_it_runs_on():
    assert bool(service_settings.WEATHER_PRIVATE_HOSTS) == (connection.vendor == "sqlite")


@pytest.mark.parametrize(
    "address", ["10.0.0.1", "172.16.0.1", "192.168.1.1", "169.254.169.254", "fd00::1", "0.0.0.0"]
)
def test_networks_that_are_nobodys_public_ones_are_told_apart(address):
    """Source: IANA's registries of special-purpose addresses (RFC 6890)."""
    assert not _is_public(address)
    assert _is_public("8.8.8.8")
    assert _is_public("2001:4860:4860::8888")


def test_a_redirect_leads_into_our_own_network_as_little(known, settings):
    settings.WEATHER_PRIVATE_HOSTS = ["localhost"]
    asked = []

    with serving(asked.append) as inside, serving(leading_to(inside)) as url:
        public = url.replace("127.0.0.1", "localhost")
        error = weather.refresh(area=known, now=NOW, source=NwsForecast(public, "Girtline test"))

    assert "not on the public internet" in error
    assert asked == []


def test_a_good_forecast_clears_the_error_before(known):
    with serving(with_body(b"", status=500)) as url:
        weather.refresh(area=known, now=NOW, source=NwsForecast(url, "Girtline test"))
    with serving(with_document(gridpoint(FIRST))) as url:
        weather.refresh(area=known, now=NOW, source=NwsForecast(url, "Girtline test"))

    known.refresh_from_db()
    assert known.last_error == ""


def test_a_new_forecast_replaces_what_is_to_come_and_keeps_what_has_been(known):
    first = FIRST + timedelta(hours=24)
    cold = gridpoint(first, temperature=layer("wmoUnit:degC", [(first, 72, 0.0)]))
    with serving(with_document(cold)) as url:
        later = NOW + timedelta(hours=24)
        weather.refresh(area=known, now=later, source=NwsForecast(url, "Girtline test"))

    hour = NOW.replace(minute=0)
    hours = WeatherHour.objects.filter(starts_at__in=(hour, hour + timedelta(hours=24)))
    temps = list(hours.order_by("starts_at").values_list("temp_degf", flat=True))
    assert temps == [pytest.approx(59), pytest.approx(32)]


def test_an_older_forecast_does_not_replace_a_newer_one(known):
    old = gridpoint(FIRST - timedelta(hours=6), hours=96)
    with serving(with_document(old)) as url:
        weather.refresh(area=known, now=NOW, source=NwsForecast(url, "Girtline test"))

    assert set(WeatherHour.objects.values_list("made_at", flat=True)) == {FIRST}


def test_the_same_forecast_twice_is_stored_once(known):
    count = WeatherHour.objects.count()
    with serving(with_document(gridpoint(FIRST))) as url:
        weather.refresh(area=known, now=NOW, source=NwsForecast(url, "Girtline test"))

    assert WeatherHour.objects.count() == count


def test_hours_of_a_season_ago_are_dropped(known):
    WeatherHour.objects.create(
        area=known, source="MEASURED", starts_at=NOW - timedelta(days=91), made_at=NOW
    )

    weather.enter_day(
        area=known,
        day=date(2026, 6, 2),
        summary=DaySummary(low_degf=50, high_degf=70, wind_mph=5),
        now=NOW,
    )

    assert not WeatherHour.objects.filter(source="MEASURED").exists()


def test_a_day_by_hand_counts_before_the_forecast_and_can_be_taken_back(known):
    storm = DaySummary(low_degf=50, high_degf=60, wind_mph=40, gust_mph=55, rain_in=1.2)
    day = date(2026, 6, 2)

    weather.enter_day(area=known, day=day, summary=storm, now=NOW)

    by_hand = weather_at(NOW).areas[0].hours_of(day)
    assert {hour.wind_mph for hour in by_hand if hour} == {40}
    assert sum(hour.rain_in for hour in by_hand if hour) == pytest.approx(1.2)
    assert weather.forget_day(area=known, day=day, now=NOW) == 24
    assert weather_at(NOW).areas[0].hours_of(day)[12].wind_mph < 10


def test_a_day_by_hand_twice_is_the_last_one(known):
    for wind in (10.0, 30.0):
        weather.enter_day(
            area=known,
            day=date(2026, 6, 2),
            summary=DaySummary(low_degf=50, high_degf=60, wind_mph=wind),
            now=NOW,
        )

    assert WeatherHour.objects.filter(source="BY_HAND").count() == 24


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25)])
def test_days_when_clocks_change_have_their_own_number_of_hours(day, hours):
    area = WeatherAreaFactory()

    count = weather.enter_day(
        area=area,
        day=day,
        summary=DaySummary(low_degf=30, high_degf=40, wind_mph=5),
        now=datetime(day.year, day.month, day.day, tzinfo=UTC),
    )

    assert count == hours


HEAD = "day,low_degf,high_degf,wind_mph,gust_mph,rain_in,thunder\n"


def test_a_file_of_days_is_stored_as_its_own_source(known):
    text = HEAD + "2026-06-02,50,70,12,,0.2,no\n2026-06-03,52,75,8,20,,yes\n"

    told = DaysFile(text, ZONE).tell(now=NOW)
    weather.store(area=known, source=WeatherHour.Source.CSV, told=told, now=NOW)

    assert WeatherHour.objects.filter(source="CSV").count() == 48
    assert weather_at(NOW).areas[0].hours_of(date(2026, 6, 3))[10].thunder


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1: no column day"),
        ("day,low_degf\n2026-06-02,50\n", "no column high_degf, wind_mph"),
        (HEAD, "no days"),
        (HEAD + "soon,50,70,12,,,\n", "line 2: Invalid isoformat"),
        (HEAD + "2026-06-02,fifty,70,12,,,\n", "line 2: low_degf 'fifty' is not a number"),
        (HEAD + "2026-06-02,50,,12,,,\n", "line 2: high_degf is empty"),
        (HEAD + "2026-06-02,50,70,12,,,maybe\n", "write yes or no"),
        (HEAD + "2026-06-02,50,70,12,,,\n2026-06-02,50,70,12,,,\n", "line 3: 2026-06-02 is there"),
        (HEAD + "2026-06-02,50,170,12,,,\n", "line 2: temp_degf 170"),
    ],
)
def test_a_file_that_cannot_be_used_says_where(text, says):
    with pytest.raises(SourceError, match=says):
        DaysFile(text, ZONE).tell(now=NOW)


def test_beat_fetches_only_areas_with_an_address(monkeypatch):
    WeatherAreaFactory(is_default=False)
    area = WeatherAreaFactory(forecast_url="http://127.0.0.1:9/none")
    sent = []
    monkeypatch.setattr(tasks.refresh_area_weather, "delay", lambda **kwargs: sent.append(kwargs))

    tasks.refresh_weather()

    assert sent == [{"area_id": area.pk}]


def test_a_task_for_an_area_that_is_gone_does_nothing():
    tasks.refresh_area_weather(area_id=12345)


@pytest.mark.parametrize(("kmh", "asks"), [(8.0, 0), (60.0, 1)])
def test_a_forecast_that_stops_other_days_asks_to_compare_with_the_plan(kmh, asks):
    now = timezone.now()
    first = now.replace(minute=0, second=0, microsecond=0)
    area = WeatherAreaFactory()
    for hours, wind in ((2, 8.0), (1, kmh)):
        made = gridpoint(
            first,
            hours=190,
            windSpeed=layer("wmoUnit:km_h-1", [(first, 190, wind)]),
            updateTime=(first - timedelta(hours=hours)).isoformat(),
        )
        with serving(with_document(made)) as url:
            area.forecast_url = url
            area.save()
            tasks.refresh_area_weather(area_id=area.pk)

    assert TaskRequest.objects.filter(kind=TaskRequest.Kind.SLIPS).count() == asks


def test_a_task_keeps_what_went_wrong():
    with serving(with_body(b"", status=500)) as url:
        area = WeatherAreaFactory(forecast_url=url)
        tasks.refresh_area_weather(area_id=area.pk)

    area.refresh_from_db()
    assert "500" in area.last_error
