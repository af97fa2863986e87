"""Sequential blocks: after whole blocks the evidence is looked at, and ends the run where it decides.

Which trials are run follows from plan, seed and journal alone: a look sees whole blocks only, after numbers of blocks
that the plan fixes beforehand (:func:`~orchestrator.core.verdict.inference.sequential.looks`), and gives the same
answer whenever it is repeated from the stored trials.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from orchestrator.core.design.blocks import UntilDecided
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import ORDER_RULE, Trial
from orchestrator.core.record.journal import Look
from orchestrator.core.record.run import RunRecord, planned
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.evidence import from_run
from orchestrator.core.verdict.inference.sequential import looks
from orchestrator.core.verdict.rule import rule_of
from orchestrator.core.verdict.stopping import enough_blocks


def looks_of(plan: Plan) -> tuple[int, ...]:
    """After how many blocks the evidence is looked at; never, where the plan fixes their number."""
    limits = plan.design.blocks
    return looks(limits.at_least, limits.at_most) if isinstance(limits, UntilDecided) else ()


class Blocks:
    """The blocks of a run, and what the last look at them found.

    Args:
        plan: the run's.
        trials: all of them, in their order.
        done: trials that are finished already, by id: where they make up whole blocks, these are judged again.

    Attributes:
        look: the last look; ``None`` before the first, and where the plan fixes the number of blocks.
    """

    def __init__(self, plan: Plan, trials: Sequence[Trial], done: Mapping[str, TrialRecord]) -> None:
        self._plan, self._trials = plan, trials
        self._looks = looks_of(plan)
        # Records are for looks alone: where there are none, a long run must not gather them.
        self._records = {name: _evidence(record) for name, record in done.items()} if self._looks else {}
        self._unended = dict.fromkeys(range(1, plan.design.most_blocks + 1), 0)
        for trial in trials:
            self._unended[trial.block] += trial.id not in done
        self.look: Look | None = None
        if taken := [blocks for blocks in self._looks if blocks <= self._whole()]:
            self.look = self._judge(taken[-1])

    @property
    def enough(self) -> bool:
        """Whether no further block is needed."""
        return self.look is not None and self.look.enough

    def after(self, record: TrialRecord) -> Look | None:
        """Take in a trial that ended.

        Returns:
            What a look at the evidence found, where the trial completed the blocks of a look that was not taken yet.
        """
        if not self._looks:
            return None
        self._records[record.id] = _evidence(record)
        self._unended[record.block] -= 1
        due = [blocks for blocks in self._looks if blocks <= self._whole()]
        # The block of this trial need not be the last one: a trial of an early block that was lost is run once more.
        if not due or (self.look is not None and due[-1] <= self.look.blocks):
            return None
        self.look = self._judge(due[-1])
        return self.look

    def _whole(self) -> int:
        """Blocks from the first on that are complete."""
        return next((block - 1 for block, left in self._unended.items() if left), len(self._unended))

    def _judge(self, blocks: int) -> Look:
        seen = [record for record in self._records.values() if record.block <= blocks]
        record = _asked(self._plan, [trial for trial in self._trials if trial.block <= blocks])
        evidence, rule = from_run(record, seen), rule_of(record)
        found = enough_blocks(evidence, rule, self._looks)
        return Look(blocks, self._looks[-1], found.enough, found.decided, found.why)


def _evidence(record: TrialRecord) -> TrialRecord:
    """A record without what no look at the evidence asks for, since it is held until the run ends."""
    return record.model_copy(
        update={"clocks": (), "seen_inside": {}, "workload_sha256": {}, "files": {}, "launched_monotonic_s": None}
    )


def _asked(plan: Plan, trials: Sequence[Trial]) -> RunRecord:
    """The plan and some of its trials, in the form in which evidence is drawn from a stored run."""
    return RunRecord(
        id="",
        title=plan.title,
        started_utc="",
        guest=plan.guest,
        guest_kind="",
        hypervisor="",
        order_rule=ORDER_RULE,
        seed=plan.design.seed,
        plan=plan.model_dump(mode="json"),
        trials=planned(trials),
        versions={},
        inputs_sha256={},
    )
