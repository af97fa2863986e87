"""Estimates on logarithms, their scatter, and the error rates of many comparisons and many looks."""
