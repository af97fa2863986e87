"""What a lab sets for a host whose guests are reached through libvirt: its ``with:``."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.design.declared import Declared, Flag


class LibvirtSettings(Declared):
    """What a lab may set for a host whose guests are reached through libvirt."""

    require_mark: Flag = False
    """Refuse guests whose own definition does not carry the mark for experiments."""
    cgroups: Literal["v1", "v2"] = "v2"
    """The host's control groups: what its kernel calls the usual share of CPU time is 1024 with v1 and 100 with v2."""
