"""What becomes of a plan when work, waits and weather vary: thousands of runs of one policy."""
