"""Names that tell where a run was made and by whom, and what each is replaced by: the same by the same everywhere.

Known names are those of the lab (hosts, guests, domains, addresses, accounts, keys, folders) and of the machine that
ran or packs the run. Internet and hardware addresses are recognised wherever they stand. New names cannot be mistaken
for real ones: ``.example`` (RFC 2606), 192.0.2.0/24 and its like (RFC 5737), 2001:db8::/32 (RFC 3849), hardware
addresses that are locally administered.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final
from urllib.parse import parse_qsl, urlsplit

from orchestrator.core.design.lab import Guest, Host, Lab, SshAccess

#: Shorter ones are parts of other words, and tell nobody apart.
_SHORTEST = 3
#: Names that are everybody's.
COMMON: Final = frozenset(
    (
        *("root", "admin", "administrator", "user", "users", "guest", "guests", "host", "hosts", "localhost"),
        *("localdomain", "local", "test", "example", "linux", "debian", "ubuntu", "fedora", "centos", "kernel"),
        *("server", "client", "here", "qemu", "kvm", "libvirt", "ssh"),
    )
)
_USUAL_PATHS = frozenset(f"~/.ssh/{name}" for name in ("id_rsa", "id_ecdsa", "id_ed25519", "known_hosts"))

_IPV4 = r"(?<![\d.])(?:\d{1,3}\.){3}\d{1,3}(?![\d.]*\d)"
_MAC = r"(?<![0-9A-Fa-f])(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}(?![0-9A-Fa-f])"
_IPV6 = r"(?<![\w:.])(?=[0-9A-Fa-f:]*[0-9])(?:[0-9A-Fa-f]{0,4}:){2,7}[0-9A-Fa-f]{0,4}(?![\w:])"
_HOME = re.compile(r"/(?:home|Users)/([A-Za-z0-9._-]+)")
_ACCOUNT = re.compile(r"([A-Za-z_][\w.-]*)@([A-Za-z0-9][A-Za-z0-9.-]*[A-Za-z0-9])")
_BLOCKS = ("192.0.2", "198.51.100", "203.0.113")


@dataclass(frozen=True)
class Kept:
    """A name that stays, and why."""

    name: str
    why: str


@dataclass
class Names:
    """What is replaced by what: first every name is added, then texts are rewritten.

    Attributes:
        is_word: tells of words that are no names here, whatever a lab calls its machines: keys and words of the files,
            shapes, workloads.
        kept: names that stay, since they are such words.
    """

    is_word: Callable[[str], bool]
    kept: list[Kept] = field(default_factory=list)
    _forms: dict[str, tuple[str, str]] = field(default_factory=dict)
    _parts: dict[str, tuple[str, Callable[[str], str]]] = field(default_factory=dict)
    _numbers: set[str] = field(default_factory=set)
    _met: dict[str, dict[str, str]] = field(default_factory=dict)

    def add(self, kind: str, name: str | None, form: str) -> None:
        """Have a name replaced.

        Args:
            kind: names of a kind are numbered together.
            name: nothing is done where there is none, or it is known already.
            form: of the new name, with ``{}`` for the number.
        """
        if not name or name.casefold() in self._forms or any(name == kept.name for kept in self.kept):
            return
        if name.casefold() in COMMON:
            return
        if not _tells_apart(name):
            self.kept.append(Kept(name, "is too short to be told from other text"))
        elif self.is_word(name):
            self.kept.append(Kept(name, "is also a word of the plan or of the files"))
        else:
            self._forms[name.casefold()] = (kind, form)

    def add_address(self, address: str | None) -> None:
        """Have the name or address of a machine replaced, with the short name and the domains that are parts of it."""
        if not address:
            return
        if (number := _ip(address)) is not None:  # it is recognised where it stands
            if not _everybodys(number):
                self._numbers.add(str(number))
            return
        self.add("name", address, "name-{}.example")
        label, _, domain = address.partition(".")
        short = domain and _tells_apart(label) and label.casefold() not in COMMON and not self.is_word(label)
        if short and address.casefold() in self._forms:
            self._parts.setdefault(label.casefold(), (address.casefold(), lambda new: new.partition(".")[0]))
        while "." in domain:
            self.add("site", domain, "site-{}.example")
            domain = domain.partition(".")[2]

    def add_path(self, kind: str, path: str | None, form: str) -> None:
        """Have a path replaced, also where messages have a home folder for its ``~``."""
        if path is None or path in _USUAL_PATHS:
            return
        self.add(kind, path, form)
        if path.startswith("~/") and path.casefold() in self._forms:
            self._parts[path[1:].casefold()] = (path.casefold(), lambda new: new.removeprefix("~"))

    @cached_property
    def new(self) -> Mapping[str, str]:
        """Every known name, in lower case, to its new one."""
        counts: dict[str, int] = {}
        new: dict[str, str] = {}
        for name, (kind, form) in self._forms.items():
            while name not in new or new[name].casefold() in self._forms:
                counts[kind] = counts.get(kind, 0) + 1
                new[name] = form.format(counts[kind])
        return {part: shorten(new[whole]) for part, (whole, shorten) in self._parts.items()} | new

    def replaced(self, text: str) -> str:
        """A text with new names, all at once: what is new is never taken for old."""
        return self._pattern.sub(self._one, text)

    def named_in(self, text: str) -> str | None:
        """The first name or address of the lab that a text holds."""
        return next((match[0] for match in self._pattern.finditer(text) if self._is_known(match)), None)

    def changed_in(self, text: str) -> str | None:
        """The first that would be replaced in a text, be it of the lab or not."""
        return next((match[0] for match in self._pattern.finditer(text) if self._one(match) != match[0]), None)

    def in_value(self, value: Any, *, addresses: bool = True) -> Any:
        """A value of JSON with new names in its texts; keys stay, and so do versions that look like addresses."""
        if isinstance(value, str):
            return self.replaced(value) if addresses else self._pattern.sub(self._known, value)
        if isinstance(value, list):
            return [self.in_value(inner, addresses=addresses) for inner in value]
        if isinstance(value, dict):
            return {key: self.in_value(of, addresses=addresses and "version" not in key) for key, of in value.items()}
        return value

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        names = [_apart(name) for name in sorted(self.new, key=len, reverse=True)]
        return re.compile(
            "|".join([*names, rf"(?P<mac>{_MAC})", rf"(?P<v4>{_IPV4})", rf"(?P<v6>{_IPV6})"]), re.IGNORECASE
        )

    def _known(self, match: re.Match[str]) -> str:
        return self.new[match[0].casefold()] if match.lastgroup is None else match[0]

    def _is_known(self, match: re.Match[str]) -> bool:
        return match.lastgroup is None or str(_ip(match[0])) in self._numbers

    def _one(self, match: re.Match[str]) -> str:
        found = match[0]
        if match.lastgroup is None:
            return self.new[found.casefold()]
        if match.lastgroup == "mac":
            return self._number("mac", found.casefold(), _local_mac)
        address = _ip(found)
        if address is None or _everybodys(address):
            return found
        if address.version == 4:
            return self._number("v4", str(address), _documentation_v4) if not _netmask(address) else found
        return self._number("v6", str(address), lambda n: f"2001:db8::{n:x}")

    def _number(self, kind: str, found: str, form: Callable[[int], str]) -> str:
        met = self._met.setdefault(kind, {})
        if found not in met:
            met[found] = form(len(met) + 1)
        return met[found]


def _apart(name: str) -> str:
    """The pattern of a name that is no part of a longer word; an underscore parts words as a hyphen does."""
    before = r"(?<![^\W_])" if name[0].isalnum() else ""
    after = r"(?![^\W_])" if name[-1].isalnum() else ""
    return f"{before}{re.escape(name)}{after}"


def _tells_apart(name: str) -> bool:
    return len(name) >= _SHORTEST and not name.isdigit()


def _ip(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None


def _everybodys(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Whether it is the same on every machine and so names none."""
    return address.is_loopback or address.is_unspecified or address.is_multicast


def _netmask(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    """Whether it is a mask such as 255.255.255.0, which tells nothing."""
    return str(address).startswith("255.")


def _local_mac(number: int) -> str:
    return "02:00:00:" + number.to_bytes(3).hex(":")


def _documentation_v4(number: int) -> str:
    block, host = divmod(number - 1, 254)
    return f"{_BLOCKS[block]}.{host + 1}" if block < len(_BLOCKS) else f"address-{number}"


def add_lab(names: Names, lab: Lab) -> None:
    """Everything in a lab that is a name."""
    for name, host in lab.hosts.items():
        names.add("host", name, "host-{}")
        _add_login(names, host.ssh)
        _add_host(names, host)
    for name, guest in lab.guests.items():
        names.add("guest", name, "guest-{}")
        _add_guest(names, guest)
    for recipient in lab.notify:
        names.add("news", recipient.environment, "NEWS_{}")
        names.add_path("file", recipient.file, "~/.config/addresses-{}")


def add_machine(names: Names, machine: str, user: str) -> None:
    """A machine that ran or packs the run, and the account there; they are no names of the lab, so none is missed."""
    for kind, name in (("machine", machine), ("machine", machine.partition(".")[0]), ("user", user)):
        if _tells_apart(name) and not names.is_word(name):
            names.add(kind, name, f"{kind}-{{}}")


def add_accounts(names: Names, texts: Iterable[str]) -> None:
    """Accounts that texts speak of: ``user@machine``, and folders of users."""
    for text in texts:
        for user, machine in _ACCOUNT.findall(text):
            names.add("user", user, "user-{}")
            if _ip(machine) is None:
                names.add("machine", machine, "machine-{}")
        for user in _HOME.findall(text):
            names.add("user", user, "user-{}")


def _add_host(names: Names, host: Host) -> None:
    if host.uri is not None:
        try:
            parts = urlsplit(host.uri)
            user, machine, query = parts.username, parts.hostname, parse_qsl(parts.query)
        except ValueError:
            user, machine, query = None, None, []
        names.add("user", user, "user-{}")
        names.add_address(machine)
        for _, value in query:
            if value.startswith(("/", "~")):
                names.add_path("file", value, "/etc/file-{}")
    if host.leases is not None:
        names.add_path("folder", host.leases, "/srv/leases-{}")
    add_accounts(names, texts_in(host.with_))


def _add_guest(names: Names, guest: Guest) -> None:
    names.add("domain", guest.domain, "domain-{}")
    _add_login(names, guest.ssh)


def _add_login(names: Names, login: SshAccess | None) -> None:
    if login is None:
        return
    names.add_address(login.address)
    names.add("user", login.user, "user-{}")
    names.add_path("identity", login.identity, "~/.ssh/identity-{}")
    names.add_path("known hosts", login.known_hosts, "~/.ssh/known-hosts-{}")
    if login.host_key is not None:
        _, key, *comment = login.host_key.split(maxsplit=2)
        names.add("key", key, "AAAAkey{}")
        names.add("comment", comment[0] if comment else None, "comment-{}")


def texts_in(value: object, place: str = "") -> Iterator[str]:
    """Every text in a value of lists and mappings."""
    return (text for _, text in places(value, place))


def places(value: object, place: str) -> Iterator[tuple[str, str]]:
    """Every text in a value, with its place: ``workloads[0].command[2]``."""
    if isinstance(value, str):
        yield place, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            yield from places(inner, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list | tuple):
        for at, inner in enumerate(value):
            yield from places(inner, f"{place}[{at}]")
