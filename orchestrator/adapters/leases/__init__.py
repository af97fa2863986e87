"""Leases on a host: files that say who uses it and its guests, kept there by a program that ends with its starter.

:mod:`place` says where a host's leases are; :mod:`keeper` speaks with the program (``keeper.sh``) that makes and breaks
them; :mod:`standing` reads what it tells; :mod:`taking` takes a run's leases and keeps them alive; :mod:`board` shows
and breaks those of others.
"""

from __future__ import annotations

from orchestrator.adapters.leases.board import Board
from orchestrator.adapters.leases.place import Place, Places, Wanted, wanted_for, wanted_of
from orchestrator.adapters.leases.taking import HostLeases

__all__ = ["Board", "HostLeases", "Place", "Places", "Wanted", "wanted_for", "wanted_of"]
