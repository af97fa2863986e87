"""A run packed for strangers: no name of the lab is left in any byte of it, and it still checks and repeats.

New names are from what is set apart for it: RFC 2606 (.example), RFC 5737 (192.0.2.0/24), RFC 3849 (2001:db8::/32),
IEEE 802, locally administered addresses.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from bundle_parts import RUN, parts
from stored_runs import PLAN as RESOLVED
from stored_runs import event, failed_record, run_record, trial_data, trial_record

from orchestrator.adapters.bundle.names import Names
from orchestrator.adapters.plan_file import load_texts
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.design.trials import trials
from orchestrator.core.record.cell_identity import cell_identities
from orchestrator.core.record.journal import accepted_inputs
from orchestrator.core.record.run import Environment
from orchestrator.engine.ports import TrialData
from orchestrator.errors import InputError
from orchestrator.wiring import bundles
from orchestrator.wiring.drivers import driver_facts
from orchestrator.wiring.packing import PackedRun, pack_run

PLAN = """
title: How many vCPUs does bookings-1 need on rack-a?  # asked by wilma
lab: labs/rack-a.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2]}
neighbours:
  - {name: beside, guest: timetable-2, loops: 2}
design: {blocks: 1, seed: 7}
"""
LAB = """
hosts:
  rack-a:  # Wilma's
    hypervisor: libvirt
    uri: "qemu+ssh://wilma@rack-a.quay.saltmarsh-ferries.com/system?keyfile=/home/wilma/.ssh/rack"
    ssh:
      address: rack-a.quay.saltmarsh-ferries.com
      user: wilma
      identity: ~/.ssh/quay_ed25519
      host-key: "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIQuay wilma@harbourmaster"
    leases: /srv/quay/leases
guests:
  bookings-1:
    host: rack-a
    domain: ferry-db-07
    ssh: {address: 10.20.30.40, user: dbadmin, identity: /home/wilma/keys/ferry}
    may-power-cycle: true
  timetable-2: {host: rack-a, may-power-cycle: true, ssh: {address: "fd12:3456::40", user: dbadmin}}
notify:
  - {environment: SALTMARSH_PAGER, when: [failed]}
  - {file: ~/.config/wilma-pager}
"""
SECRETS = (
    "bookings-1", "timetable-2", "rack-a", "wilma", "saltmarsh", "quay", "ferry-db-07", "dbadmin", "harbourmaster",
    "AAAAC3Nza", "10.20.30", "fd12:", "fe80::", "52:54:00", "SALTMARSH_PAGER", "barney", "mgmt-3", "keys/ferry",
)  # fmt: skip


def lab_run(store: Path, *, lab: str = LAB, load: bytes = b"print('ferries')\n", **changed: Any) -> FolderStore:
    """A run on a lab full of names, which stand in every kind of file that a run has."""
    inputs = {"plan.yaml": PLAN.encode(), "lab.yaml": lab.encode(), "bookings/bookings.py": load}
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in inputs.items()}
    neighbours = [{"name": "beside", "guest": "timetable-2", "loops": 2}]
    plan = RESOLVED | {"title": "Does bookings-1 fit rack-a?", "neighbours": neighbours} | changed.pop("plan", {})
    facts: dict[str, Any] = {"title": plan["title"], "plan": plan, "id": RUN, "inputs_sha256": digests}
    kept = FolderStore(store)
    writer = kept.create(run_record(**facts | {"hypervisor": "libvirt"} | changed), inputs)
    writer.append(event("run-started"))
    writer.append(event("notice", text="guest ferry-db-07 on host rack-a is in use: barney@mgmt-3, pid 7"))
    writer.append(event("leases-taken", leases=["rack-a: host", "rack-a: guest-libvirt-ferry-db-07"]))
    writer.append(event("guest-saved", guest="bookings-1", host="rack-a", domain="ferry-db-07"))
    writer.append(event("changes-accepted", changes=["lab: rack-a is new"], inputs_sha256=digests, version="0.1.0"))
    command_line = "ip=10.20.30.1::10.20.30.254:255.255.255.0:RACK-A console=ttyS0 ifname=eth0:52:54:00:12:34:56"
    host = {"kernel_command_line": command_line, "kernel": "6.1.0-13-amd64", "hypervisor_version": "8.2.0.1"}
    writer.keep_environment(Environment(host=host, guest={"cpu_model": None}))
    log = "connected to 10.20.30.40 as dbadmin on FERRY-DB-07 (fe80::5054:ff:fe12:3456), fare 1.25, 127.0.0.1\n"
    failed = failed_record(
        reason="dbadmin@10.20.30.40 port 22: /home/wilma/keys/ferry and /home/wilma/.ssh/quay_ed25519 were refused"
    )
    for trial, data in ((trial_record(), trial_data(log)), (failed, TrialData((), (), (), (), ""))):
        writer.append(event("trial-started", trial.id))
        writer.keep_trial(trial, data)
        writer.append(event("trial-ended", trial.id))
    writer.append(event("restored", guest="bookings-1"))
    writer.append(event("run-ended"))
    writer.seal()
    return kept


def pack(folder: Path, name: str = "strangers.zip") -> PackedRun:
    return pack_run("last", str(folder / "results"), folder / name, anonymise=True, replacing=False)


def in_the_clear(name: str, content: bytes) -> list[str]:
    """Everything that can be read in a file, however it is packed."""
    texts = [name, content.decode("latin-1")]
    if name.endswith(".gz"):
        texts.append(gzip.decompress(content).decode())
    if name.endswith(".parquet"):
        table = pq.read_table(io.BytesIO(content))
        texts.append(str(table.schema.metadata))
        assert {str(field.type) for field in table.schema} <= {"int64", "uint64", "double"}  # no column holds text
        texts += table.column_names
    return texts


def test_no_name_is_left_in_any_byte(tmp_path: Path) -> None:
    lab_run(tmp_path / "results")
    packed = pack(tmp_path)
    texts = [text for name, content in parts(packed.path).items() for text in in_the_clear(name, content)]
    assert len(texts) > 30
    texts += [packed.run.record.id, packed.run.record.title]
    found = [(secret, text[:99]) for secret in SECRETS for text in texts if secret.casefold() in text.casefold()]
    assert found == []
    assert packed.bundle.anonymised


def test_the_same_is_replaced_by_the_same_everywhere(tmp_path: Path) -> None:
    lab_run(tmp_path / "results")
    packed = pack(tmp_path)
    files = {name.removeprefix("data/run/"): content for name, content in parts(packed.path).items()}
    loaded = load_texts(files["plan.yaml"], files["lab.yaml"], driver_facts())  # still a plan and a lab
    record = json.loads(files["run.json"])
    events = [json.loads(line) for line in files["journal.jsonl"].splitlines()]
    assert (loaded.plan.guest, record["guest"], record["plan"]["guest"]) == ("guest-1",) * 3
    assert list(loaded.lab.guests) == ["guest-1", "guest-2"]
    assert [neighbour.guest for neighbour in loaded.plan.neighbours] == ["guest-2"]
    assert record["plan"]["neighbours"][0] == {"name": "beside", "guest": "guest-2", "loops": 2}
    ((host, machine),) = loaded.lab.hosts.items()
    assert machine.ssh is not None
    assert machine.uri == f"qemu+ssh://{machine.ssh.user}@{machine.ssh.address}/system?keyfile=/etc/file-1"
    saved = next(event["detail"] for event in events if event["event"] == "guest-saved")
    assert saved == {"guest": "guest-1", "host": host, "domain": loaded.lab.guests["guest-1"].domain}
    login = loaded.lab.guests["guest-1"].ssh
    assert login is not None
    assert login.address.startswith("192.0.2.")
    log = gzip.decompress(files["trials/0001-one-bookings-t1-b1/workload.log.gz"]).decode()
    assert log.startswith(f"connected to {login.address} as {login.user} on {saved['domain']} (2001:db8::")
    assert log.endswith("), fare 1.25, 127.0.0.1\n")
    facts = json.loads(files["environment.json"])["host"]
    assert facts["hypervisor_version"] == "8.2.0.1"  # which is no address
    line = facts["kernel_command_line"]
    assert "255.255.255.0" in line
    assert "console=ttyS0 ifname=eth0:02:00:00:00:00:01" in line


def test_it_still_checks_and_says_the_same(tmp_path: Path) -> None:
    kept = lab_run(tmp_path / "results")
    before = kept.find("last")
    with bundles.opened(pack(tmp_path).path) as found:
        store = FolderStore(found.run_folder.parent)
        after = store.find(found.run)
        assert store.problems() == []
        assert [trial.summary for trial in after.trials] == [trial.summary for trial in before.trials]
        assert cell_identities(after.record) == cell_identities(before.record)
        assert [trial.id for trial in after.record.trials] == [trial.id for trial in before.record.trials]
        accepted = accepted_inputs(store.journal(after))
        assert accepted == after.record.inputs_sha256
        assert accepted["lab.yaml"] != before.record.inputs_sha256["lab.yaml"]
        inputs = store.inputs(after)
        assert inputs["bookings/bookings.py"] == kept.inputs(before)["bookings/bookings.py"]
        plan = load_texts(inputs["plan.yaml"], inputs["lab.yaml"], driver_facts()).plan
        own = load_texts(PLAN.encode(), LAB.encode(), driver_facts()).plan
        assert [trial.id for trial in trials(plan)] == [trial.id for trial in trials(own)]  # the order rests on names


def test_two_packs_are_the_same_bytes(tmp_path: Path) -> None:
    lab_run(tmp_path / "results")
    assert pack(tmp_path).path.read_bytes() == pack(tmp_path, "again.zip").path.read_bytes()


# --------------------------------------------------------------------------------------------------------- refused


def test_a_name_in_what_the_guest_runs_is_refused_with_every_place(tmp_path: Path) -> None:
    command = {"use": None, "command": ["./load", "--host", "ferry-db-07"], "prepare": ["ssh", "dbadmin@10.20.30.40"]}
    command["command"] += ["--from", "172.16.1.2", "--bind", "127.0.0.1"]  # an address that the lab does not have
    load = b"#!/usr/bin/env python3\nhosts = ['Rack-A']\nprint('wilma')\n# 10.20.30.40, 172.16.1.2\n"
    lab_run(tmp_path / "results", load=load, plan={"workloads": [RESOLVED["workloads"][0] | command]})
    with pytest.raises(InputError) as refused:
        pack(tmp_path)
    assert [str(problem).partition(", which")[0] for problem in refused.value.problems] == [
        "plan.yaml: workloads[0].command[2]: holds 'ferry-db-07'",
        "plan.yaml: workloads[0].command[4]: holds '172.16.1.2'",
        "plan.yaml: workloads[0].prepare[1]: holds 'dbadmin'",
        "inputs/bookings/bookings.py:2: holds 'Rack-A'",
        "inputs/bookings/bookings.py:3: holds 'wilma'",
        "inputs/bookings/bookings.py:4: holds '10.20.30.40'",
    ]
    assert not list(tmp_path.glob("*.zip*"))


def test_a_workload_that_everybody_has_names_nobody(tmp_path: Path) -> None:
    from orchestrator.adapters.workload_files import built_in

    lab_run(tmp_path / "results", lab=LAB.replace("wilma", "operations"), load=built_in("bookings.py"))
    assert b"operations" in built_in("bookings.py")
    assert pack(tmp_path).bundle.anonymised


def test_a_name_that_is_spelled_otherwise_in_its_file_is_refused(tmp_path: Path) -> None:
    lab_run(tmp_path / "results", lab=LAB.replace("domain: ferry-db-07", r'domain: "port\u002ddb-07"'))
    with pytest.raises(InputError, match="spells 'port-db-07' in a way that cannot be replaced"):
        pack(tmp_path)


def test_a_guest_behind_an_address_that_every_machine_has_keeps_it(tmp_path: Path) -> None:
    """RFC 1122, 3.2.1.3 (g): 127.0.0.0/8 never leaves a host, so it names none."""
    lab_run(tmp_path / "results", lab=LAB.replace("10.20.30.40", "127.0.0.1"))
    assert pack(tmp_path).bundle.anonymised


def test_a_name_that_is_a_word_of_the_plan_stays_and_is_told(tmp_path: Path) -> None:
    lab_run(tmp_path / "results", lab=LAB.replace("dbadmin", "bookings").replace("ferry-db-07", "db"))
    remarks = pack(tmp_path).remarks
    assert "'bookings' stays, since it is also a word of the plan or of the files" in remarks
    assert "'db' stays, since it is too short to be told from other text" in remarks


# ----------------------------------------------------------------------------------------------------------- names


def names(*known: str) -> Names:
    found = Names(lambda _name: False)
    for name in known:
        found.add("host", name, "host-{}")
    return found


@pytest.mark.parametrize(
    ("text", "becomes"),
    [
        ("rack-a", "host-1"),
        ("RACK-A:/srv", "host-1:/srv"),
        ("on rack-a, rack-b", "on host-1, host-2"),
        ("rack-a.rack-b_rack-a", "host-1.host-2_host-1"),
        ("track-a rack-ab", "track-a rack-ab"),
        ("host-1 and rack-a", "host-1 and host-1"),
        ("192.168.7.1:22", "192.0.2.1:22"),
        ("192.168.7.1 10.0.0.1 192.168.7.1", "192.0.2.1 192.0.2.2 192.0.2.1"),
        ("v1.2.3.4.5 and 300.1.1.1", "v1.2.3.4.5 and 300.1.1.1"),
        ("at 10:11:12.345, 2026-08-01T10:11:12Z", "at 10:11:12.345, 2026-08-01T10:11:12Z"),
        ("[fd00::1]:22", "[2001:db8::1]:22"),
        ("std::vector, ::, ::1, 127.0.0.1, 0.0.0.0", "std::vector, ::, ::1, 127.0.0.1, 0.0.0.0"),
        ("link/ether AA:bb:cc:dd:ee:ff", "link/ether 02:00:00:00:00:01"),
    ],
)
def test_what_is_a_name_and_what_is_not(text: str, becomes: str) -> None:
    assert names("rack-a", "rack-b").replaced(text) == becomes


def test_a_new_name_is_never_one_that_somebody_has() -> None:
    """``host-2`` of the lab must not seem to be the second host of the bundle."""
    found = names("rack-a", "host-2", "host-1")
    assert found.replaced("rack-a host-2 host-1") == "host-3 host-4 host-5"


def test_addresses_do_not_run_out() -> None:
    """RFC 5737 has three blocks of 254."""
    found = names()
    new = {found.replaced(f"10.1.{n // 250}.{n % 250 + 1}") for n in range(800)}
    assert len(new) == 800
    assert {"192.0.2.1", "192.0.2.254", "198.51.100.1", "203.0.113.254"} <= new
