"""Where an experiment runs: hosts, guests and how to reach them. Never a secret: keys are named by path."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ModelWrapValidatorHandler, field_validator, model_validator

from orchestrator.core.design.declared import (
    Declared,
    Finding,
    Flag,
    Line,
    Name,
    Size,
    Text,
    Whole,
    build_checked,
    refusal,
)
from orchestrator.core.design.notify import Recipients
from orchestrator.core.design.wording import shown, unknown


def _word(value: object) -> object:
    if isinstance(value, str) and (value.startswith("-") or any(c.isspace() or not c.isprintable() for c in value)):
        raise refusal(f"{shown(value)} holds a blank or starts with '-'; write the bare address or user")
    return value


_Word = Annotated[Text, BeforeValidator(_word), Field(min_length=1, max_length=255)]


def _path(value: object) -> object:
    if isinstance(value, str) and "PRIVATE KEY" in value:
        raise refusal("this is a private key itself; a lab holds no secrets, so write the path of the key's file")
    return value


_Path = Annotated[Line, BeforeValidator(_path)]


def _absolute(value: object) -> object:
    if isinstance(value, str) and not value.startswith("/"):
        raise refusal(f"{shown(value)} is no absolute path; write the folder's whole path on the host")
    return value


class SshAccess(Declared):
    """How to log in to a machine. The host key is verified strictly, against ``host-key`` or a known-hosts file."""

    address: _Word
    """Name or IP address."""
    port: Annotated[Whole, Field(ge=1, le=65535)] = 22
    """TCP port of the SSH server."""
    user: _Word
    """Account to log in as."""
    identity: _Path | None = None
    """Path of the private key; without it the keys that an agent offers are used."""
    host_key: Text | None = None
    """The machine's public key as one line (``ssh-ed25519 AAAA...``); without it ``known-hosts`` is read."""
    known_hosts: _Path = "~/.ssh/known_hosts"
    """File of known host keys."""

    @field_validator("host_key")
    @classmethod
    def _is_a_public_key(cls, key: str | None) -> str | None:
        if key is None:
            return None
        words = key.split()
        if len(words) < 2 or not words[1].startswith("AAAA") or not key.isascii() or len(key.splitlines()) > 1:
            raise refusal(
                f"{shown(key)} is not a public key; write type and key on one line, for example 'ssh-ed25519 AAAA...'"
            )
        return key


class Host(Declared):
    """A machine that runs guests."""

    hypervisor: Text
    """Name of a driver: built in, or registered by an installed package."""
    uri: Line | None = None
    """Address of the hypervisor, for drivers that connect to one."""
    ssh: SshAccess | None = None
    """Login on the host, for reading its counters and for its leases."""
    leases: Annotated[Line, BeforeValidator(_absolute)] | None = None
    """Folder on the host for leases; ``/var/tmp/trialbed-leases`` when left out."""
    with_: dict[str, Any] = Field(default_factory=dict, alias="with")
    """Settings of the driver, checked by the driver's own model."""


class Limits(Declared):
    """The largest shape that the owner of a guest allows."""

    vcpus: Annotated[Whole, Field(ge=1)] | None = None
    """Most vCPUs; no limit when left out."""
    memory: Annotated[Size, Field(ge=2**20)] | None = None
    """Most memory; no limit when left out."""


class Guest(Declared):
    """A guest that may be measured."""

    host: Name
    """The host it runs on, one of ``hosts``."""
    domain: Line | None = None
    """The guest's name on its hypervisor, where it differs from its name here."""
    ssh: SshAccess | None = None
    """Login in the guest, for drivers that do not bring their own."""
    may_power_cycle: Flag = False
    """Without it, every command that would stop the guest refuses."""
    force_off: Flag = False
    """Whether a guest that does not shut down in time may be switched off hard."""
    limits: Limits = Limits()
    """The largest shape that its owner allows."""


class Lab(Declared):
    """Hosts and guests."""

    hosts: Annotated[dict[Name, Host], Field(min_length=1)]
    """The machines that run guests, by name."""
    guests: Annotated[dict[Name, Guest], Field(min_length=1)]
    """The guests that may be measured, by name."""
    notify: Recipients = ()
    """Who is told how a run went."""

    @model_validator(mode="wrap")
    @classmethod
    def _hosts_are_known(cls, data: Any, build: ModelWrapValidatorHandler[Lab]) -> Lab:
        return build_checked(data, build, _lost_guests(data))

    def host_of(self, guest: str) -> Host:
        """The host that a guest of this lab runs on."""
        return self.hosts[self.guests[guest].host]


def _lost_guests(data: object) -> list[Finding]:
    """Guests on hosts that are not listed, from the raw data: a host that is itself wrong is listed all the same."""
    hosts, guests = (data.get(key) if isinstance(data, Mapping) else None for key in ("hosts", "guests"))
    if not (isinstance(hosts, Mapping) and isinstance(guests, Mapping)):
        return []
    named = {
        name: guest.get("host") if isinstance(guest, Mapping) else getattr(guest, "host", None)
        for name, guest in guests.items()
    }
    return [
        Finding(("guests", name, "host"), f"{unknown('host', host, list(hosts))}; add it under hosts or name another")
        for name, host in named.items()
        if isinstance(host, str) and host not in hosts
    ]
