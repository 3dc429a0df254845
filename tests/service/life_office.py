"""What the office does in the life of a small firm: sell, plan, publish, decide."""

from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from hypothesis import strategies as st
from hypothesis.stateful import rule

from contractor.trade.building import Building
from contractor.trade.errors import SpecError
from contractor.trade.kinds import Foundation, Use
from inspections.models import LocateTicket
from inspections.services import site
from jobs.models import Booking, Delivery, DeliveryReport, Job, Plan, PlanRequest, ReplanProposal
from jobs.services import deliveries, planning, proposals, publishing, publishing_part, slips
from jobs.services.deliveries import DeliveryRefused
from jobs.services.proposals import AlreadyDecided
from jobs.services.publishing import PublishRefused
from jobs.services.signing import Contract, next_number, sign
from tests.service import life_checks
from tests.service.life_firm import ANY, Firm, everything, pick

MOST_JOBS = 4
BUYERS = ("Ada Quill", "Ben Tarrow", "Cleo Marsh", "Dov Harrick")


class Office(Firm):
    """Rules of the office, at its desk."""

    # --- selling and what comes before the crew -------------------------------------------------

    @rule(
        foundation=st.sampled_from(list(Foundation)),
        width=st.sampled_from((24, 30, 40)),
        permit_days=st.sampled_from((0, 0, 0, 9)),
        is_exempt=st.sampled_from((False, False, True)),
        promised_in=st.sampled_from((None, 20, 45, 90)),
        not_before=st.sampled_from((None, None, 12)),
        drive_minutes=st.sampled_from((0, 20, 75)),
    )
    def sell(
        self,
        foundation: Foundation,
        width: int,
        permit_days: int,
        is_exempt: bool,
        promised_in: int | None,
        not_before: int | None,
        drive_minutes: int,
    ) -> None:
        sold = Job.objects.count()
        if sold >= MOST_JOBS:
            return
        contract = Contract(
            number=next_number(now=self.now),
            buyer_name=BUYERS[sold],
            site_address=f"{sold + 1}2 Fence Row Road",
            site_town="Millbrook Corner",
            site_county="Harrow County",
            site_state="OH",
            contract_value_usd=Decimal(48500),
            authority=self.authority,
            is_exempt=is_exempt,
            permit_days=permit_days,
            drive_minutes=drive_minutes,
            promised_on=self.day(promised_in),
            earliest_start_on=self.day(not_before),
        )
        slab = 4 if foundation is Foundation.SLAB_BRACKET else 0
        building = Building(
            use=Use.SHOP,
            width_ft=width,
            length_ft=40,
            eave_ft=10,
            foundation=foundation,
            slab_in=slab,
        )
        self.refusable(
            lambda: sign(building=building, contract=contract, now=self.now, by=self.office),
            SpecError,
        )

    @rule(which=ANY, life=st.sampled_from((6, 14, 30)))
    def call_the_locate_ticket(self, which: int, life: int) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is not None:
            number = f"T-{LocateTicket.objects.count():06d}"
            dig_from, expires_on = self.day(3), self.day(3 + life)
            assert dig_from is not None
            assert expires_on is not None
            LocateTicket.objects.create(
                job=job,
                number=number,
                called_on=self.day(0) or dig_from,
                dig_from=dig_from,
                expires_on=expires_on,
            )

    @rule(
        which=ANY,
        says=st.sampled_from(("arrive", "arrive", "short", "promise", "confirm", "undo")),
        days=st.integers(0, 30),
    )
    def supplier_says(self, which: int, says: str, days: int) -> None:
        if says == "undo":
            report = pick(DeliveryReport.objects.all(), which)
            if report is not None:
                self.refusable(
                    lambda: deliveries.undo(report_id=report.pk, now=self.now), DeliveryRefused
                )
            return
        row = pick(Delivery.objects.all(), which)
        if row is None:
            return
        told: dict[str, Any] = {"delivery_id": row.pk, "now": self.now, "by": self.office}
        if says == "confirm":
            self.refusable(lambda: deliveries.confirm(**told), DeliveryRefused)
        elif says == "promise":
            self.refusable(
                lambda: deliveries.promise(promised_on=self.day(days), **told),  # type: ignore[arg-type]
                DeliveryRefused,
                ValidationError,
            )
        else:
            shortage = "two are broken" if says == "short" else ""
            self.refusable(
                lambda: deliveries.arrive(
                    arrived_on=self.day(0) or date.max, shortage=shortage, **told
                ),
                DeliveryRefused,
                ValidationError,
            )

    @rule(which=ANY, fall=st.sampled_from((0.0, 1.4)), days=st.sampled_from((None, 5)))
    def shoot_the_grade(self, which: int, fall: float, days: int | None) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is None:
            return
        readings = {
            "FRONT_LEFT": 5.0,
            "FRONT_RIGHT": 5.0,
            "BACK_LEFT": 5.0 + fall,
            "BACK_RIGHT": 5.0,
        }
        site.record_shots(
            job=job,
            taken_on=self.day(0) or date.max,
            kind="ROD",
            readings_ft=readings,
            taken_by="Lead 1",
        )
        site.set_expectations(job=job, most_fall_in=None, expected_on=self.day(days))

    @rule(which=ANY, why=st.sampled_from(("", "graded by hand")))
    def release_the_site(self, which: int, why: str) -> None:
        job = pick(Job.objects.filter(status="SIGNED"), which)
        if job is not None:
            self.refusable(
                lambda: site.release(job=job, by=self.office, why=why, now=self.now),
                site.ReleaseRefused,
            )

    @rule(which=ANY)
    def take_the_release_back(self, which: int) -> None:
        job = pick(Job.objects.all(), which)
        if job is not None:
            site.take_back_release(job=job)

    # --- plans ----------------------------------------------------------------------------------

    @rule()
    def plan(self) -> None:
        self.fresh(planning.plan_now(now=self.now, budget_seconds=0))

    @rule()
    def plan_with_the_least_moves(self) -> None:
        made = planning.repair_now(reason="a step", now=self.now, by=self.office, budget_seconds=0)
        self.fresh(made.base)

    @rule()
    def worker_answers(self) -> None:
        wish = PlanRequest.objects.filter(status="QUEUED").order_by("id").first()
        if wish is None:
            return
        PlanRequest.objects.filter(status="QUEUED").update(budget_seconds=0)
        assert planning.claim(plan_request_id=wish.pk, now=self.now)
        newest = Plan.objects.order_by("-id").values_list("pk", flat=True).first() or 0
        made = planning.run_request(plan_request_id=wish.pk, now=self.now)
        if made.pk > newest and made.as_of == self.now:
            self.fresh(made)

    @rule()
    def publish(self) -> None:
        draft = Plan.objects.filter(status="DRAFT").first()
        if draft is not None and self.refusable(
            lambda: publishing.publish(plan_id=draft.pk, now=self.now, by=self.office),
            PublishRefused,
        ):
            self.look_at_the_calendars()

    @rule(which=ANY)
    def publish_a_part(self, which: int) -> None:
        draft, job = Plan.objects.filter(status="DRAFT").first(), pick(Job.objects.all(), which)
        if draft is not None and job is not None:
            self.refusable(
                lambda: publishing_part.publish_part(
                    plan_id=draft.pk, jobs=[job.pk], now=self.now, by=self.office
                ),
                PublishRefused,
            )

    @rule()
    def plan_and_publish(self) -> None:
        self.plan()
        self.publish()

    def look_at_the_calendars(self) -> None:
        """Each booking to come is in its crew's calendar; looking again changes nothing."""
        publishing.refresh_feeds(now=self.now)
        before = feeds()
        publishing.refresh_feeds(now=self.now)
        assert feeds() == before
        shown = {(row["crew_id"], row["source"]) for row in before if not row["is_dropped"]}
        for booking in Booking.objects.filter(is_live=True, crew__isnull=False):
            if booking.phase.status == "OPEN":
                assert (booking.crew_id, f"phase:{booking.phase_id}") in shown, booking.phase

    @rule()
    def compare_twice(self) -> None:
        slips.compare_published(now=self.now, trigger="a step")
        before = everything("jobs")
        again = slips.compare_published(now=self.now, trigger="a step")
        assert (*again.new, *again.grown, *again.ended) == ()
        assert everything("jobs") == before

    @rule()
    def propose(self) -> None:
        self.fresh(proposals.propose(reason="a step", now=self.now).plan)

    @rule(accept=st.booleans(), why=st.sampled_from(("", "not worth it")))
    def decide(self, accept: bool, why: str) -> None:
        row = ReplanProposal.objects.order_by("id").last()
        if row is None:
            return
        shown = proposals.current_plan(row)
        refusals = (AlreadyDecided, PublishRefused, ValueError)
        self.refusable(
            (
                lambda: proposals.accept(
                    proposal_id=row.pk, plan_id=shown.pk, now=self.now, by=self.office
                )
            )
            if accept
            else (lambda: proposals.drop(proposal_id=row.pk, reason=why, now=self.now)),
            *refusals,
        )


def feeds() -> list[dict[str, Any]]:
    """Return all events of all calendars."""
    return list(life_checks.FeedEvent.objects.order_by("pk").values())
