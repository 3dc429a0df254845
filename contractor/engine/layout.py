"""The arrays that a problem is laid out in for the compiled passes.

Where rows have different lengths they stand one behind the other in one array, with a second
array `x_first` of where each begins: the row of i is `x[x_first[i] : x_first[i + 1]]`. NONE stands
for an index or a slot that is not there.
"""

from dataclasses import dataclass

from contractor.engine.compiled import Flags, Floats, Ints, Longs, PointerTable, by_pointer

UNDER_WAY, PINNED, FROZEN, LEADS_TO_FIXED, OPEN = range(5)
"""Who is placed first. What must precede a fixed activity comes before what need not."""

NONE = -1


@by_pointer
@dataclass(frozen=True, eq=False)
class Layout(PointerTable):
    """Arrays by activity unless the name says otherwise; slots and work in slots of the axis.

    `told_…` is what was announced, `wanted_…` what a pin, the freeze or work under way asks for.
    `may_wait`: its job may begin later than it could, as nothing of it was told and it has not
    begun. `coverage[job * resources + resource]` is the work of the job that the crew can do, each
    activity counted by its least mode. `before` and `slot_of` hold the tables of all calendars, and
    then of the base calendars of resources: `before[row * (axis_slots + 1) + t]`, and
    `slot_of[slot_first[row] + n]` for n below `total[row]`; `base[resource]` names the row.
    A group is a set of jobs that links hold together; most are one job.
    """

    size: int
    jobs: int
    resources: int
    axis_slots: int
    now: int
    change_crew_slots: int
    float_slots: int
    visit_pause_slots: int
    longest_pause_slots: int
    earliest: Ints
    rank: Ints
    job: Ints
    may_wait: Flags
    has_pin: Flags
    wanted_start: Ints
    wanted_crew: Ints
    told_start: Ints
    told_crew: Ints
    told_weight: Floats
    told_frozen: Flags
    window_set: Ints
    window_first: Ints
    window_opens: Ints
    window_closes: Ints
    leader_first: Ints
    leader: Ints
    leader_start_to_start: Flags
    leader_wait: Ints
    leader_longest: Ints
    leader_link: Ints
    follower_first: Ints
    follower: Ints
    topological: Ints
    mode_first: Ints
    mode_crew: Ints
    mode_work: Ints
    mode_calendar: Ints
    mode_pauses: Flags
    use_first: Ints
    use_resource: Ints
    use_units: Ints
    before: Ints
    slot_first: Longs
    slot_of: Ints
    total: Ints
    pause_first: Ints
    pause: Ints
    cut_off: Ints
    wait_table: Ints
    capacity: Ints
    base: Ints
    blocked_first: Ints
    blocked_begins: Ints
    blocked_ends: Ints
    due: Ints
    weight: Floats
    visit_price: Floats
    preferred_crew: Ints
    begun: Flags
    member_first: Ints
    member: Ints
    coverage: Ints
    group_first: Ints
    group_member: Ints
    group_job_first: Ints
    group_job: Ints
    group_of_job: Ints
