"""A virtual machine behind libvirt, behind the protocol that every driver has."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence

from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.shape import FEATURES, Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Connector, Description, SavedGuest, Shell
from orchestrator.errors import GuestFault, HostFault, RestoreError, StageError
from orchestrator.hypervisors.libvirt.connection import Connection
from orchestrator.hypervisors.libvirt.definition import difference, reshaped, unwritable
from orchestrator.hypervisors.libvirt.domain import Domain
from orchestrator.hypervisors.libvirt.facts import facts, obstacle, same_machine
from orchestrator.hypervisors.libvirt.host import Host
from orchestrator.hypervisors.libvirt.makeup import makeup
from orchestrator.hypervisors.libvirt.marks import require_mark, shaped_as
from orchestrator.hypervisors.libvirt.power import power_off_by_login, switch_off
from orchestrator.hypervisors.libvirt.settings import LibvirtSettings
from orchestrator.hypervisors.libvirt.standing import Standing
from orchestrator.hypervisors.libvirt.statistics import COUNTER_STEP_S, vcpu_counters
from orchestrator.hypervisors.libvirt.threads import vcpu_threads
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds

_DEFINITION = "domain.xml"
_USUAL_SHARES = {"v1": 1024, "v2": 100}
_KINDS = {
    "lxc": "container",
    "qemu": "virtual machine in software emulation",
    "test": "libvirt's in-memory test guest, not a VM",
}
_RESTORE_WITHIN_S: Seconds = 120.0


class LibvirtHypervisor:
    """One domain. Its definition is exchanged as a whole: the saved one with a shape, and at the end the saved one."""

    name = "libvirt"
    features = FEATURES

    def __init__(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> None:
        host = lab.host_of(guest)
        self._guest = lab.guests[guest]
        self._uri = host.uri or ""
        self._settings = LibvirtSettings.model_validate(host.with_)
        self._host_ssh = host.ssh
        self._clock, self._connector = clock, connector
        self._connection = Connection(self._uri)
        self._domain = Domain(self._connection, self._guest.domain or guest)
        self._host = Host(self._connection)

    # ---------------------------------------------------------------------------------------------- the definition

    def describe(self) -> Description:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; a running guest has the vCPUs that are plugged in."""
        xml = self._marked_xml()
        found = facts(xml)
        running = not self._domain.standing().is_off
        cpus = self._host.cpus()
        return Description(
            kind=_KINDS.get(found.kind, "virtual machine"),
            vcpus=self._domain.plugged_vcpus() if running else found.vcpus,
            memory=found.memory,
            running=running,
            host_cpus=len(cpus if found.cpus is None else cpus & found.cpus),
            max_vcpus=self._host.most_vcpus(found),
            max_memory=self._host.memory(),
            remarks=_remarks(found.kind, found.tuning, obstacle(xml)),
            shaped_as=shaped_as(xml),
            runs_as_defined=not running or self._runs_as(xml),
        )

    def save(self) -> SavedGuest:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; refuses a guest that could not be put back as it is."""
        xml = self._marked_xml()
        if (tied := self._tied(xml)) is not None:
            raise HostFault(tied)
        standing = self._domain.standing()
        if not (standing.is_off or standing.works):
            raise HostFault(
                f"{self._domain.name} is neither on nor off: {standing.trouble}; "
                "that cannot be put back afterwards, so resume it or switch it off first"
            )
        return SavedGuest({_DEFINITION: xml.encode()}, running=standing.works)

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; a running guest's definition tells more than a saved one.

        The other guests are those that this connection can see: a session sees its own.
        """
        is_off = self._domain.standing().is_off
        xml = self._domain.saved_xml() if is_off else self._domain.running_xml()
        running = self._host.running_guests()
        return {
            **self._host.versions(),
            **makeup(xml, saved.files[_DEFINITION].decode()),
            "other_guests": None if running is None else str(max(running - (0 if is_off else 1), 0)),
        }

    def refusal(self, shape: Shape) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return self._refusal(shape, self._marked_xml())

    def _refusal(self, shape: Shape, xml: str) -> str | None:
        return self._tied(xml) or self._host.refusal(shape, facts(xml)) or unwritable(xml, shape)

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        before = saved.files[_DEFINITION].decode()
        self._marked_xml()
        if not self._domain.standing().is_off:
            raise HostFault(f"{self._domain.name} is on; it is reshaped only while it is off")
        if (refused := self._refusal(shape, before)) is not None:
            raise HostFault(refused)
        usual_shares = _USUAL_SHARES[self._settings.cgroups]
        wanted = reshaped(before, shape, usual_shares)
        self._domain.define(wanted)
        if other := difference(self._domain.saved_xml(), shape, usual_shares):
            raise HostFault(
                f"libvirt at {self._uri} took the definition of {self._domain.name} with shape {shape.name} "
                f"but made something else of it: {other}"
            )

    def _marked_xml(self) -> str:
        xml = self._domain.saved_xml()
        if self._settings.require_mark:
            require_mark(xml, self._domain.name, self._uri)
        return xml

    def _tied(self, xml: str) -> str | None:
        """Why the guest cannot be given any shape; ``None`` where it can."""
        name = self._domain.name
        if not self._domain.is_persistent():
            return f"{name} is transient: it would be gone once it is off; define it on its host first"
        if self._domain.has_saved_state():
            return (
                f"{name} has a saved state, which its next start would go on with, in the shape of that time; "
                "start it and shut it down, or drop the state (virsh managedsave-remove)"
            )
        if found := obstacle(xml):
            return (
                f"the definition of {name} has {found}, which another size cannot keep; "
                "take it out, or measure a guest without it"
            )
        return None

    # -------------------------------------------------------------------------------------------------------- power

    def start(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if not self._domain.standing().is_off:
            raise HostFault(f"{self._domain.name} is on already; leave the guest to this run alone")
        self._domain.start()

    def plug(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        standing = self._domain.standing()
        if not standing.works:
            raise GuestFault(f"no vCPUs can be plugged into {self._domain.name}: {standing.trouble}")
        most = self._domain.most_vcpus()
        if self._domain.plugged_vcpus() < most:
            self._domain.plug_vcpus(most)
        if (plugged := self._domain.plugged_vcpus()) != most:
            raise HostFault(f"{self._domain.name} has {plugged} vCPUs after {most} were plugged into it")

    def trouble(self) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return self._domain.standing().trouble

    def stop(self, timeout_s: Seconds) -> None:
        """In order (agent or power button, then a login), and hard at the end if the lab says ``force-off``."""
        switch_off(self._domain, self._clock, timeout_s, self._power_off_by_login, force=self._guest.force_off)

    def _power_off_by_login(self, within_s: Seconds) -> None:
        power_off_by_login(self._connector, self.guest_access(), within_s)

    # -------------------------------------------------------------------------------------------------- putting back

    def restore(self, saved: SavedGuest) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        try:
            self._put_back(saved)
        except StageError as error:
            raise RestoreError(str(error), may_pass=error.may_pass) from error
        except (KeyError, UnicodeDecodeError) as error:
            raise RestoreError(f"the saved definition of {self._domain.name} cannot be read: {error!r}") from error

    def _put_back(self, saved: SavedGuest) -> None:
        """Define the saved XML itself: undoing changes one by one does not give the same bytes.

        A guest that runs, but with another shape, is started anew.
        """
        before = saved.files[_DEFINITION].decode()
        self._domain.define(before)
        is_same = self._domain.saved_xml() == before
        standing = self._domain.standing()
        if not standing.is_off and not (saved.running and standing.works and self._runs_as(before)):
            self.stop(_RESTORE_WITHIN_S)
            standing = self._domain.standing()
        if saved.running and standing.is_off:
            self._domain.start()
        if not is_same:  # the power state comes back all the same
            raise HostFault(f"libvirt at {self._uri} took the saved definition but gives back another")

    def _runs_as(self, xml: str) -> bool:
        return same_machine(self._domain.running_xml(), xml)

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; by virsh, which comes with libvirt.

        The lab's word decides how the guest goes off: hard, or asked for as often as it takes.
        """
        virsh, name = f"virsh -c {shlex.quote(self._uri)}", shlex.quote(self._domain.name)
        is_off = f"LC_ALL=C {virsh} domstate {name} | grep -q '^shut off'"
        hard = f"{virsh} destroy {name}"
        off = [f"{is_off} || {hard}"]
        if not self._guest.force_off:
            off = [
                f"# if it never goes off in order, and its owner agrees, this does it hard: {hard}",
                f"until {is_off}; do {virsh} shutdown {name}; sleep 5; done",
            ]
        steps = [f"{virsh} define {shlex.quote(f'{folder}/{_DEFINITION}')}", *off]
        return [*steps, f"{virsh} start {name}"] if saved.running else steps

    # ----------------------------------------------------------------------------------------------------- counters

    def counters(self) -> Sample:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; by the controller's clock: libvirt tells no time."""
        found, sent_s, back_s = self._domain.statistics(self._clock)
        state, reason = found.get("state.state"), found.get("state.reason")
        if isinstance(state, int) and (trouble := Standing(state, reason if isinstance(reason, int) else 0).trouble):
            raise GuestFault(f"{self._domain.name} has no counters now: {trouble}")
        values = vcpu_counters(found)
        if not values:
            raise HostFault(
                f"libvirt at {self._uri} does not count the CPU time of single vCPUs for this kind of guest"
            )
        middle_s = (sent_s + back_s) / 2
        return Sample(
            middle_s, (back_s - sent_s) / 2 + COUNTER_STEP_S, round(middle_s * NANOSECONDS_PER_SECOND), values
        )

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return vcpu_threads(host, facts(self._domain.saved_xml()).uuid)

    # ------------------------------------------------------------------------------------------------------- logins

    def guest_access(self) -> SshAccess:
        """What the lab says."""
        if self._guest.ssh is None:
            raise GuestFault(f"the lab does not say how to log in to {self._domain.name}; give its guest ssh:")
        return self._guest.ssh

    def host_access(self) -> SshAccess | None:
        """What the lab says."""
        return self._host_ssh

    def guest_root(self) -> str:
        """A machine of its own."""
        return ""

    def close(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        self._connection.close()


def _remarks(kind: str, tuning: tuple[str, ...], tied: str | None) -> tuple[str, ...]:
    remarks = []
    if kind == "qemu":
        remarks.append(
            "software emulation, no KVM: slower than the host's CPUs by far, and its speed swings; "
            "a vCPU is a thread of the host all the same, so run and wait are real"
        )
    if kind == "test":
        remarks.append("libvirt's in-memory test driver: nothing runs, and nothing is counted")
    if tuning:
        remarks.append(
            f"its own definition sets {', '.join(tuning)} (cputune), which stays in every shape that does not set it"
        )
    if tied:
        remarks.append(f"its own definition has {tied}: it will be refused, since another size cannot keep that")
    return tuple(remarks)
