"""How long a plan takes: an estimate that does not promise what it cannot know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import Trial
from orchestrator.units import Seconds


@dataclass(frozen=True)
class Switch:
    """Seconds that a trial takes beside warm-up and measuring: reshape, boot, log in, deploy, shut down.

    Attributes:
        least_s: on a quiet host.
        most_s: on a slow one. A trial that fails may take longer, up to the limits of its stages.
    """

    least_s: Seconds
    most_s: Seconds


#: Common practice, no published source: a small guest takes seconds on a quiet host, a few minutes on a slow one.
USUAL_SWITCH = Switch(2.0, 180.0)


@dataclass(frozen=True)
class Estimate:
    """Bounds for the time that trials take.

    Attributes:
        least_s: every trial settles at once and is precise at once.
        most_s: every trial uses all the time its warm-up and measuring are given, and every switch is slow.
    """

    least_s: Seconds
    most_s: Seconds


def estimate(plan: Plan, trials: Sequence[Trial], switch: Switch) -> Estimate:
    """Bounds for the time that ``trials`` of ``plan`` take."""
    rules = plan.measure
    least = rules.warm_up.at_least + rules.steady.at_least + switch.least_s
    most = rules.warm_up.at_most + rules.steady.at_most + switch.most_s
    return Estimate(least * len(trials), most * len(trials))
