"""What the grade shots of a site say, and whether the site is ready."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.errors import SpecError
from contractor.trade.site import ShotKind, ShotPlace, SiteGrade, site_grade
from crews.models import Firm
from inspections.models.site import SiteReadiness, SiteShot
from jobs.models import Phase
from jobs.selectors.buildings import building_of
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, datetime

    from jobs.models import Job


@dataclass(frozen=True, slots=True)
class SiteState:
    """
    A site by its latest set of shots.

    `grade` is None where the shots cannot be read together; `fault` then says why. `released_on`
    is the day on which the office let the site be as these shots show it.
    """

    taken_on: date
    taken_by: str
    most_fall_in: float
    grade: SiteGrade | None = None
    fault: str = ""
    released_on: date | None = None
    release_why: str = ""
    expected_on: date | None = None

    @property
    def falls_too_much(self) -> bool:
        """Return whether the ground falls more than the building allows."""
        return self.grade is not None and self.grade.fall_in > self.most_fall_in

    @property
    def is_ready(self) -> bool:
        """Return whether nothing that was shot speaks against building here."""
        return not self.falls_too_much or self.released_on is not None

    @property
    def text(self) -> str:
        """Return what the shots say, with the numbers; the same words as long as they are."""
        return f"site not ready: {self.measured}" if self.falls_too_much else self.measured

    @property
    def measured(self) -> str:
        """Return the same without the verdict, which every hold is headed by."""
        if self.grade is None:
            return self.fault
        return f"{self.grade.text}; this building takes {self.most_fall_in:g} in"


def site_state(job: Job, *, firm: Firm) -> SiteState | None:
    """
    Return what the shots of a job's site say; None where nobody has shot it.

    Its shots and readiness are read from the job, so load them with it.
    """
    return _state(
        job,
        list(job.site_shots.all()),
        getattr(job, "site_readiness", None),
        firm.site_most_fall_in,
    )


def site_of(job: Job) -> SiteState | None:
    """Return what the shots of one job's site say, by the limit of the firm there is."""
    return site_state(job, firm=Firm.objects.order_by("pk").first() or Firm())


def has_begun(phases: Iterable[Phase]) -> bool:
    """Return whether work on a job has begun: its ground is then as the crew has left it."""
    return any(phase.status in (Phase.Status.UNDER_WAY, Phase.Status.DONE) for phase in phases)


def open_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """Return the sites that are not ready, and those the office has released; three queries."""
    shots: dict[int, list[SiteShot]] = {}
    for shot in SiteShot.objects.filter(job__in=jobs).order_by("id"):
        shots.setdefault(shot.job_id, []).append(shot)
    if not shots:
        return []
    said = {row.job_id: row for row in SiteReadiness.objects.filter(job__in=jobs)}
    firm = Firm.objects.order_by("pk").first() or Firm()
    facts = []
    for job in jobs:
        state = _state(job, shots.get(job.pk, []), said.get(job.pk), firm.site_most_fall_in)
        phases = job.phases.all()
        first = next((phase for phase in phases if phase.status == Phase.Status.OPEN), None)
        if state is None or not state.falls_too_much or first is None or has_begun(phases):
            continue
        facts.append(
            HoldFact(
                job_id=job.pk,
                kind=HoldKind.SITE_NOT_READY,
                phase_code=first.code,
                what=state.measured,
                clears=Clears.BUYER,
                who=job.buyer_name,
                since=state.taken_on,
                expected_on=state.expected_on,
                cleared_on=state.released_on,
            )
        )
    return facts


def _state(
    job: Job, shots: Sequence[SiteShot], said: SiteReadiness | None, most_fall_in: float
) -> SiteState | None:
    if not shots:
        return None
    taken_on = max(shot.taken_on for shot in shots)
    latest = [shot for shot in shots if shot.taken_on == taken_on]
    grade, fault = _grade(job, latest)
    own = said.most_fall_in if said is not None else None
    released_on = _released_on(said, taken_on)
    return SiteState(
        taken_on=taken_on,
        taken_by=next((shot.taken_by for shot in latest if shot.taken_by), ""),
        most_fall_in=most_fall_in if own is None else own,
        grade=grade,
        fault=fault,
        released_on=released_on,
        release_why=said.release_why if said is not None and released_on else "",
        expected_on=said.expected_on if said is not None else None,
    )


def _released_on(said: SiteReadiness | None, taken_on: date) -> date | None:
    """Return the day of a release; one from before these shots says nothing of them."""
    if said is None or said.released_at is None:
        return None
    released_on = timezone.localdate(said.released_at)
    return released_on if released_on >= taken_on else None


def _grade(job: Job, shots: Sequence[SiteShot]) -> tuple[SiteGrade | None, str]:
    kinds = {ShotKind(shot.kind) for shot in shots}
    if len(kinds) > 1:
        return None, "rod readings and heights are mixed; enter all shots of one kind"
    try:
        building = building_of(job)
        grade = site_grade(
            {ShotPlace(shot.place): shot.reading_ft for shot in shots},
            kind=kinds.pop(),
            width_ft=building.width_ft,
            length_ft=building.length_ft,
            post_length_ft=building.post_length_ft,
            slab_in=building.slab_in,
        )
    except SpecError as error:
        return None, f"the building cannot be built as entered: {error.faults[0]}"
    except ValueError as error:
        return None, str(error)
    return grade, ""
