"""Plan and lab files: YAML to checked values, with every problem of both files at once and at its place.

The way in is :func:`load` (two files) or :func:`load_texts` (the bytes that a stored run kept); :func:`load_lab` reads
a lab alone::

    read_bytes -> decode -> parse -> build (models) -> plan against lab -> Loaded, or InputError with all that is wrong
"""

from orchestrator.adapters.plan_file.check import DriverFacts
from orchestrator.adapters.plan_file.load import Loaded, load, load_lab, load_texts

__all__ = ["DriverFacts", "Loaded", "load", "load_lab", "load_texts"]
