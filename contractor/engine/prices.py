"""What the parts of a plan's cost are worth against each other."""

# Prices of one unit each. The gaps make the order of importance, the sizes are our own choice.
# A day that a site stands open (holes cave in, a locate ticket runs out, a crew drives out once
# more) costs as much as four days of waiting for the finish, so a job rather begins later than
# stands half done. Eight weeks of it still cost far less than one day of a broken promise.
PRICE_UNPLANNED = 1_000_000.0
PRICE_BROKEN_PIN = 100_000.0
PRICE_FROZEN_MOVE = 20_000.0
PRICE_LATE_DAY = 1_000.0
PRICE_CREW_CHANGE = 100.0
PRICE_EXTRA_CREW = 30.0
PRICE_MOVED_DAY = 20.0
PRICE_OVERLONG_DAY = 10.0
PRICE_OPEN_DAY = 4.0
PRICE_FINISH_DAY = 1.0
FROZEN_TOLERANCE_SLOTS = 16
"""A start inside the freeze that moves by less than these four hours is as good as kept.

A plan made a little later in the day cannot keep every quarter hour, and would be ruled by which
of them it loses; our own choice.
"""
