"""Blocks one after the other until the product says that they suffice, as a run with ``until: decided`` does."""

from __future__ import annotations

from dataclasses import replace

from experiments import Experiment

from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.sequential import looks
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.stopping import enough_blocks
from orchestrator.core.verdict.verdict import Verdict, verdict


def until_decided(experiment: Experiment, rule: Rule, at_least: int, at_most: int) -> tuple[Experiment, Verdict]:
    """What had been measured when the product stopped, and what it then said."""
    planned = looks(at_least, at_most)
    looked = replace(rule, looks=planned)
    seen = experiment
    for blocks in planned:
        seen = experiment.first(blocks)
        if enough_blocks(Evidence(seen.observations), looked, planned).enough:
            break
    return seen, verdict(Evidence(seen.observations), looked)
