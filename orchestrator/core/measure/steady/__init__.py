"""Where the steady state of a series begins, and how to tell that there is none."""
