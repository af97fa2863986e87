"""The verbs around a repetition: how far its original was measured, and the statement on the two."""

from __future__ import annotations

from orchestrator.core.record.run import StoredRun
from orchestrator.core.verdict.between_runs.repetition import in_same_set_up, repetition
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.engine.judge import verdict_of


def fixed_blocks(original: StoredRun) -> int | None:
    """How many blocks a repetition measures; ``None`` where the plan of the original says so itself.

    The original looked at the evidence and ended by it. A repetition that looked as well would end elsewhere, so it
    measures the whole blocks that were measured then.
    """
    if not original.record.declared.until_decided:
        return None
    if original.look is not None and original.look.enough:
        return original.look.blocks
    ended = {trial.id for trial in original.trials}
    whole = 0
    for block in sorted({trial.block for trial in original.record.trials}):
        if any(trial.id not in ended for trial in original.record.trials if trial.block == block):
            break
        whole = block
    return max(whole, 1)


def stated(compared: RunsCompared, base: StoredRun, new: StoredRun) -> RunsCompared:
    """A comparison with the statement, where the new run repeats the base; else as it is."""
    repeats = new.record.repeats
    if repeats is None or repeats.run != base.record.id or compared.base != (base.record.id,):
        return compared
    said = repetition(
        compared,
        verdict_of(base, per=compared.per),
        verdict_of(new, per=compared.per),
        same_set_up=in_same_set_up(compared.surroundings),
    )
    return compared.model_copy(update={"repetition": said})
