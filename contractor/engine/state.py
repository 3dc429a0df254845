"""A plan in the making: who does what when, and what that occupies. Kernels change it in place."""

from dataclasses import dataclass

from contractor.engine.compiled import Flags, Ints, Longs, PointerTable, Words, by_pointer

UNPLANNED = -1
"""The mode of an activity that has no place, and then its dates are 0."""
WINDOW = -2
"""Stands for the resource of what moved an activity last: it was the next window."""
PAUSE = -3
"""Stands there too: the work would have had to stop for a pause longer than it may have."""


@by_pointer
@dataclass(frozen=True, eq=False)
class State(PointerTable):
    """Arrays by activity unless the name says otherwise; NONE where there is nothing.

    `blocker_…`: the resource that moved the activity last, who held it, and until which slot.
    `held_for`: the follower toward which it was moved so that its job runs through. `held_by`: of
    an activity without a place, the leader that has none, or itself. `begins_by_job`: the slot
    before which no open work of the job begins, `not_before` that of one activity. `crew_choice`
    and `mode_choice`: who is to do it and how, where that is settled; a crew is used where it has
    a mode. `job_crews` has a row of
    `crew_width` for each job, of which `job_crew_count[job]` say who is on it, first comers first.
    `last_on_crew`: by resource, who begins there last. `left_of_job`: how much has no place yet.

    Of resource r the slots that count begin at `first_slot[r]`: `words` has a bit for each, r's
    from word `first_slot[r] // 64` on; `holder` says who has the slot of a resource of one unit;
    `load` counts the units taken of a resource of several. `done_work`
    counts down what is left of each job.
    """

    mode: Ints
    crew: Ints
    start: Ints
    finish: Ints
    blocker_resource: Ints
    blocker_holder: Ints
    blocker_slot: Ints
    held_for: Ints
    held_by: Ints
    pin_broken: Flags
    begins_by_job: Ints
    not_before: Ints
    crew_choice: Ints
    mode_choice: Ints
    crew_width: int
    job_crews: Ints
    job_crew_count: Ints
    last_on_crew: Ints
    left_of_job: Ints
    first_slot: Longs
    words: Words
    holder: Ints
    load: Ints
