"""The order of kernel modules, from what each says of itself."""

from __future__ import annotations

import gzip
import lzma

import pytest

from orchestrator.errors import SandboxError
from orchestrator.sandbox.modules import in_order, is_module, module_name


def module(*depends: str) -> bytes:
    """As in a module's section .modinfo: strings that end in NUL."""
    return b"\x7fELF...license=GPL\0alias=pci:v*\0depends=" + ",".join(depends).encode() + b"\0retpoline=Y\0"


FILES = {
    "usr/lib/modules/6.1/kernel/drivers/net/virtio_net.ko": module("virtio_ring", "virtio", "net_failover"),
    "usr/lib/modules/6.1/kernel/drivers/virtio/virtio_ring.ko": module(),
    "usr/lib/modules/6.1/kernel/drivers/virtio/virtio.ko": module("virtio_ring"),
    "usr/lib/modules/6.1/kernel/net/core/failover.ko": module(),
    "usr/lib/modules/6.1/kernel/drivers/net/net_failover.ko": module("failover"),
    "usr/lib/modules/6.1/kernel/drivers/char/hw_random/virtio-rng.ko": module("virtio"),
}


def test_everything_comes_after_what_it_needs_and_once() -> None:
    ordered = list(in_order(["virtio_net", "virtio_rng"], FILES, []))
    assert sorted(ordered) == ["failover", "net_failover", "virtio", "virtio_net", "virtio_ring", "virtio_rng"]
    for before, after in [("virtio_ring", "virtio"), ("failover", "net_failover"), ("net_failover", "virtio_net")]:
        assert ordered.index(before) < ordered.index(after)


@pytest.mark.parametrize(("ending", "pack"), [(".xz", lzma.compress), (".gz", gzip.compress)])
def test_compressed_modules_are_unpacked(ending: str, pack: object) -> None:
    assert callable(pack)
    files = {path + ending: pack(content) for path, content in FILES.items()}
    assert in_order(["virtio_net"], files, []) == in_order(["virtio_net"], FILES, [])


def test_what_the_kernel_contains_is_not_loaded() -> None:
    inside = ["kernel/drivers/virtio/virtio.ko", "kernel/drivers/virtio/virtio_ring.ko"]
    assert list(in_order(["virtio-rng".replace("-", "_")], FILES, inside)) == ["virtio_rng"]


def test_a_module_that_is_nowhere_is_named_with_who_needs_it() -> None:
    without = {path: content for path, content in FILES.items() if not path.endswith("/failover.ko")}
    with pytest.raises(SandboxError, match=r"no module failover, which module net_failover needs"):
        in_order(["virtio_net"], without, [])


def test_names() -> None:
    assert module_name("a/virtio-rng.ko.xz") == "virtio_rng"
    assert is_module("a/evdev.ko")
    assert not is_module("usr/lib/modules/6.1/modules.builtin")
