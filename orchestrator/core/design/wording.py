"""Words for messages about what somebody wrote: values shown safely, lists read aloud, the nearest known word."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Mapping, Sequence

SHOWN = 60
_NOTHING: tuple[object, ...] = (None, "", [], {}, ())


def shown(value: object, most: int = SHOWN) -> str:
    """A value as a message may show it: on one line, escaped, text beyond ``most`` characters cut off."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return f"a mapping of {len(value)} keys" if len(value) != 1 else "a mapping of 1 key"
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return f"a list of {len(value)}" if value else "an empty list"
    if isinstance(value, str):
        return repr(value) if len(value) <= most else f"{value[:most]!r}... ({len(value)} characters)"
    return repr(value)[:SHOWN]


def printable(text: str) -> str:
    """The text with whatever cannot be printed on one line escaped."""
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def says_nothing(value: object) -> bool:
    """Whether a declared value is as good as none."""
    return value in _NOTHING


def on_one_line(value: object) -> str:
    """A declared value in full: of a mapping the keys that say something, ``none`` for what says nothing."""
    if isinstance(value, Mapping):
        told = [f"{key} {on_one_line(each)}" for key, each in value.items() if not says_nothing(each)]
        return ", ".join(told) or "none"
    if isinstance(value, list | tuple):
        return " ".join(map(on_one_line, value)) or "none"
    return "none" if says_nothing(value) else str(value)


def listed(words: Iterable[object], most: int = 12) -> str:
    """Words with commas between them, odd ones escaped; a long list is cut and says by how much."""
    every = [word if word.isprintable() and 0 < len(word) <= SHOWN else shown(word) for word in map(str, words)]
    rest = len(every) - most
    return ", ".join(every) if rest <= 0 else f"{', '.join(every[:most])} and {rest} more"


def nearest(word: str, known: Collection[str]) -> str | None:
    """The known word that was probably meant, if one is near (compared without case, with '_' and ' ' as '-')."""
    plain = {_plain(candidate): candidate for candidate in known}
    near = difflib.get_close_matches(_plain(word[: 2 * SHOWN]), list(plain), n=1, cutoff=0.6)
    return plain[near[0]] if near else None


def unknown(kind: str, word: str, known: Collection[str]) -> str:
    """``unknown guest 'bokings-1'; did you mean 'bookings-1'? Known: bookings-1, tickets-1``."""
    near = nearest(word, known)
    meant = f"; did you mean {shown(near)}? Known" if near is not None else "; known"
    return f"unknown {kind} {shown(word)}{meant}: {listed(known) if known else 'none'}"


def _plain(word: str) -> str:
    return word.lower().replace("_", "-").replace(" ", "-")
