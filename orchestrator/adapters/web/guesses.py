"""Wrong tokens are counted by where they come from, and after a few of them only so many more are looked at.

Who guesses goes through a list of likely tokens; ten at once and twenty a minute make that a matter of years. What is
not looked at does not count, so whoever has the right token waits for a few seconds once the guessing ends; whoever
asks from elsewhere, or has a session, does not wait at all. A program that sends the same wrong token again and again
learns nothing by it, so that is one guess.
"""

from __future__ import annotations

import ipaddress
import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from orchestrator.units import Seconds

#: Wrong tokens from one address that are answered as they come: slips of a person, and of a program's settings.
AT_ONCE: Final = 10
#: One more is looked at each time that this has passed.
EVERY_S: Final[Seconds] = 3.0
#: Addresses that are remembered at a time; the one that was silent longest is forgotten first.
_MOST_ADDRESSES: Final = 1024
#: So seldom is whoever serves the page told of the same address.
_TELL_EVERY_S: Final[Seconds] = 600.0
#: Of an IPv6 address, what one subscriber has as a rule (RFC 6177): within it addresses are to be had for nothing.
_NETWORK_BITS: Final = 64


class TooSoonError(Exception):
    """A token is not looked at, since too many wrong ones came from the same place.

    Attributes:
        wait_s: until one is looked at again, in whole seconds and at least one (Retry-After, RFC 9110, 10.2.3).
    """

    def __init__(self, wait_s: Seconds) -> None:
        super().__init__(wait_s)
        self.wait_s = max(1, math.ceil(wait_s))


@dataclass
class _Place:
    """What came from one address.

    Attributes:
        left: guesses that are looked at now; grows with time.
        at_s: when that was so.
        wrong: how many came.
        tried: digests of the wrong ones that came last.
        told_s: when somebody was told of it.
    """

    left: float
    at_s: Seconds
    wrong: int = 0
    tried: OrderedDict[bytes, None] = field(default_factory=OrderedDict)
    told_s: Seconds = -math.inf


class Guesses:
    """Wrong tokens, by address.

    Args:
        now: a clock that never goes back.
        tell: is told in a sentence when the tokens of an address are looked at more slowly.
    """

    def __init__(self, now: Callable[[], Seconds], tell: Callable[[str], None]) -> None:
        self._now, self._tell = now, tell
        self._places: OrderedDict[str, _Place] = OrderedDict()

    def check(self, address: str) -> None:
        """See whether a token from an address is looked at now.

        Raises:
            TooSoonError: it is not.
        """
        place = self._places.get(_network(address))
        if place is not None and (left := self._left(place)) < 1:
            raise TooSoonError((1 - left) * EVERY_S)

    def wrong(self, address: str, digest: bytes) -> None:
        """Count a wrong token from an address."""
        name = _network(address)
        place = self._places.setdefault(name, _Place(AT_ONCE, self._now()))
        self._places.move_to_end(name)
        while len(self._places) > _MOST_ADDRESSES:
            self._places.popitem(last=False)
        if digest in place.tried:
            return
        place.tried[digest] = None
        while len(place.tried) > AT_ONCE:
            place.tried.popitem(last=False)
        place.left, place.at_s, place.wrong = self._left(place) - 1, self._now(), place.wrong + 1
        if place.left < 1 and place.at_s >= place.told_s + _TELL_EVERY_S:
            place.told_s = place.at_s
            more = f"of those that follow one is looked at every {EVERY_S:g} s"
            self._tell(f"{place.wrong} wrong tokens came from {name}; {more}")

    def _left(self, place: _Place) -> float:
        return min(AT_ONCE, place.left + (self._now() - place.at_s) / EVERY_S)


def _network(address: str) -> str:
    """The address, or the network of it in which addresses cost nothing."""
    try:
        known = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if known.version == 4:
        return str(known)
    mapped = known.ipv4_mapped
    return str(mapped if mapped is not None else ipaddress.ip_network((known, _NETWORK_BITS), strict=False))
