"""The "what if" page of a plan: why a booking is where it is, and what one change would do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django import forms
from django.db.models import Q

from crews.models import Crew
from crews.selectors import NoFirm
from inspections.models import Authority
from jobs.admin.plan_report import MoveRow, move_row
from jobs.admin.words import count, day, span, who
from jobs.models import Booking, Delivery, Job, Plan
from jobs.selectors.stored_plan import reasons, stored_plan
from jobs.services.planning import TooFarAheadError
from jobs.services.what_if import Answer, JobChange, ask
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
    from datetime import date, datetime

    from django.http import QueryDict

LARGEST_ID = 2**63 - 1
CHOOSE = "%(value)s is not in the list. Choose one that is."


class AwaitedChoice(forms.ModelChoiceField):
    """Deliveries that have not come, each with its job and the day it is promised for."""

    def label_from_instance(self, delivery: Delivery) -> str:
        """Return job, item and day."""
        return f"{delivery.job.number} {delivery.get_item_display()}, {day(delivery.promised_on)}"


class QuestionForm(forms.Form):
    """One question. It is asked by GET, as nothing is stored by it."""

    code = ""
    title = ""

    question = forms.CharField(widget=forms.HiddenInput)

    def __init__(self, params: QueryDict, *, at: Booking | None) -> None:
        is_asked = params.get("question") == self.code
        super().__init__(params if is_asked else None, auto_id=f"{self.code.lower()}_%s")
        self.initial["question"] = self.code
        if at is not None:
            self.initial.update(self.suggested(at))

    def suggested(self, at: Booking) -> dict[str, Any]:
        """Return what a booking suggests to ask for."""
        return {}

    def asked(self) -> Question:
        """Return the question that a valid form asks."""
        raise NotImplementedError


def _crew_field() -> forms.ModelChoiceField:
    return forms.ModelChoiceField(
        Crew.objects.filter(is_active=True).order_by("name"),
        to_field_name="name",
        empty_label=None,
        error_messages={"invalid_choice": CHOOSE},
    )


class MorePeopleForm(QuestionForm):
    """One more person on a crew."""

    code, title = "MORE_PEOPLE", "A crew has one more person"
    crew = _crew_field()

    def suggested(self, at: Booking) -> dict[str, Any]:
        """Return the booking's crew."""
        return {"crew": at.crew.name} if at.crew else {}

    def asked(self) -> Question:
        """Return the question."""
        return MorePeople(self.cleaned_data["crew"].name)


class NoDaysOffForm(QuestionForm):
    """A crew without days off."""

    code, title = "NO_DAYS_OFF", "A crew takes no days off of its own"
    crew = _crew_field()

    def suggested(self, at: Booking) -> dict[str, Any]:
        """Return the booking's crew."""
        return {"crew": at.crew.name} if at.crew else {}

    def asked(self) -> Question:
        """Return the question."""
        return NoDaysOff(self.cleaned_data["crew"].name)


class DeliveryForm(QuestionForm):
    """A delivery on another day."""

    code, title = "DELIVERY_ON", "A delivery comes on another day"
    delivery = AwaitedChoice(
        Delivery.objects.filter(Q(arrived_on=None) | ~Q(shortage=""), job__status=Job.Status.SIGNED)
        .select_related("job")
        .order_by("job__number", "item"),
        empty_label=None,
        error_messages={"invalid_choice": CHOOSE},
    )
    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))

    def suggested(self, at: Booking) -> dict[str, Any]:
        """Return the first delivery that the booking's job awaits."""
        awaited = self.fields["delivery"].queryset.filter(job=at.phase.job_id).first()
        return {"delivery": awaited.pk} if awaited else {}

    def asked(self) -> Question:
        """Return the question."""
        delivery = self.cleaned_data["delivery"]
        return DeliveryOn(delivery.job.number, delivery.item, self.cleaned_data["day"])


class WithoutPromiseForm(QuestionForm):
    """A job without a promise."""

    code, title = "WITHOUT_PROMISE", "A job's promise is dropped"
    job = forms.ModelChoiceField(
        Job.objects.filter(status=Job.Status.SIGNED, promised_on__isnull=False).order_by("number"),
        to_field_name="number",
        empty_label=None,
        error_messages={"invalid_choice": CHOOSE},
    )

    def suggested(self, at: Booking) -> dict[str, Any]:
        """Return the booking's job."""
        return {"job": at.phase.job.number}

    def asked(self) -> Question:
        """Return the question."""
        return WithoutPromise(self.cleaned_data["job"].number)


class ShorterNoticeForm(QuestionForm):
    """An authority that comes sooner."""

    code, title = "SHORTER_NOTICE", "An authority needs a day less notice"
    authority = forms.ModelChoiceField(
        Authority.objects.filter(Q(notice_working_days__gt=0) | Q(notice_hours__gt=0)).order_by(
            "name"
        ),
        to_field_name="name",
        empty_label=None,
        error_messages={"invalid_choice": CHOOSE},
    )

    def asked(self) -> Question:
        """Return the question."""
        return ShorterNotice(self.cleaned_data["authority"].name)


FORMS = (MorePeopleForm, DeliveryForm, WithoutPromiseForm, NoDaysOffForm, ShorterNoticeForm)


@dataclass(frozen=True, slots=True)
class ReasonRow:
    """A step of the reasons: the booking, when, who, why, and what stands behind a choice."""

    booking: Booking
    when: str
    who: str
    because: str
    behind: str


@dataclass(frozen=True, slots=True)
class JobRow:
    """A job's finish and promise as it is and with the change, in words."""

    job: Job
    promised: str
    before: str
    after: str
    promise_before: str
    promise_after: str
    is_late: bool


@dataclass(frozen=True, slots=True)
class AnswerPage:
    """An answer as the page shows it."""

    answer: Answer
    kept_again: int
    lost: int
    changed: list[JobRow]
    same: list[JobRow]
    moves: list[MoveRow]


def what_if_context(plan: Plan, params: QueryDict, *, now: datetime) -> dict[str, Any]:
    """Return what the page shows: the reasons of a booking, the questions, and the answer."""
    at = _booking(plan, params)
    shown = [form(params, at=at) for form in FORMS]
    return {
        "booking": at,
        "reasons": _reason_rows(plan, at) if at else [],
        "forms": shown,
        "page": next((_answered(form, plan, now) for form in shown if form.is_valid()), None),
        "is_refused": any(form.errors for form in shown),
    }


def _booking(plan: Plan, params: QueryDict) -> Booking | None:
    """Return the booking that the address names, or the one that ends the job it names."""
    rows = Booking.objects.filter(plan=plan).select_related("phase__job", "crew")
    number = params.get("booking", "")
    if number.isascii() and number.isdigit() and int(number) <= LARGEST_ID:
        return rows.filter(pk=int(number)).first()
    return rows.filter(phase__job__number=params.get("job_at", "")).order_by("-ends_at").first()


def _answered(form: QuestionForm, plan: Plan, now: datetime) -> AnswerPage | None:
    """Return the answer to a valid form; one that cannot be had is told at the form."""
    try:
        answer = ask(form.asked(), now=now, plan=plan)
    except WhatIfRefused as refusal:
        field = refusal.fault.field
        form.add_error(field if field in form.fields else None, str(refusal))
        return None
    except (TooFarAheadError, NoFirm) as reason:
        form.add_error(None, str(reason))
        return None
    rows = [(_job_row(job), _is_changed(job)) for job in answer.jobs]
    return AnswerPage(
        answer=answer,
        kept_again=sum(job.promise == "kept again" for job in answer.jobs),
        lost=sum(job.promise == "lost" for job in answer.jobs),
        changed=[row for row, is_changed in rows if is_changed],
        same=[row for row, is_changed in rows if not is_changed],
        moves=[move_row(move) for move in answer.bookings.moved],
    )


def _reason_rows(plan: Plan, booking: Booking) -> list[ReasonRow]:
    return [
        ReasonRow(
            booking=step.booking,
            when=span(step.booking.starts_at, step.booking.ends_at),
            who=who(step.booking),
            because=step.because.rstrip("."),
            behind=step.behind,
        )
        for step in reasons(stored_plan(plan), booking)
    ]


def _is_changed(job: JobChange) -> bool:
    return (job.finish_before_on, job.days_late_before) != (
        job.finish_after_on,
        job.days_late_after,
    )


def _job_row(job: JobChange) -> JobRow:
    return JobRow(
        job=job.job,
        promised=day(job.promised_on),
        before=day(job.finish_before_on),
        after=day(job.finish_after_on),
        promise_before=_standing(job.job.promised_on, job.finish_before_on, job.days_late_before),
        promise_after=_standing(job.promised_on, job.finish_after_on, job.days_late_after),
        is_late=job.days_late_after > 0,
    )


def _standing(promised_on: date | None, finish_on: date | None, days_late: int) -> str:
    if promised_on is None:
        return "no promise"
    if finish_on is None:
        return "no finish"
    return f"{count(days_late, 'day')} late" if days_late else "kept"
