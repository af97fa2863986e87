"""Whether guests can use the CPU's own virtualisation here: believed only once a guest has booted with it."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from orchestrator.engine.ports import Clock
from orchestrator.sandbox.boot import Booted, Machine
from orchestrator.sandbox.images import Image
from orchestrator.units import Seconds

_DEVICE = Path("/dev/kvm")
#: With KVM a guest boots in a second or two.
_BOOTS_WITHIN_S = 20.0


def usable_kvm(
    image: Image,
    clock: Clock,
    *,
    user: tuple[int, int] | None = None,
    device: Path = _DEVICE,
    limit_s: Seconds = _BOOTS_WITHIN_S,
) -> tuple[bool, str]:
    """Boot a probe guest with KVM.

    Args:
        image: that it boots, without network; with keys in its root file system (:func:`~.images.personal`), since a
            guest whose login does not come up has not booted.
        clock: for the waits.
        user: uid and gid that guests will run as, where that is not this process's.
        device: the kernel's device.
        limit_s: a guest that has not booted by then does not.

    Returns:
        Whether KVM can be used, and the reason in words.
    """
    if not device.exists():
        return False, f"there is no {device} here"
    if user is None and not os.access(device, os.R_OK | os.W_OK):
        return False, f"this user may not open {device} (it belongs to a group, often called kvm)"
    with tempfile.TemporaryDirectory(prefix="trialbed-probe-") as name:
        folder = Path(name)
        if user is not None:
            os.chown(folder, *user)
        console = folder / "console"
        machine = Machine(image.kernel, image.initrd, console, image.memory, accelerator="kvm", name="probe")
        with Booted(machine, clock, user) as guest:
            trouble = guest.wait_ready(limit_s)
    if trouble is not None:
        return False, f"a probe guest does not boot with {device}: {trouble}"
    return True, f"a probe guest booted with {device}"
