"""What becomes of people, machines and the days they work, in the life of a small firm."""

from datetime import timedelta

from hypothesis import strategies as st
from hypothesis.stateful import rule

from crews.models import Crew, DayOff, Equipment, WorkHours
from jobs.models import LentPeople, SetAside
from tests.service.life_firm import ANY, Firm, pick

WEEKS = (
    {"friday": "07:00-15:30", "saturday": ""},
    {"friday": "", "saturday": "07:00-12:00"},
    {"friday": "07:00-11:30, 12:00-15:30", "saturday": ""},
)


class People(Firm):
    """Rules of crews, machines and days off, as the office's pages write them."""

    @rule(which=ANY, what=st.sampled_from(("more", "fewer", "gone", "back", "slow", "no steel")))
    def a_crew_changes(self, which: int, what: str) -> None:
        crew = pick(Crew.objects.all(), which)
        if what in ("more", "fewer"):
            self.change(crew, size=crew.size + (1 if what == "more" else -1))
        elif what in ("gone", "back"):
            self.change(crew, is_active=what == "back")
        elif what == "slow":
            self.change(crew, pace=0.7 if crew.pace == 1 else 1.0)
        else:
            some = [skill for skill in Crew.Skill.values if skill != "STEEL"]
            self.change(crew, skills=list(Crew.Skill.values) if crew.skills == some else some)

    @rule(which=ANY, week=st.sampled_from(WEEKS))
    def a_crew_has_another_week(self, which: int, week: dict[str, str]) -> None:
        self.change(pick(WorkHours.objects.all(), which), **week)

    @rule(
        whose=st.sampled_from(("everyone", "crew", "crew", "machine")),
        which=ANY,
        days=st.integers(0, 30),
        length=st.sampled_from((1, 2, 9)),
    )
    def days_off_are_given(self, whose: str, which: int, days: int, length: int) -> None:
        first = self.now.date() + timedelta(days=days)
        row = DayOff(first_day=first, last_day=first + timedelta(days=length - 1), reason="Away")
        row.crew = pick(Crew.objects.all(), which) if whose == "crew" else None
        row.equipment = pick(Equipment.objects.all(), which) if whose == "machine" else None
        self.change(row)

    @rule(which=ANY, what=st.sampled_from((DayOff, LentPeople, SetAside)))
    def days_are_taken_back(
        self, which: int, what: type[DayOff] | type[LentPeople] | type[SetAside]
    ) -> None:
        row = pick(what._default_manager.all(), which)
        if row is not None:
            row.delete()

    @rule(which=ANY)
    def a_machine_breaks_or_is_back(self, which: int) -> None:
        machine = pick(Equipment.objects.all(), which)
        self.change(machine, is_active=not machine.is_active)
