"""Messages to people who are not watching, by apprise: addresses from variables or files, sent in the background."""

from orchestrator.adapters.notify.addresses import Address, addresses
from orchestrator.adapters.notify.notifier import Notifier
from orchestrator.adapters.notify.opening import People

__all__ = ["Address", "Notifier", "People", "addresses"]
