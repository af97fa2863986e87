"""Why a guest fell silent is asked of its hypervisor, and never hides what went wrong first."""

from __future__ import annotations

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.measure.samples import Sample
from orchestrator.engine.news import Measured, TrialEnded
from orchestrator.engine.silence import explained
from orchestrator.engine.stages import Retry, Stage, attempt
from orchestrator.errors import GuestFault, HostFault, StageError, WorkloadFault

SILENT = GuestFault("the program that reads the guest's counters gave no whole answer within 5 s", silent=True)


def bench(experiment: Experiment | None = None):
    """A guest of the simulation that is up and idle."""
    return (experiment or Experiment(plan(), lab(neighbours=0))).bench


def vcpus(*run_s: float):
    """Answers of the hypervisor, one second apart, with the run time of two vCPUs."""
    return [
        Sample(float(n), 0.0, n * 10**9, {f"vcpu.{vcpu}.run_ns": int(each * 1e9) for vcpu in (0, 1)})
        for n, each in enumerate(run_s)
    ]


def test_the_hypervisors_own_words_come_first_and_make_it_the_guests_fault(mocker) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "trouble", return_value="it was switched off from outside")
    for error in (SILENT, WorkloadFault("the workload ended by itself"), HostFault("no such domain")):
        found = explained(error, world)
        assert isinstance(found, GuestFault)
        assert str(found) == f"it was switched off from outside; {error}"
        assert found.__cause__ is error


@pytest.mark.parametrize(
    ("run_s", "took_s", "says"),
    [
        ((5.0, 5.003), 2.0, "its vCPUs ran 0.3 % of 1 s after that, so it is frozen inside, or its network is cut"),
        (
            (5.0, 5.9),
            1.0,
            "its vCPUs ran 90 % of 1 s after that, so it is busy, as a kernel that crashed or has too little mem",
        ),
    ],
)
def test_where_it_knows_of_no_trouble_the_vcpus_are_looked_at(
    mocker, run_s: tuple[float, ...], took_s: float, says: str
) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "counters", side_effect=vcpus(*run_s))
    began_s = world.clock.monotonic()
    found = explained(SILENT, world)
    assert str(found).startswith(f"{SILENT}; the hypervisor says that it runs; ")
    assert says in str(found)
    assert world.clock.monotonic() - began_s == pytest.approx(took_s)


@pytest.mark.parametrize(
    "error",
    [
        GuestFault("seen from inside, the guest is not what was asked for"),
        WorkloadFault("the workload ended by itself"),
        HostFault("the host does not answer", silent=True),
    ],
)
def test_a_failure_that_is_no_silence_of_the_guest_stays_as_it_is(error: StageError) -> None:
    world = bench()
    began_s = world.clock.monotonic()
    assert explained(error, world) is error
    assert world.clock.monotonic() == began_s


@pytest.mark.parametrize(
    ("said", "known", "reason"),
    [
        (SILENT, [None, "its process was killed"], f"its process was killed; {SILENT}"),
        (
            GuestFault("no counters now: it is paused"),
            ["it is paused", "its kernel panicked"],
            "its kernel panicked; no counters now: it is paused",
        ),
        (GuestFault("no counters now: it is paused"), ["it is paused", None], "no counters now: it is paused"),
    ],
)
def test_a_hypervisor_is_given_a_moment_to_notice(
    mocker, said: StageError, known: list[str | None], reason: str
) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "trouble", side_effect=known)
    mocker.patch.object(world.hypervisor, "counters", side_effect=GuestFault("it is off"))
    assert str(explained(said, world)) == reason


@pytest.mark.parametrize(
    ("failure", "added"),
    [(HostFault("libvirt gave no answer"), "; libvirt gave no answer"), (RuntimeError("a defect of the driver"), "")],
)
def test_a_hypervisor_that_cannot_say_does_not_hide_the_failure(mocker, failure: Exception, added: str) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "trouble", side_effect=failure)
    mocker.patch.object(world.hypervisor, "counters", side_effect=failure)
    found = explained(SILENT, world)
    assert (type(found), str(found), found.silent) == (GuestFault, f"{SILENT}{added}", True)


@pytest.mark.parametrize(
    ("run_s", "noticed"),
    [
        ((5.0, 5.0), "its process was killed"),  # what is left of it stands still while it is cleared away
        ((5.0, 5.9), "its kernel panicked"),
    ],
)
def test_a_hypervisor_that_notices_while_the_vcpus_are_looked_at_has_the_last_word(
    mocker, run_s: tuple[float, ...], noticed: str
) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "counters", side_effect=vcpus(*run_s))
    mocker.patch.object(world.hypervisor, "trouble", side_effect=[None, noticed])
    assert str(explained(SILENT, world)) == f"{noticed}; {SILENT}"


def test_counters_without_a_vcpu_say_nothing(mocker) -> None:
    world = bench()
    mocker.patch.object(world.hypervisor, "counters", side_effect=[Sample(float(n), 0, n, {}) for n in (0, 1)])
    assert explained(SILENT, world) is SILENT


def test_trying_again_keeps_what_the_failure_says_of_itself() -> None:
    world = bench()
    stage = Stage("log in", 60.0, Retry(attempts=2))

    def fails(_left: object) -> None:
        raise GuestFault("no answer", may_pass=True, silent=True, barred=True)

    with pytest.raises(GuestFault, match="tried 2 times") as caught:
        attempt(stage, fails, world.clock)
    assert (caught.value.silent, caught.value.barred) == (True, True)


# ---------------------------------------------------------------------------------------------------- in a whole run


def test_a_guest_that_falls_silent_is_told_with_what_its_vcpus_did() -> None:
    faults = [{"kind": "falls-silent", "trial": 2, "at": "25 s"}]
    records = Experiment(plan(design={"blocks": 1}), lab(faults=faults)).go()
    assert records[1].outcome == "failed"
    assert "the hypervisor says that it runs; its vCPUs ran" in records[1].reason
    assert [record.outcome for i, record in enumerate(records) if i != 1] == ["measured"] * 3


def test_a_guest_switched_off_from_outside_is_named_and_the_run_goes_on() -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    before = experiment.hypervisor.save()
    killed: list[bool] = []

    def kill(news: object) -> bool:
        if isinstance(news, Measured) and not killed:
            killed.append(True)
            experiment.hypervisor.stop(60)
        return False

    experiment.heard.stop_on = kill
    records = experiment.go()
    assert records[0].fault == "guest"
    assert records[0].reason.startswith("it is off; ")
    noted = [event.detail for event in experiment.store.kept["run-1"].journal if event.event == "stage-failed"]
    assert str(noted[0]["reason"]).startswith("it is off; ")
    assert [record.outcome for record in records[1:]] == ["measured"] * 3
    assert experiment.hypervisor.save() == before


def test_before_the_guest_was_started_nobody_asks_why_it_is_silent(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab(faults=[{"kind": "refuses-start", "trial": 1}]))
    asked = mocker.spy(experiment.hypervisor, "trouble")
    counts: list[int] = []
    experiment.heard.stop_on = lambda news: isinstance(news, TrialEnded) and counts.append(asked.call_count)
    records = experiment.go()
    assert records[0].failed_stage == "start"
    assert "it is off" not in records[0].reason
    assert counts[0] == 0


def test_a_guest_that_goes_as_it_boots_is_not_waited_for(mocker) -> None:
    experiment = Experiment(plan(design={"blocks": 1, "only": [{"shape": "one", "threads": 1}]}), lab())
    mocker.patch.object(experiment.hypervisor, "trouble", return_value="its kernel has crashed")
    (record,) = experiment.go()
    assert (record.failed_stage, record.fault) == ("log in", "guest")
    assert record.reason.startswith("its kernel has crashed; ")
    assert record.reason.count("its kernel has crashed") == 1
    assert next(stage for stage in record.stages if stage.stage == "log in").attempts == 1


def test_a_guest_that_still_boots_is_waited_for() -> None:
    experiment = Experiment(plan(design={"blocks": 1, "only": [{"shape": "one", "threads": 1}]}), lab())
    (record,) = experiment.go()
    assert record.outcome == "measured"
    assert next(stage for stage in record.stages if stage.stage == "log in").attempts > 1
