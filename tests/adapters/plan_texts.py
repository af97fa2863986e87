"""A good plan and a good lab, and how the tests of the loader make bad ones of them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from orchestrator.adapters.plan_file import DriverFacts, Loaded, load_texts
from orchestrator.core.design.declared import Declared, Duration, Percent, Whole
from orchestrator.errors import InputError, Problem

PLAN = """\
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB}
  - name: two
    vcpus: 2
    memory: 1 GiB
    topology: {sockets: 1, cores: 2}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2], with: {reads: 70 %, fsync: true}}
  - name: fares
    threads: [2, 4]
    command: [python3, fare_search.py, --workers, "{threads}"]
    reader: {pattern: '(?P<value>[0-9.]+) per minute', per: minute}
    quiet-after: 20 s
design:
  blocks: 4
  order: random
  seed: 7
  only: [{workload: bookings}, {workload: fares, threads: 4}]
  except: [{shape: one, threads: 4}]
measure:
  every: 1 s
  warm-up: {at-least: 10 s, at-most: 5 min}
  steady: {at-least: 60 s, at-most: 10 min, until-within: 2 %}
decide: {margin: 3 %, confidence: 95 %}
"""

LAB = """\
hosts:
  rack-a:
    hypervisor: model
    ssh: {address: rack-a.example, user: bench}
    with: {cpus: 4, boot: 20 s}
  rack-b: {hypervisor: plain}
guests:
  bookings-1:
    host: rack-a
    domain: bookings-db
    ssh:
      address: 192.0.2.21
      port: 22
      user: bench
      identity: ~/.ssh/bench_ed25519
      host-key: ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIEexampleexampleexampleexampleexampleexample
    may-power-cycle: true
    limits: {vcpus: 4, memory: 8 GiB}
  tickets-1: {host: rack-b}
"""


class ModelSettings(Declared):
    """Settings of an invented driver."""

    cpus: Annotated[Whole, Field(ge=1, le=64)]
    boot: Annotated[Duration, Field(le=600)] = 5.0
    load: Annotated[Percent, Field(ge=0, le=1)] = 0.5


DRIVERS = {
    "model": DriverFacts(ModelSettings, frozenset({"topology"})),
    "plain": DriverFacts(),
    "needy": DriverFacts(needs=frozenset({"uri", "ssh"})),
}


def edited(text: str, old: str, new: str) -> str:
    """The text with one part replaced; the part has to be there once."""
    assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
    return text.replace(old, new)


def read(plan: str | bytes = PLAN, lab: str | bytes = LAB) -> Loaded:
    """Load two texts as if they came from a stored run."""
    encoded = [text.encode() if isinstance(text, str) else text for text in (plan, lab)]
    return load_texts(encoded[0], encoded[1], DRIVERS)


def problems(plan: str | bytes = PLAN, lab: str | bytes = LAB) -> list[Problem]:
    """The problems of two texts that are expected to have some; checks what every message has to keep to."""
    try:
        read(plan, lab)
    except InputError as error:
        found = error.problems
    else:
        raise AssertionError("nothing was found wrong")
    check_manners(found)
    return found


#: Of the wording of others; no message may hold it, unless it repeats what the file itself says.
FOREIGN = ("Input should", "pydantic", "https://", "Value error", "permitted")


def check_manners(found: list[Problem]) -> None:
    """What holds for every message: it is there, on one line, in our words, and printable."""
    assert found
    for problem in found:
        text = str(problem)
        assert text.isprintable(), repr(text)
        assert len(text) < 1000
        assert not any(foreign in text for foreign in FOREIGN), text
        assert problem.message.strip()


def position(problem: Problem) -> tuple[str, int, int]:
    """File, line and column of a problem."""
    name, line, column = problem.where.rsplit(":", 2)
    return name, int(line), int(column)


def write(folder: Path, **texts: Any) -> Path:
    """Write the good plan and lab into a folder, or others by ``plan`` and ``lab``; returns the plan's path."""
    for name, good in (("plan", PLAN), ("lab", LAB)):
        content = texts.get(name, good)
        (folder / f"{name}.yaml").write_bytes(content.encode() if isinstance(content, str) else content)
    return folder / "plan.yaml"
