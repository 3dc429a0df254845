"""What heat and cold feel like to people at work: heat index and wind chill."""

import math

# Below these the wind chill is not defined: the air is warm, or the wind too light.
_CHILL_MOST_DEGF = 50.0
_CHILL_LEAST_MPH = 3.0


def heat_index_degf(*, temp_degf: float, humidity_percent: float) -> float:
    """
    Return the heat index in °F, for the shade; in full sun it can be 15 °F more.

    Source: the regression of Rothfusz, US National Weather Service technical attachment SR 90-23,
    with the two adjustments and the plain formula below 80 °F that the service uses (from memory).
    Raises ValueError for a humidity outside 0 to 100.
    """
    if not 0 <= humidity_percent <= 100:
        raise ValueError(f"humidity_percent {humidity_percent}: enter 0 to 100.")
    t, rh = temp_degf, humidity_percent
    plain = 0.5 * (t + 61.0 + (t - 68.0) * 1.2 + rh * 0.094)
    if (plain + t) / 2 < 80:
        return (plain + t) / 2
    index = (
        -42.379
        + 2.04901523 * t
        + 10.14333127 * rh
        - 0.22475541 * t * rh
        - 0.00683783 * t**2
        - 0.05481717 * rh**2
        + 0.00122874 * t**2 * rh
        + 0.00085282 * t * rh**2
        - 0.00000199 * t**2 * rh**2
    )
    if rh < 13 and 80 <= t <= 112:
        index -= (13 - rh) / 4 * math.sqrt((17 - abs(t - 95)) / 17)
    elif rh > 85 and 80 <= t <= 87:
        index += (rh - 85) / 10 * (87 - t) / 5
    return index


def wind_chill_degf(*, temp_degf: float, wind_mph: float) -> float:
    """
    Return the wind chill in °F; the air's own temperature above 50 °F or below 3 mph.

    Source: the index of the US National Weather Service and Environment Canada of 2001
    (from memory).
    """
    if temp_degf > _CHILL_MOST_DEGF or wind_mph < _CHILL_LEAST_MPH:
        return temp_degf
    wind: float = wind_mph**0.16
    return 35.74 + 0.6215 * temp_degf - 35.75 * wind + 0.4275 * temp_degf * wind
