"""Hours of weather for tests."""

from datetime import date, datetime, time, timedelta
from typing import Any

from inspections.models import WeatherArea, WeatherHour
from tests.service.portfolio import MONDAY, ZONE

CALM = {"temp_degf": 65.0, "wind_mph": 5.0, "gust_mph": 8.0, "rain_in": 0.0}


def tell(
    area: WeatherArea,
    day: date,
    *,
    days: int = 1,
    source: str = WeatherHour.Source.FORECAST,
    **changes: Any,
) -> None:
    """Store all hours of some days: calm, but for the columns that are given."""
    for n in range(days):
        for hour in range(24):
            at = datetime.combine(day + timedelta(days=n), time(hour), tzinfo=ZONE)
            WeatherHour.objects.update_or_create(
                area=area,
                starts_at=at,
                source=source,
                defaults={**CALM, "made_at": MONDAY, **changes},
            )
