"""A guest that is reshaped, started and stopped many times leaves nothing behind."""

from __future__ import annotations

import pytest
from vm_sandbox import BOOKINGS, BOOTS_WITHIN_S, Sandbox

from orchestrator.core.design.shape import Shape
from orchestrator.sandbox.ports import is_free

pytestmark = pytest.mark.vm

CYCLES = 20
#: These are shut down in order once they have booted; the others are switched off as they begin to boot.
IN_ORDER = {0, 19}


def shape(cycle: int) -> Shape:
    """A size unlike the one before."""
    vcpus = 1 + cycle % 2
    declared = {"name": f"cycle-{cycle}", "vcpus": vcpus, "memory": f"{192 + cycle} MiB", "pin": [cycle % 2]}
    return Shape.model_validate(declared | ({"topology": {"threads": 2}} if vcpus == 2 else {}))


def test_twenty_cycles_leave_nothing_behind(sandbox: Sandbox) -> None:
    hypervisor = sandbox.driver(BOOKINGS)
    before, port = sandbox.definition(BOOKINGS), sandbox.port(BOOKINGS)
    console = sandbox.folder / f"console/{BOOKINGS}.log"
    files, processes, said = set[str](), sandbox.processes(), 0
    saved = hypervisor.save()
    try:
        for cycle in range(CYCLES):
            hypervisor.reshape(shape(cycle), saved)
            hypervisor.start()
            assert sandbox.processes() > processes
            if cycle in IN_ORDER:
                sandbox.log_in(BOOKINGS).close()
                hypervisor.stop(BOOTS_WITHIN_S)
            else:
                hypervisor.stop(0)
            assert sandbox.processes() == processes
            if cycle == 0:
                files, said = sandbox.files(), console.stat().st_size
        hypervisor.restore(saved)
    finally:
        hypervisor.close()
    assert sandbox.definition(BOOKINGS) == before
    assert sandbox.files() == files
    assert console.stat().st_size <= said
    assert is_free(port)
