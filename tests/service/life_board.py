"""What is moved on the booking board in the life of a small firm."""

from datetime import datetime, timedelta

from hypothesis import strategies as st
from hypothesis.stateful import rule

from jobs.models import BoardMove, Phase, Plan
from jobs.services import moves, pinning
from jobs.services.moves import MoveRefused, MoveStale
from tests.service.life_firm import ANY, Firm, everything, pick
from tests.service.portfolio import MONDAY


class Board(Firm):
    """Rules of the board: moves tried, accepted and undone, and pins."""

    @rule(
        which=ANY,
        kind=st.sampled_from(
            ("move", "move", "free", "split", "ahead", "join", "swap", "lend", "aside", "block")
        ),
        crew=st.sampled_from((None, 0, 1)),
        days=st.integers(0, 20),
        accept=st.booleans(),
    )
    def move(self, which: int, kind: str, crew: int | None, days: int, accept: bool) -> None:
        made = self.a_move(which, kind, crew, days)
        if made is None or not Plan.objects.filter(status__in=("DRAFT", "PUBLISHED")).exists():
            return
        before = everything()
        refusals = (MoveRefused, MoveStale)
        answer = self.refusable(lambda: moves.try_move(move=made, now=self.now), *refusals)
        assert everything() == before, "trying leaves a trace"
        if answer is None or not accept:
            return
        self.by_hand = True
        done = moves.accept_move(
            move=made, now=self.now, seen=answer.version, shown=answer.digest, by=self.office
        )
        self.fresh(done.request.base)

    def a_move(self, which: int, kind: str, crew: int | None, days: int) -> moves.Move | None:
        phase = pick(Phase.objects.exclude(status__in=("DROPPED", "DONE")), which)
        first, second = (row.pk for row in self.crews)
        if crew:
            first, second = second, first
        day = self.day(days)
        assert day is not None
        if kind in ("move", "free", "split", "ahead", "join") and phase is None:
            return None
        if kind == "move":
            return moves.MovePhase(phase.pk, None if crew is None else first, day=day)
        if kind == "free":
            return moves.FreePhase(phase.pk)
        if kind == "split":
            return moves.SplitPhase(phase.pk, self.now + timedelta(days=days, hours=1))
        if kind == "ahead":
            return moves.SplitAhead(phase.pk, 0.6, None if crew is None else first, day=day)
        if kind == "join":
            return moves.JoinParts(phase.pk)
        if kind == "swap":
            return moves.SwapCrews(first, second, day, day + timedelta(days=3))
        if kind == "lend":
            return moves.LendPeople(first, second, day, day + timedelta(days=2))
        if kind == "block":
            crew_id = None if crew is None else first
            return moves.BlockDays(day, day + timedelta(days=1), "A wedding", crew_id)
        begins = datetime.combine(day, MONDAY.time(), MONDAY.tzinfo) + timedelta(hours=2)
        return moves.SetTimeAside(first, "SHOP", begins, begins + timedelta(hours=6))

    @rule(which=ANY)
    def undo_a_move(self, which: int) -> None:
        row = pick(BoardMove.objects.all(), which)
        if row is not None:
            self.by_hand = True
            done = self.refusable(
                lambda: moves.undo_move(move_id=row.pk, now=self.now, by=self.office), MoveRefused
            )
            self.fresh(done and done.request.base)

    @rule(which=ANY, crew=st.sampled_from((None, 0, 1)), hours=st.integers(1, 400))
    def pin(self, which: int, crew: int | None, hours: int) -> None:
        phase = pick(Phase.objects.exclude(status="DROPPED"), which)
        if phase is None:
            return
        self.by_hand = True
        made = self.refusable(
            lambda: pinning.pin(
                phase_id=phase.pk,
                crew_id=None if crew is None else self.crews[crew].pk,
                starts_at=self.now + timedelta(hours=hours),
                now=self.now,
                by=self.office,
            ),
            pinning.PinRefused,
        )
        self.fresh(made and made.base)

    @rule(which=ANY)
    def unpin(self, which: int) -> None:
        phase = pick(Phase.objects.filter(pinned_start_at__isnull=False), which)
        if phase is not None:
            self.by_hand = True
            pinning.unpin(phase_id=phase.pk, now=self.now, by=self.office)
