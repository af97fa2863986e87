"""The SSH server of the process guest: this machine's loopback only, public keys only, commands and SFTP only.

It runs inside the guest's own process. :mod:`loopback` accepts connections and knows whether the guest's power is on,
:mod:`login` says who may do what, :mod:`session` runs one command, :mod:`sftp` serves files, and :mod:`processes` makes
sure that nothing of a session outlives it.
"""

from __future__ import annotations

from orchestrator.hypervisors.here.server.loopback import LoopbackServer

__all__ = ["LoopbackServer"]
