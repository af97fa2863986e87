"""How long guests take to be built from downloaded packages, to boot until their login answers, and to shut down.

python tests/benchmarks/bench_images.py [small python postgres]
"""

from __future__ import annotations

import socket
import sys
import tempfile
import time
from pathlib import Path

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.sandbox import images, keys
from orchestrator.sandbox.boot import Booted, Machine
from orchestrator.sandbox.commands import run
from orchestrator.sandbox.images import Image
from orchestrator.sandbox.recipes import RECIPES


def build(recipe: str, cache: Path) -> tuple[Image, float]:
    """Build an image once to have its packages, then again without it, timed."""
    images.build(recipe, cache, lambda _: None)
    for kept in cache.glob(f"{recipe}-*/recipe.json"):
        kept.unlink()
    began = time.perf_counter()
    image = images.build(recipe, cache, lambda _: None)
    return image, time.perf_counter() - began


def boot_and_stop(image: Image, place: Path) -> tuple[float, float]:
    """Seconds from the start of QEMU to the answer to a command, and from ``poweroff`` to its end."""
    login, host_key = (keys.make_key(place / name, name, run) for name in ("identity", "host"))
    initrd = images.personal(image, "bookings-1", place / "host", login, place / "initrd")
    with socket.create_server(("127.0.0.1", 0)) as reserved:
        port = reserved.getsockname()[1]
    access = {"address": "127.0.0.1", "port": port, "user": "root", "identity": str(place / "identity")}
    clock = SystemClock()
    began = time.perf_counter()
    with Booted(Machine(image.kernel, initrd, place / "console", image.memory, port), clock) as guest:
        if (trouble := guest.wait_ready(120)) is not None:
            raise SystemExit(trouble)
        shell = SshConnector(clock).connect(
            SshAccess.model_validate({**access, "host-key": host_key}), machine="guest", timeout_s=30
        )
        shell.run(["true"])
        answered = time.perf_counter()
        process = shell.start(["poweroff"], end_with_input=False)
        guest.process.wait(60)
        off = time.perf_counter()
        process.stop(1)
        shell.close()
    return answered - began, off - answered


def main() -> None:
    """Measure what is asked for; with ``--quick`` one boot of the small guest."""
    quick = "--quick" in sys.argv[1:]
    wanted = [name for name in sys.argv[1:] if name in RECIPES] or (["small"] if quick else list(RECIPES))
    with tempfile.TemporaryDirectory(prefix="trialbed-bench-") as name:
        place = Path(name)
        for recipe in wanted:
            image, built_s = build(recipe, place / "cache")
            times = [boot_and_stop(image, place) for _ in range(1 if quick else 3)]
            boot_s, off_s = (min(each) for each in zip(*times, strict=True))
            size = image.initrd.stat().st_size / 2**20
            print(
                f"image {recipe}: built in {built_s:.1f} s, {size:.0f} MiB; best of {len(times)}: "
                f"login after {boot_s:.1f} s, off after {off_s:.1f} s"
            )


if __name__ == "__main__":
    main()
