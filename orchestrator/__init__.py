"""Measures how many vCPUs a virtual machine needs.

The flow: a plan and a lab become cells, and cells become ordered trials; for each trial the guest is reshaped, started,
verified from inside, loaded, warmed up, measured and stopped; samples become intervals, a steady window and a summary;
summaries become cell estimates, comparisons and a recommendation with its reasons; and whatever happens, the guest is
put back.

This module imports nothing, so that the command starts at once.
"""

__version__ = "0.1.0"
