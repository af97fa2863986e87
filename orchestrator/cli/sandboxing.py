"""The verb for people without a spare hypervisor: sandbox up, down, status."""

from __future__ import annotations

import shlex
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from orchestrator.cli.output import json_option, show_json, warn
from orchestrator.cli.pages import Pages
from orchestrator.units import format_size

if TYPE_CHECKING:
    from orchestrator.sandbox.status import GuestStatus, Status

_folder = click.option(
    "--folder",
    type=click.Path(path_type=Path),
    help="Keep the sandbox here; by default in $XDG_STATE_HOME/trialbed/sandbox, as root in /var/lib/trialbed/sandbox.",
)

#: The plan that comes with the project for what an image has; for others it is one of the user's.
_PLANS = {"python": "plans/two-sizes.yaml", "postgres": "plans/postgres.yaml"}


@click.group(cls=Pages, short_help="Two virtual machines to try everything on; up, down, status.")
def sandbox() -> None:
    """Two small virtual machines on this machine, for whoever has no spare hypervisor.

    A libvirt daemon of its own, as an ordinary user, with two guests under QEMU and a lab file that names them. Nothing
    of the system's configuration is touched, and `trialbed sandbox down` removes all of it. Where KVM works it is used;
    without it guests run in software emulation: slower, but every vCPU is a real thread with real run and wait times.

    Examples:
      trialbed sandbox up
      trialbed run plans/two-sizes.yaml
      trialbed sandbox down

    Related commands:
      trialbed check, trialbed run
    """


@sandbox.command(short_help="Make the virtual machines and the lab that names them.")
@click.option(
    "--image",
    type=click.Choice(["small", "python", "postgres"]),
    help="What the guests have: a C load only, Python for the workload bookings, or a PostgreSQL server."
    " [default: what is there, else python]",
)
@_folder
@click.option(
    "--lab",
    type=click.Path(path_type=Path),
    help="Write the lab here. [default: plans/labs/sandbox.yaml where there is that folder, else in the sandbox's]",
)
@click.option(
    "--acceleration",
    type=click.Choice(["auto", "kvm", "tcg"]),
    default="auto",
    show_default=True,
    help="auto: KVM if a probe guest really boots with it, else software emulation.",
)
def up(image: str | None, folder: Path | None, lab: Path | None, acceleration: str) -> int:
    """Make the sandbox, or mend it: what is there and works is kept, so repeating it is harmless.

    Names the Debian packages that are missing, builds the guests' image from Debian packages (kept for the next time),
    starts libvirt and a login for the host's counters, defines the guests, writes the lab, and boots a guest once to
    prove that all of it works. After an interrupt the same command goes on, and `trialbed sandbox down` removes what
    was made.

    Examples:
      trialbed sandbox up
      trialbed sandbox up --image postgres
      trialbed sandbox up --folder /srv/sandbox --lab labs/mine.yaml

    Exit status:
      0  It is up.
      2  The folder or the lab's file cannot be used.
      4  This machine lacks something, or could not start a part.

    Files and environment:
      XDG_STATE_HOME  Its trialbed/sandbox is the folder; ~/.local/state where it is not set.
      XDG_CACHE_HOME  Its trialbed keeps the images; ~/.cache where it is not set.

    Related commands:
      trialbed sandbox status, trialbed sandbox down
    """
    from orchestrator.wiring import sandboxes

    chosen = sandboxes.sandbox_settings(folder, lab=lab, image=image, acceleration=acceleration)

    def broken_off() -> None:
        warn([f"not finished: the same command goes on, and what was made is removed by: {_down_words(folder)}"])

    found = sandboxes.sandbox_up(chosen, click.echo, broken_off)
    warn(found.troubles)
    click.echo(f"\nLook around:  ssh -F {found.folder}/ssh_config bookings-1   (while it runs)")
    plan = _PLANS.get(found.image or "", "PLAN")
    click.echo(f"Measure:      trialbed run {plan}{_lab_words(found)}")
    click.echo(f"Remove:       {_down_words(folder)}")
    return 4 if found.troubles else 0


@sandbox.command(short_help="Stop and remove everything that up made.")
@_folder
@click.option("--images", is_flag=True, help="Also remove the images that are kept for the next sandbox.")
def down(folder: Path | None, images: bool) -> int:
    """Stop the guests in order, then libvirt and the login, and remove the folder and the lab.

    A lab that was changed since it was written is left. Harmless when there is no sandbox, or only part of one.

    Examples:
      trialbed sandbox down
      trialbed sandbox down --images

    Files and environment:
      XDG_STATE_HOME  Its trialbed/sandbox is the folder; ~/.local/state where it is not set.
      XDG_CACHE_HOME  Its trialbed keeps the images; ~/.cache where it is not set.

    Related commands:
      trialbed sandbox up
    """
    from orchestrator.wiring import sandboxes

    sandboxes.sandbox_down(sandboxes.sandbox_settings(folder), click.echo, images=images)
    return 0


@sandbox.command(short_help="Tell what there is, and whether it works.")
@_folder
@json_option
def status(folder: Path | None, as_json: bool) -> int:
    """Tell what there is of the sandbox; changes nothing.

    Examples:
      trialbed sandbox status
      trialbed sandbox status --json

    Exit status:
      0  It is up.
      1  There is none, something of it is missing, or another command is at work on it.

    Files and environment:
      XDG_STATE_HOME  Its trialbed/sandbox is the folder; ~/.local/state where it is not set.

    Related commands:
      trialbed sandbox up
    """
    from orchestrator.wiring import sandboxes

    found = sandboxes.sandbox_status(sandboxes.sandbox_settings(folder))
    if as_json:
        show_json({"schema_version": 1, **asdict(found)})
    else:
        for line in _status_lines(found):
            click.echo(line)
    return 0 if found.state == "up" else 1


def _down_words(folder: Path | None) -> str:
    place = "" if folder is None else f" --folder {shlex.quote(str(folder.expanduser().absolute()))}"
    return f"trialbed sandbox down{place}"


def _lab_words(found: Status) -> str:
    """What a plan has to be told, unless it finds the lab where plans look for it."""
    if found.lab is None or found.lab == Path("plans/labs/sandbox.yaml").absolute():
        return ""
    return f" --lab {shlex.quote(str(found.lab))}"


def _guest_words(guest: GuestStatus) -> str:
    size = "" if guest.vcpus is None or guest.memory is None else f", vCPUs {guest.vcpus}, {format_size(guest.memory)}"
    return f"{guest.power}{size}" + ("" if guest.port is None else f", SSH on 127.0.0.1, port {guest.port}")


def _status_lines(found: Status) -> list[str]:
    """One fact a line, its name in front."""
    state = "busy, another command is at work on it" if found.state == "busy" else found.state
    facts = [("sandbox", f"{state}, in {found.folder}")]
    if found.state != "down":
        facts += [
            ("libvirt", f"{'runs' if found.daemon else 'does not run'}, {found.uri or 'never started'}"),
            ("host login", f"127.0.0.1, port {found.host_login}" if found.host_login else "none"),
            *((guest.name, _guest_words(guest)) for guest in found.guests),
            ("image", found.image or "none yet"),
            ("acceleration", found.acceleration or "not decided yet"),
            ("lab", f"{found.lab}, {found.lab_state}" if found.lab else "not written yet"),
            ("disk", format_size(found.disk)),
        ]
    facts.append(("images kept", f"{format_size(found.cached)} in {found.cache}"))
    facts += [("missing", f"{trouble}; `trialbed sandbox up` mends it") for trouble in found.troubles]
    return [f"{name + ':':14}{text}" for name, text in facts]
