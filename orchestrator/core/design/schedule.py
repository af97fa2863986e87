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
        least_s: every trial settles at once and is precise at once, and the first look at the blocks decides.
        most_s: every trial uses all the time its warm-up and measuring are given, every switch is slow, all blocks are
            needed, and a quiet host is waited for in vain each time.
    """

    least_s: Seconds
    most_s: Seconds


def estimate(plan: Plan, trials: Sequence[Trial], switch: Switch) -> Estimate:
    """Bounds for the time that ``trials`` of ``plan`` take, which begin where the run stands."""
    one = of_one(plan, switch)
    return Estimate(one.least_s * len(surely(plan, trials)), one.most_s * len(trials))


def of_one(plan: Plan, switch: Switch) -> Estimate:
    """Bounds for the time that a single trial of ``plan`` takes."""
    rules, quiet = plan.measure, plan.quiet.wait if plan.quiet is not None else 0.0
    return Estimate(
        least_s=rules.warm_up.at_least + rules.steady.at_least + switch.least_s,
        most_s=rules.warm_up.at_most + rules.steady.at_most + switch.most_s + quiet,
    )


def surely(plan: Plan, trials: Sequence[Trial]) -> Sequence[Trial]:
    """Those of the outstanding ``trials`` that have to be run before the evidence could end the run."""
    if not trials:
        return trials
    last = max(plan.design.least_blocks, trials[0].block)
    return [trial for trial in trials if trial.block <= last]
