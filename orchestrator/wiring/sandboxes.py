"""Sandboxes of real guests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed

if TYPE_CHECKING:
    from orchestrator.sandbox.settings import Say, Settings
    from orchestrator.sandbox.status import Status


def sandbox_settings(
    folder: Path | None, *, lab: Path | None = None, image: str | None = None, acceleration: str = "auto"
) -> Settings:
    """What a sandbox is asked to be, with the usual places where none are named."""
    from orchestrator.sandbox.accounts import tool_account
    from orchestrator.sandbox.layout import default_cache, default_folder
    from orchestrator.sandbox.settings import Settings

    return Settings(folder or default_folder(tool_account()), default_cache(), lab, image, acceleration)


def sandbox_up(settings: Settings, say: Say, broken_off: Callable[[], None]) -> Status:
    """Make a sandbox, or mend it; ``broken_off`` is called where that ends half-way."""
    from orchestrator.sandbox.up import up

    heed()
    return up(settings, SystemClock(), say, broken_off)


def sandbox_down(settings: Settings, say: Say, *, images: bool) -> None:
    """Remove a sandbox."""
    from orchestrator.sandbox.down import down

    heed()
    down(settings, SystemClock(), say, images=images)


def sandbox_status(settings: Settings) -> Status:
    """Look at a sandbox."""
    from orchestrator.sandbox.status import status

    return status(settings)
