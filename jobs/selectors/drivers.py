"""What lateness can come from, as forecasts keep it: a kind of cause, and whose it is."""

from __future__ import annotations

from enum import StrEnum

from contractor.trade.phases import PHASE_TABLE, WaitKind


class Driver(StrEnum):
    """A kind of cause; the last five are those of forecasts made before causes had names."""

    PHASE = "PHASE"
    CREW = "CREW"
    MACHINE = "MACHINE"
    WAIT = "WAIT"
    SUPPLIER = "SUPPLIER"
    AUTHORITY = "AUTHORITY"
    WEATHER = "WEATHER"
    PEOPLE = "PEOPLE"
    PROMISE = "PROMISE"
    OTHERS = "OTHERS"
    WORK = "WORK"
    INSPECTIONS = "INSPECTIONS"
    DELIVERIES = "DELIVERIES"
    CURE = "CURE"
    OTHER_JOBS = "OTHER_JOBS"


WEATHER, PEOPLE = Driver.WEATHER.value, Driver.PEOPLE.value
PROMISE, OTHERS = Driver.PROMISE.value, Driver.OTHERS.value
_WORDS = {
    Driver.WEATHER: "weather",
    Driver.PEOPLE: "people absent",
    Driver.PROMISE: "a promise too short for the work",
    Driver.OTHERS: "nights, weekends, closings",
    Driver.WORK: "work",
    Driver.INSPECTIONS: "inspections",
    Driver.DELIVERIES: "deliveries",
    Driver.CURE: "cure",
    Driver.OTHER_JOBS: "other jobs",
}
_WAITS = {
    WaitKind.CURE.value: "cure",
    WaitKind.INSPECTION_NOTICE.value: "inspection notice",
    WaitKind.LOCATE.value: "locate ticket",
    WaitKind.DELIVERY.value: "delivery",
    WaitKind.PERMIT.value: "permit",
    "LAG": "a lag between phases",
}


def named(kind: Driver, name: str) -> str:
    """Return a cause as forecasts keep it: its kind, and a name where there is one."""
    return f"{kind.value}:{name}" if name else kind.value


def parts_of(cause: str) -> tuple[str, str]:
    """Return kind and name of a cause as kept; the name is empty where it has none."""
    kind, _, name = cause.partition(":")
    return kind, name


def words_of(cause: str) -> str:
    """Return a cause in words."""
    kind, name = parts_of(cause)
    if kind == Driver.PHASE and name in PHASE_TABLE:
        return f"{PHASE_TABLE[name].label.lower()} takes longer"
    if kind == Driver.CREW:
        return f"{name}, late on other jobs"
    if kind == Driver.MACHINE:
        return f"{name}, busy on other jobs"
    if kind == Driver.WAIT:
        return _WAITS.get(name, name.replace("_", " ").lower())
    if kind == Driver.SUPPLIER:
        return f"deliveries of {name}" if name else "a delivery"
    if kind == Driver.AUTHORITY:
        return f"visits of {name}"
    return _WORDS.get(Driver(kind), kind) if kind in Driver.__members__ else cause
