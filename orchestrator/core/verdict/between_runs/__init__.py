"""Runs set against each other: which cells belong together, how each changed, and what else is not the same."""
