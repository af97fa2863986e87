"""The commands as a person or a program uses them: arguments in; text, JSON and exit status out."""

from __future__ import annotations

import contextlib
import io
import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from orchestrator.cli import invoke
from orchestrator.errors import HostFault
from orchestrator.testing.series import known

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2]}
design: {blocks: 4, seed: 7}
measure:
  warm-up: {at-least: 20 s, at-most: 1 min}
  steady: {at-least: 60 s, at-most: 2 min}
decide: {margin: 5 %}
"""
LAB = """
hosts:
  model: {hypervisor: simulated, with: {FAULTS}}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""


def write(folder: Path) -> None:
    """A plan on a simulated lab."""
    (folder / "plan.yaml").write_text(PLAN)
    (folder / "lab.yaml").write_text(LAB.replace("FAULTS", "seed: 1"))


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a plan on a simulated lab, which is also the working directory."""
    write(tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@dataclass(frozen=True)
class Ran:
    """A run of the plan: its store, its exit status, and what it printed."""

    store: Path
    status: int
    text: str


def run_in(folder: Path, *options: str) -> Ran:
    write(folder)
    output = io.StringIO()
    with contextlib.chdir(folder), contextlib.redirect_stdout(output):
        status = invoke(["run", "plan.yaml", *options])
    return Ran(folder / "results", status, output.getvalue())


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """A run as a person starts it, for all who only look at it."""
    return run_in(tmp_path_factory.mktemp("ran"))


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return capsys.readouterr().out


# ------------------------------------------------------------------------------------------------------------ help


def test_help_answers_without_loading_what_only_measuring_needs() -> None:
    code = (
        "import sys\nfrom orchestrator.cli import invoke\nstatus = invoke(['--help'])\n"
        "heavy = {'pandas', 'scipy', 'pyarrow', 'paramiko', 'numpy', 'yaml', 'pydantic', 'rich'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "which shape fits" in " ".join(done.stdout.split())


@pytest.mark.parametrize("command", ["check", "run", "resume", "status", "list", "show", "read", "judge", "schema"])
def test_every_command_has_help_with_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke([command, "--help"]) == 0
    text = said(capsys)
    assert "Example" in text
    assert f"trialbed {command}" in text


def test_help_states_every_exit_status(capsys: pytest.CaptureFixture[str]) -> None:
    invoke(["--help"])
    text = said(capsys)
    for status in ("0  ", "1  ", "2  ", "3  ", "4  ", "5  ", "70  ", "130  "):
        assert f"\n  {status}" in text


# ------------------------------------------------------------------------------------------------------------- run


def test_a_run_ends_with_cells_and_a_recommendation(ran: Ran) -> None:
    assert ran.status == 0
    assert "simulated guest" in ran.text
    # Common practice, no published source: on a contended host that runs vCPUs together, a second vCPU without a thread
    # makes a single-threaded load slower, and a second thread gets it back.
    words = " ".join(ran.text.split())
    assert "Take shape one (1 vCPU) for one thread and shape two (2 vCPUs) for two threads" in words
    assert [folder.name for folder in ran.store.iterdir()] != []


def test_what_a_run_kept_can_be_listed_and_shown(ran: Ran, capsys: pytest.CaptureFixture[str]) -> None:
    store = ["--store", str(ran.store)]
    assert invoke(["list", *store]) == 0
    assert "How many vCPUs" in said(capsys)
    assert invoke(["list", *store, "--json"]) == 0
    runs = json.loads(said(capsys))
    assert len(runs["runs"]) == 1

    assert invoke(["show", "last", *store]) == 0
    assert "Take shape one" in said(capsys)
    assert invoke(["show", "last", *store, "--json"]) == 0
    shown = json.loads(said(capsys))
    assert {found["shape"] for found in shown["verdict"]["recommendations"]} == {"one", "two"}

    assert invoke(["show", "last", "3", *store]) == 0
    assert "0003-" in said(capsys)
    assert invoke(["show", "last", "3", *store, "--json"]) == 0
    assert json.loads(said(capsys))


def test_the_same_plan_and_seed_give_the_same_order_and_the_same_simulated_figures(
    ran: Ran, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["show", "last", "--store", str(ran.store), "--json"]) == 0
    texts = said(capsys), run_in(tmp_path, "--quiet", "--json").text
    first, second = (
        [(trial["id"], trial["summary"]["throughput"]["mean"]) for trial in json.loads(text)["trials"]]
        for text in texts
    )
    assert first == second
    assert len(first) == 16


def test_failed_trials_give_their_own_exit_status_and_the_rest_is_judged(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "plan.yaml").write_text(PLAN.replace("blocks: 4", "blocks: 2"))
    (place / "lab.yaml").write_text(LAB.replace("FAULTS", "faults: [{kind: does-not-boot, trial: 3}]"))
    assert invoke(["run", "plan.yaml"]) == 3
    text = said(capsys)
    assert "Take shape" in text
    assert "does not count" in text


def test_no_shape_to_recommend_is_a_no(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "plan.yaml").write_text(
        PLAN.replace("at-most: 1 min", "at-most: 21 s")
        .replace("seed: 7", "seed: 7, blocks: 1")
        .replace("blocks: 4, ", "")
    )
    settings = "warm-up: {time-constant: 10 min, depth: 90 %}"
    (place / "lab.yaml").write_text(LAB.replace("FAULTS", settings))
    assert invoke(["run", "plan.yaml", "--quiet"]) == 1
    assert "never became" in said(capsys)


def test_an_unreachable_lab_is_told_from_wrong_input(place: Path, capsys: pytest.CaptureFixture[str], mocker) -> None:
    place_of = "orchestrator.hypervisors.simulated.hypervisor.SimulatedHypervisor.describe"
    mocker.patch(place_of, side_effect=HostFault("no route to rack-a.example"))
    assert invoke(["run", "plan.yaml"]) == 4
    assert "no route to rack-a.example" in capsys.readouterr().err


def test_quiet_prints_the_result_only(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "plan.yaml").write_text(PLAN.replace("blocks: 4", "blocks: 1"))
    invoke(["run", "plan.yaml", "--quiet"])
    captured = capsys.readouterr()
    assert "trial 1/4" not in captured.out + captured.err
    assert "Take shape" in captured.out


# ----------------------------------------------------------------------------------------------------------- check


def test_check_tells_cells_order_time_actions_and_cautions_and_touches_nothing(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["check", "plan.yaml"]) == 0
    text = said(capsys)
    for part in (
        "4 cells x 4 blocks = 16 trials",
        "block 4:",
        "powered off",
        "Licences",
        "change control",
        "21 min 52 s",
    ):
        assert part in text
    assert sorted(path.name for path in place.iterdir()) == ["lab.yaml", "plan.yaml"]


def test_check_as_json_holds_the_order(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["check", "plan.yaml", "--json", "--probe"]) == 0
    forecast = json.loads(said(capsys))
    assert len(forecast["trials"]) == 16
    assert len({trial[:4] for trial in forecast["trials"]}) == 16
    assert all(line["state"] != "not ready" for line in forecast["readiness"])


def test_check_says_that_run_would_refuse_an_unmarked_guest(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(LAB.replace("FAULTS", "seed: 1").replace(", may-power-cycle: true", ""))
    assert invoke(["check", "plan.yaml"]) == 2
    assert "may-power-cycle" in said(capsys)
    assert invoke(["run", "plan.yaml"]) == 2
    assert "may-power-cycle" in capsys.readouterr().err
    assert not (place / "results").exists()


# ------------------------------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["run", "missing.yaml"], "missing.yaml"),
        (["check", "."], "folder"),
        (["show", "last"], "run"),
        (["show", "../../etc/passwd"], "run"),
        (["resume", "last"], "run"),
        (["read", "missing.csv"], "missing.csv"),
        (["judge", "plan.yaml"], "plan.yaml"),
        (["judge", "missing.csv"], "missing.csv"),
        (["frobnicate"], "frobnicate"),
        (["run"], "PLAN"),
        (["judge", "t.csv", "--margin", "0"], "margin"),
        (["schema", "planet"], "planet"),
    ],
)
def test_wrong_input_is_one_message_and_status_2(
    arguments: list[str], says: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(arguments) == 2
    captured = capsys.readouterr()
    assert says in captured.err
    assert "Traceback" not in captured.err
    assert captured.out == ""


def test_all_errors_of_plan_and_lab_come_at_once_with_their_places(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "plan.yaml").write_text(
        PLAN.replace("vcpus: 1", "vcpus: none").replace("margin: 5 %", "margin: 5").replace("blocks: 4", "block: 4")
    )
    assert invoke(["check", "plan.yaml"]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert [line.removeprefix("trialbed: ").split(":")[1] for line in lines] == ["6", "10", "14"]
    assert "blocks" in lines[1], "the nearest known key is named"


# ---------------------------------------------------------------------------------------------------- read, judge


def series(values: object) -> str:
    return "\n".join(str(value) for value in values) + "\n"  # type: ignore[attr-defined]


def test_read_judges_a_throughput_log(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "t1.csv").write_text(series(known("T1")))
    assert invoke(["read", "t1.csv", "--json"]) == 0
    found = json.loads(said(capsys))
    assert {"file", "steady", "reason", "warm_up_end_s", "mean", "low", "high", "effective_samples"} <= set(found)
    # T1 is 100 - 40 exp(-t / 50) + noise: its steady mean is 100.
    assert found["steady"] is True
    assert found["low"] < 100 < found["high"]


def test_read_says_no_to_a_drift(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "t4.csv").write_text(series(known("T4")))
    assert invoke(["read", "t4.csv"]) == 1
    assert "drift" in said(capsys)


def test_read_takes_standard_input_and_several_files(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (place / "t4.csv").write_text(series(known("T4")))
    stdin = io.TextIOWrapper(io.BytesIO(series(known("T1")).encode()))
    monkeypatch.setattr(sys, "stdin", stdin)
    assert invoke(["read", "-", "t4.csv", "--json"]) == 1
    decoder, text, found = json.JSONDecoder(), said(capsys), []
    while text.strip():
        value, end = decoder.raw_decode(text.lstrip())
        found.append(value)
        text = text.lstrip()[end:]
    assert [one["steady"] for one in found] == [True, False]


HAND = """shape,vcpus,threads,throughput,run,wait,idle
one,1,1,2400,62,10,36
two,2,1,1470,,,
two,2,2,2500,,,
"""


def test_judge_finds_what_a_practitioner_sees_in_readings_by_hand(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Common practice, no published source: the second vCPU costs one thread and serves two."""
    (place / "hand.csv").write_text(HAND)
    assert invoke(["judge", "hand.csv", "--per", "minute", "--json"]) == 0
    verdict = json.loads(said(capsys))
    assert {(found["threads"], found["shape"]) for found in verdict["recommendations"]} == {(1, "one"), (2, "two")}
    assert {"base", "new", "ratio", "low", "high", "verdict"} <= set(verdict["comparisons"][0])
    assert len(verdict["cells"]) == 3
    remarks = " ".join(verdict["remarks"])
    for part in (
        "62 + 10 + 36 is 108, not 100",
        "two threads on one vCPU were not measured",
        "bought 4 %",
        "carries no uncertainty",
    ):
        assert part in remarks
    assert all(found["verdict"] == "undecided" and found["low"] is None for found in verdict["comparisons"])


BLOCKS = "shape,vcpus,threads,throughput,block\n" + "".join(
    f"{shape},{vcpus},1,{rate * luck},{block}\n"
    for block, luck in enumerate((1.0, 1.004, 0.997, 1.002), start=1)
    for shape, vcpus, rate in (("one", 1, 1200 + block), ("two", 2, 1140 - block))
)


def test_judge_says_whether_blocks_that_are_looked_at_while_they_come_are_enough(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "hand.csv").write_text(BLOCKS)
    assert invoke(["judge", "hand.csv", "--json"]) == 0
    once = json.loads(said(capsys))
    assert invoke(["judge", "hand.csv", "--blocks-at-most", "8", "--json"]) == 0
    often = json.loads(said(capsys))
    assert "look" not in once
    assert often["look"]["enough"]
    assert often["look"]["decided"]
    narrow, wide = (found["comparisons"][0] for found in (once, often))
    assert wide["low"] < narrow["low"], "looking often has its price"
    assert invoke(["judge", "hand.csv", "--blocks-at-most", "8"]) == 0
    assert "over all looks" in said(capsys)


@pytest.mark.parametrize(
    ("options", "table", "message"),
    [
        (["--blocks-at-least", "4"], BLOCKS, "--blocks-at-least needs --blocks-at-most"),
        (["--blocks-at-most", "3", "--blocks-at-least", "5"], BLOCKS, "5 is more than --blocks-at-most 3"),
        (["--blocks-at-most", "3"], BLOCKS, "holds 4 blocks, more than the 3 that were planned at most"),
        (["--blocks-at-most", "3"], HAND, "has no column block"),
    ],
)
def test_looks_that_cannot_be_are_wrong_input(
    options: list[str], table: str, message: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "hand.csv").write_text(table)
    assert invoke(["judge", "hand.csv", *options]) == 2
    assert message in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("which", ["plan", "lab"])
def test_schema_prints_json_schema_2020_12(which: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["schema", which]) == 0
    assert json.loads(said(capsys))["$schema"] == "https://json-schema.org/draft/2020-12/schema"
