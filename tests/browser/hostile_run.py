"""A run whose texts want to be markup, scripts, links, commands of a terminal, or longer than anything."""

from __future__ import annotations

from pathlib import Path

import stored_runs

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import Check
from orchestrator.core.record.run import Environment, PlannedTrial

#: What would set it, were it run.
OWNED = "window.owned = true"
SCRIPT = f"<script>{OWNED}</script>"
#: Ends a script that holds data, and begins one of its own (https://html.spec.whatwg.org/#restrictions-for-contents-of-script-elements).
ENDED = f"</script><script>{OWNED}</script><!--<script>"
IMAGE = f'"><img src=x onerror="{OWNED}">'
LINK = f"javascript:{OWNED}"
TEMPLATE = "{{ 7 * 7 }}{% raw %}${7*7}"
#: Clears a terminal, sets its title, and writes a link into it (ECMA-48; OSC 8 is a convention of terminals).
TERMINAL = "\x1b[2J\x1b]0;owned\x07\x1b]8;;https://attacker.example\x1b\\here\x1b]8;;\x1b\\"
#: U+202E, U+2066, U+2069 of https://www.unicode.org/reports/tr9/, which show what follows in another order.
REORDERED = "bookings\u202egnp.exe\u2066\u2069"
LONG = "n" * 10_000
ALL = (SCRIPT, ENDED, IMAGE, LINK, TEMPLATE, TERMINAL, REORDERED, LONG)

TITLE = f"{ENDED}{IMAGE}{REORDERED}{TERMINAL}"
#: Names that no plan allows; a folder that came from elsewhere may hold them all the same.
SHAPES = ("<b>one</b>", "two'\"&")


def hostile_run(root: Path) -> str:
    """A run of four trials, of which one failed; returns its id."""
    planned = [
        PlannedTrial(id=f"{number:04}-t{number}-b{block}", number=number, block=block, shape=shape,
                     workload="book<i>ings", threads=1)
        for number, (block, shape) in enumerate(((b, s) for b in (1, 2) for s in SHAPES), start=1)
    ]  # fmt: skip
    plan = stored_runs.PLAN | {
        "title": TITLE,
        "guest": IMAGE,
        "shapes": [{"name": name, "vcpus": vcpus, "memory": 2**30} for vcpus, name in enumerate(SHAPES, start=1)],
        "workloads": [{"name": "book<i>ings", "command": [SCRIPT], "threads": [1], "reader": {"pattern": ENDED}}],
    }
    facts = {"title": TITLE, "guest": IMAGE, "guest_kind": SCRIPT, "hypervisor": LINK, "plan": plan}
    record = stored_runs.run_record(**facts, trials=tuple(planned), versions={"trialbed": ENDED, LINK: IMAGE})
    inputs = {"plan.yaml": "\n".join(ALL).encode(), "lab.yaml": ENDED.encode(), "load/run.sh": IMAGE.encode()}
    writer = FolderStore(root).create(record, inputs)
    writer.append(stored_runs.event("run-started"))
    writer.keep_environment(Environment(host=_facts(), guest=_facts()))
    for trial in planned:
        writer.append(stored_runs.event("trial-started", trial.id))
        said = ALL[trial.number]
        checks = tuple(Check(name=text, state="flag", detail=text) for text in ALL)
        summary = stored_runs.summary(1 + (trial.shape == SHAPES[1])).model_copy(
            update={"checks": checks, "reason": said}
        )
        if trial.number < len(planned):
            kept = stored_runs.trial_record(summary=summary, reason=said, seen_inside={LINK: ENDED})
        else:
            kept = stored_runs.failed_record(reason=TITLE)
        kept = kept.model_copy(update=trial.model_dump())
        writer.keep_trial(kept, stored_runs.trial_data("\n".join(ALL)))
        writer.append(stored_runs.event("trial-ended", trial.id))
    writer.append(stored_runs.event("restored"))
    writer.append(stored_runs.event("run-ended"))
    writer.seal()
    return writer.id


def _facts() -> dict[str, str | None]:
    names = ("cpu_model", "kernel", "kernel_command_line", "os", "machine", "clock_source", "mitigations", "load")
    return dict(zip(names, ALL, strict=True))
