"""The booking board: who is where when, moved by hand with the planner's help."""
