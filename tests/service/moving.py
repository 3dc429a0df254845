"""What tests of moves share: where work is, and a move that is accepted or refused."""

from datetime import date, datetime
from typing import Any

import pytest
from django.apps import apps

from jobs.models import Booking, Phase
from jobs.selectors.board_version import plan_at_hand
from jobs.services import moves
from jobs.services.moves import Move, MoveAnswer, MoveRefused
from tests.service.portfolio import MONDAY, ZONE


def phase(code: str, number: str = "26-001") -> Phase:
    return Phase.objects.get(job__number=number, code=code)


def booked(code: str, number: str = "26-001") -> Booking:
    """Return where the plan at hand has a phase."""
    plan = plan_at_hand()
    return Booking.objects.get(plan=plan, phase__code=code, phase__job__number=number)


def plan_at_hand_rows() -> list[Booking]:
    return list(Booking.objects.filter(plan=plan_at_hand()))


def at(day: date, hour: int = 7, minute: int = 30) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)


def day_of(moment: datetime) -> date:
    return moment.astimezone(ZONE).date()


def everything() -> dict[str, list[Any]]:
    """Return every row of the service's own tables."""
    return {
        model.__name__: list(model._default_manager.order_by("pk").values())
        for label in ("jobs", "crews", "inspections")
        for model in apps.get_app_config(label).get_models()
    }


def accept(move: Move, answer: MoveAnswer | None = None, **more: Any) -> moves.Accepted:
    shown = answer or moves.try_move(move=move, now=MONDAY)
    return moves.accept_move(move=move, now=MONDAY, seen=shown.version, shown=shown.digest, **more)


def refusal(move: Move, now: datetime = MONDAY) -> MoveRefused:
    with pytest.raises(MoveRefused) as refused:
        moves.try_move(move=move, now=now)
    return refused.value
