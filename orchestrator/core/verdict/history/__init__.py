"""A cell through many runs: where its level changed, and whether by a step or a drift."""
