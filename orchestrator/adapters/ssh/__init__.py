"""Logins over SSH with paramiko's client: strict host keys, keys only, a time limit on everything.

Reads in this order: :mod:`connector` opens a login (:mod:`link` the socket, :mod:`host_keys` whether the machine is the
one that was meant, :mod:`identities` as whom); :mod:`shell` runs commands on it, written down by :mod:`commands`;
:mod:`process` follows one that goes on, line by line (:mod:`lines`); :mod:`files` sends files. :mod:`patience` holds
what keeps every wait bounded, since several of paramiko's have no end of their own; :mod:`keepalive` finds out a
machine that has fallen silent while something is waited for.
"""

from __future__ import annotations

import logging

from orchestrator.adapters.ssh.connector import SshConnector

__all__ = ["SshConnector"]

# Every failure is raised as a fault with a clear text. Without a handler, logging would also print paramiko's own
# account of it, with a traceback, on standard error.
logging.getLogger("paramiko").addHandler(logging.NullHandler())
