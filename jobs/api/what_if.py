"""The crews' report of a plan, and what one change would do."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from contractor.problems import Refused
from contractor.trade.errors import Fault
from crews.selectors import NoFirm
from jobs.api.base import OwnersView, refused
from jobs.api.explain_shapes import PlanCrewsShape, QuestionShape, WhatIfShape
from jobs.api.kept import kept
from jobs.api.plans import move_json, plan_or_404
from jobs.api.queries import LARGEST_ID
from jobs.api.shapes import answers
from jobs.api.take_off import ShortJson
from jobs.models import Delivery, Plan
from jobs.selectors.crew_report import Reason, crews_of_plan
from jobs.selectors.stored_plan import stored_plan
from jobs.services.planning import TooFarAheadError
from jobs.services.what_if import Answer, ask
from jobs.services.what_if_questions import (
    DeliveryOn,
    MorePeople,
    NoDaysOff,
    Question,
    ShorterNotice,
    WhatIfRefused,
    WithoutPromise,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from rest_framework.request import Request

    from jobs.selectors.crew_report import CrewOfPlan

QUESTIONS: Mapping[str, type[Any]] = {
    "MORE_PEOPLE": MorePeople,
    "DELIVERY_ON": DeliveryOn,
    "WITHOUT_PROMISE": WithoutPromise,
    "NO_DAYS_OFF": NoDaysOff,
    "SHORTER_NOTICE": ShorterNotice,
}
REMEDIES: Mapping[str, str] = {
    "crew": "Enter a crew's name, as /api/v1/crews/ lists it.",
    "job": "Enter a job's number, as /api/v1/jobs/ lists it.",
    "item": f"Enter one of {', '.join(Delivery.Item.values)}.",
    "day": "Enter year, month and day, like 2026-06-01.",
    "authority": "Enter an authority's name.",
}
LONGEST_TEXT = 80


class PlanCrews(OwnersView):
    """What a plan asks of each crew."""

    @extend_schema(responses=answers(PlanCrewsShape, 404), operation_id="plans_crews")
    @kept
    def get(self, request: Request, plan_id: int) -> Response:
        """Show each crew's load, its idle hours and why, and the days late that go back to it."""
        plan = plan_or_404(plan_id)
        found = crews_of_plan(stored_plan(plan))
        body = {
            "plan": plan.pk,
            "days_late": found.days_late,
            "crews": [_crew(row) for row in found.crews],
            "late_jobs": [
                {
                    "job": row.job.number,
                    "days_late": row.days_late,
                    "reasons": list(_amounts(row.reasons, "days")),
                }
                for row in found.late_jobs
            ],
            "reasons": list(_amounts(found.reasons, "days")),
        }
        return Response(PlanCrewsShape(body).data)


class WhatIfAnswer(OwnersView):
    """What one change would do to the open work, without entering it."""

    stores_nothing = True
    parser_classes = [ShortJson]

    @extend_schema(
        request=QuestionShape, responses=answers(WhatIfShape, 413, 415), operation_id="what_if"
    )
    def post(self, request: Request) -> Response:
        """Plan the open work as it is and with one change, and compare the two."""
        question, plan = question_from(request.data)
        try:
            answer = ask(question, now=timezone.now(), plan=plan)
        except WhatIfRefused as refusal:
            raise Refused([refusal.fault]) from refusal
        except (TooFarAheadError, NoFirm) as reason:
            remedy = "Mend that in the office pages, then ask again."
            raise refused("question", question.words(), str(reason), remedy) from reason
        return Response(WhatIfShape(_answer(answer)).data)


def question_from(body: object) -> tuple[Question, Plan | None]:
    """
    Return the question that a JSON body asks, and the plan to start from if it names one.

    Raises
    ------
    contractor.problems.Refused
        With every unknown, missing or wrong field.
    """
    if not isinstance(body, dict):
        raise refused(
            "(body)",
            body,
            "this is not an object",
            'Send an object like {"question": "MORE_PEOPLE", "crew": "Alder crew"}.',
        )
    code = body.get("question")
    if not isinstance(code, str) or code not in QUESTIONS:
        message = "this is not one of the choices" if "question" in body else "this is missing"
        raise refused("question", code, message, f"Enter one of {', '.join(QUESTIONS)}.")
    asked = QUESTIONS[code]
    needed = asked.__dataclass_fields__
    faults: list[Fault] = []
    for name in body.keys() - {"question", "plan", *needed}:
        remedy = f"Leave it out; {code} takes {', '.join(needed)}."
        faults.append(Fault(name, body[name], "there is no such field here", remedy))
    given = {name: _value(name, body, faults) for name in needed}
    plan = _starting_plan(body, faults)
    if faults:
        raise Refused(faults)
    question: Question = asked(**given)
    return question, plan


def _value(name: str, body: Mapping[str, Any], faults: list[Fault]) -> object:
    """Return one field's value; a missing or wrong one is added to the faults."""
    value = body.get(name)
    if name == "day" and isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            faults.append(Fault(name, value, "this is not a day", REMEDIES[name]))
            return None
    if name != "day" and isinstance(value, str) and 0 < len(value) <= LONGEST_TEXT:
        return value
    message = "this is missing" if name not in body else "this is not a text of that kind"
    faults.append(Fault(name, value, message, REMEDIES[name]))
    return None


def _starting_plan(body: Mapping[str, Any], faults: list[Fault]) -> Plan | None:
    if "plan" not in body:
        return None
    number = body["plan"]
    is_id = isinstance(number, int) and not isinstance(number, bool) and 0 < number <= LARGEST_ID
    plan = Plan.objects.filter(pk=number).first() if is_id else None
    if plan is None:
        remedy = "Enter the id of a plan that /api/v1/plans/ lists, or leave it out."
        faults.append(Fault("plan", number, "there is no such plan", remedy))
    return plan


def _crew(row: CrewOfPlan) -> dict[str, Any]:
    return {
        "crew": row.crew.name,
        "working_hours": row.working_hours,
        "booked_hours": row.booked_hours,
        "idle_hours": row.idle_hours,
        "driving_hours": row.driving_hours,
        "days_late": round(row.days_late, 2),
        "weeks": row.weeks,
        "idle": list(_amounts(row.idle, "hours")),
        "late": [{"job": job.number, "days": round(days, 2)} for job, days in row.late],
    }


def _amounts(rows: Iterable[tuple[Reason, float]], unit: str) -> Iterator[dict[str, Any]]:
    for reason, amount in rows:
        yield {
            "kind": reason.kind,
            "who": reason.who,
            "label": reason.label,
            unit: round(amount, 2),
        }


def _answer(answer: Answer) -> dict[str, Any]:
    return {
        "question": answer.question,
        "plan": answer.plan.pk if answer.plan else None,
        "found_as_is": answer.found_before,
        "found_with_change": answer.found_after,
        "old_days_late": answer.days_late_before,
        "new_days_late": answer.days_late_after,
        "old_unplanned": answer.without_dates_before,
        "new_unplanned": answer.without_dates_after,
        "jobs": [
            {
                "job": row.job.number,
                "promised": row.promised_on,
                "old_finish": row.finish_before_on,
                "new_finish": row.finish_after_on,
                "old_days_late": row.days_late_before,
                "new_days_late": row.days_late_after,
                "promise": row.promise,
            }
            for row in answer.jobs
        ],
        "crews": [
            {
                "crew": row.crew,
                "old_crew_days": round(row.days_before, 2),
                "new_crew_days": round(row.days_after, 2),
            }
            for row in answer.crews
        ],
        "moved": [move_json(move) for move in answer.bookings.moved],
        "same": len(answer.bookings.same),
    }
