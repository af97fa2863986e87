"""An experiment packed in one place and repeated in another from the archive alone."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from bundle_parts import archive as archive_of_files
from bundle_parts import bagged, parts

from orchestrator.cli import invoke

PLAN = """\
# The night before the timetable changes.
title: How many vCPUs does the bookings database need?
lab: lab.yaml   # the ferry line's own
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [2]}
design: {blocks: {at-least: 3, at-most: 12, until: decided}, seed: 7}
measure:
  warm-up: {at-least: 10 s, at-most: 1 min}
  steady: {at-least: 30 s, at-most: 30 s}
decide: {margin: 5 %}
"""
LAB = """\
hosts:
  model: {hypervisor: simulated, with: {SETTINGS}}
guests:
  GUEST: {host: model, may-power-cycle: true}
"""


HERE_LAB = """\
hosts:
  this: {hypervisor: here}
guests:
  bookings-1: {host: this, may-power-cycle: true}
"""


def lab(path: Path, guest: str = "bookings-1", settings: str = "seed: 1, noise: {between: 0.3 %}") -> str:
    path.write_text(LAB.replace("GUEST", guest).replace("SETTINGS", settings))
    return str(path)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The archive of a run; all that it was made of is gone."""
    theirs, away = tmp_path_factory.mktemp("theirs"), tmp_path_factory.mktemp("away")
    (theirs / "plan.yaml").write_text(PLAN)
    lab(theirs / "lab.yaml")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(theirs)
        assert invoke(["run", "plan.yaml", "--quiet"]) == 0
        assert invoke(["pack", "last", "-o", str(away / "night.zip")]) == 0
    shutil.rmtree(theirs)
    return away / "night.zip"


@pytest.fixture
def bundle(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The archive in a clean folder, which is also the working directory."""
    monkeypatch.chdir(tmp_path)
    return Path(shutil.copy(archive, tmp_path))


def repeated(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, Any]:
    capsys.readouterr()
    status = invoke(["repeat", "night.zip", "--quiet", "--json", *arguments])
    return status, json.loads(capsys.readouterr().out)


def original_of(run: Any) -> Any:
    return json.loads((Path(run["location"]).parent / run["run"]["repeats"]["run"] / "run.json").read_bytes())


def test_the_archive_alone_gives_the_same_experiment_again(
    bundle: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Same cells, order, seed, durations and bytes; ACM 1.1: "repeated" where the set-up is the same."""
    status, run = repeated(capsys, "--lab", lab(tmp_path / "lab.yaml"))
    original, record = original_of(run), run["run"]
    assert (status, run["state"]) == (0, "done")
    assert record["trials"] == original["trials"][: len(record["trials"])]
    for part in ("shapes", "workloads", "measure", "decide", "neighbours"):
        assert record["plan"][part] == original["plan"][part]
    files = {name: digest for name, digest in original["inputs_sha256"].items() if name.startswith("bookings/")}
    assert files
    assert {name: record["inputs_sha256"][name] for name in files} == files
    stated = run["comparison"]["repetition"]
    assert (stated["term"], stated["same_shapes"], len(stated["agree"])) == ("repeated", True, 2)
    assert run["comparison"]["surroundings"] == []

    # The original ended as soon as it was decided: a repetition that looked as well would end elsewhere.
    blocks = record["plan"]["design"]["blocks"]
    assert 3 <= blocks < 12
    assert len(run["trials"]) == 2 * blocks
    written = (Path(run["location"]) / "plan.yaml").read_text()
    theirs = PLAN.replace("{at-least: 3, at-most: 12, until: decided}", str(blocks))
    assert written == theirs.replace(": lab.yaml", ': "lab.yaml"').replace(": bookings-1", ': "bookings-1"')


def test_another_lab_gives_reproduced_and_tells_what_is_not_the_same(
    bundle: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = lab(tmp_path / "lab.yaml", "ferry-2", "seed: 11, noise: {between: 0.3 %}")
    assert invoke(["repeat", "night.zip", "--quiet", "--lab", mine]) == 0
    captured = capsys.readouterr()
    text = " ".join(captured.out.split())
    assert "Reproduced, in ACM's terms, version 1.1: with the original's artefacts in another set-up" in text
    assert "shape two fits in both, as the intervals show" in text
    assert "name of the guest bookings-1 in the base, ferry-2 in the new run" in text
    assert "the original was put into the store beside it" in captured.err

    original, _ = sorted(path.name for path in Path("results").iterdir() if path.name[0] != ".")
    assert invoke(["compare", original, "last"]) == 0
    assert "Reproduced, in ACM's terms" in " ".join(capsys.readouterr().out.split())
    assert invoke(["show", "last"]) == 0
    assert f"repeats {original}" in " ".join(capsys.readouterr().out.split())
    for run in (original, "last"):
        assert invoke(["verify", run]) == 0


def test_a_faster_host_gives_other_figures_while_the_same_shape_fits(
    bundle: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = f"../{tmp_path.name}/results"  # such a path is as good as any other
    mine = lab(tmp_path / "lab.yaml", settings="seed: 1, rate: 1400.0")
    status, run = repeated(capsys, "--lab", mine, "--store", store)
    stated = run["comparison"]["repetition"]
    assert (status, stated["term"], stated["same_shapes"]) == (1, "not", True)
    assert set(stated["differ"]) == {"one-bookings-t2", "two-bookings-t2"}
    assert "Its conclusion holds all the same" in stated["sentence"]
    assert "It may come of what is not the same" in stated["sentence"]


def test_a_repetition_that_ran_out_of_time_is_gone_on_with_and_then_stated(
    bundle: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, run = repeated(capsys, "--lab", lab(tmp_path / "lab.yaml"), "--for", "5 min")
    assert (status, run["state"]) == (5, "out of time")
    assert run["comparison"]["repetition"]["term"] == "open"

    for command in (["pack", "last", "-o", "part.zip"], ["unpack", "part.zip", "--store", "theirs"]):
        assert invoke(command) == 0
    assert invoke(["resume", "last", "--store", "theirs"]) == 2
    assert "going on would mix two labs in one run" in capsys.readouterr().err

    original = Path("results") / run["run"]["repeats"]["run"]
    original.rename(tmp_path / "away")
    assert invoke(["resume", "last", "--quiet", "--for", "4 min"]) == 5
    assert "unpack the bundle of the original" in capsys.readouterr().err
    (tmp_path / "away").rename(original)

    assert invoke(["resume", "last", "--quiet", "--json"]) == 0
    run = json.loads(capsys.readouterr().out)
    assert (run["state"], run["comparison"]["repetition"]["term"]) == ("done", "repeated")


@pytest.mark.parametrize(
    ("guests", "arguments", "said"),
    [
        ("quay: {host: model}\n  pier", [], "choose one with --guest: quay, pier"),
        ("pier", ["--guest", "peer"], "has no guest 'peer'; it has pier"),
        ("pier", ["--lab", "gone.yaml"], "gone.yaml: there is no such file"),
        ("pier", ["--for", "1 s"], "too short"),
    ],
)
@pytest.mark.usefixtures("bundle")
def test_what_the_lab_has_not_is_refused_and_no_run_is_begun(
    guests: str, arguments: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["repeat", "night.zip", "--lab", lab(tmp_path / "lab.yaml", guests), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert len([*Path().glob("results/2*")]) <= 1, "the original at the most"


@pytest.mark.parametrize(
    ("was", "now_other"),
    [
        (b"vcpus: 2, memory: 1 GiB", (b"vcpus: 2, memory: 2 GiB", "other sizes or loads than run.json")),
        (b"title:", (b"neighbours: [{name: x, command: [id]}]\ntitle:", "other neighbours than run.json")),
    ],
)
def test_what_was_looked_at_is_what_is_run(
    bundle: Path, was: bytes, now_other: tuple[bytes, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stranger's plan.yaml says another thing than the run.json that ``open`` shows."""
    files = parts(bundle)
    plan = files["data/run/plan.yaml"]
    changed = plan.replace(was, now_other[0], 1)
    old, new = (hashlib.sha256(content).hexdigest().encode() for content in (plan, changed))
    record = files["data/run/run.json"].replace(old, new)
    other = bagged(files | {"data/run/plan.yaml": changed, "data/run/run.json": record})
    bundle.write_bytes(archive_of_files(other, json.loads(record)["id"]))
    (tmp_path / "lab.yaml").write_text(HERE_LAB)
    assert invoke(["open", bundle.name]) == 0
    assert invoke(["repeat", bundle.name, "--lab", "lab.yaml"]) == 2
    assert now_other[1] in capsys.readouterr().err
    assert not Path("results").exists()


def test_readings_that_were_imported_cannot_be_repeated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("table.csv").write_text("shape,vcpus,threads,throughput\none,1,1,2400\n")
    for command in (["import", "table.csv"], ["pack", "last", "-o", "old.zip"], ["unpack", "old.zip", "--store", "b"]):
        assert invoke(command) == 0
    assert invoke(["show", "last", "--store", "b"]) == 0
    assert "imported, not measured here" in " ".join(capsys.readouterr().out.split())
    assert invoke(["repeat", "old.zip", "--lab", lab(tmp_path / "lab.yaml")]) == 2
    assert "holds imported readings" in capsys.readouterr().err


HERE_PLAN = r"""
title: How fast is a fare search?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB}
workloads:
  - name: fares
    threads: [1]
    command: [python3, fares.py]
    files: [fares.py]
    reader: {pattern: '(?P<value>[0-9]+) searches', figure: count}
design: {blocks: 1, seed: 7}
measure:
  every: 100 ms
  warm-up: {at-least: 200 ms, at-most: 10 s}
  steady: {at-least: 500 ms, at-most: 2 s, until-within: 50 %}
decide: {margin: 50 %}
"""
# As many searches in each period, however busy the machine is.
FARES = """
import time
count, due = 0, time.monotonic()
while True:
    for _ in range(50):
        count += sum(range(1000)) > 0
    print(count, "searches", flush=True)
    due += 0.05
    time.sleep(max(due - time.monotonic(), 0))
"""
WITHIN_S = 120


@pytest.mark.real
def test_files_of_a_command_come_from_the_archive_and_run_on_this_machine(tmp_path: Path) -> None:
    theirs, mine = tmp_path / "theirs", tmp_path / "mine"
    for folder in (theirs, mine):
        folder.mkdir()
        (folder / "lab.yaml").write_text(HERE_LAB)
    (theirs / "plan.yaml").write_text(HERE_PLAN)
    (theirs / "fares.py").write_text(FARES)
    called(theirs, "run", "plan.yaml", "--quiet")
    assert invoke(["pack", "last", "-o", str(mine / "fares.zip"), "--store", str(theirs / "results")]) == 0
    shutil.rmtree(theirs)
    run = json.loads(called(mine, "repeat", "fares.zip", "--lab", "lab.yaml", "--quiet", "--json"))
    kept = Path(mine, "results", run["run"]["id"], "inputs", "fares", "fares.py")
    assert kept.read_text() == FARES
    digests = {trial["workload_sha256"]["fares.py"] for trial in run["trials"]}
    assert digests == {original_of({**run, "location": str(kept.parents[2])})["inputs_sha256"]["fares/fares.py"]}
    assert [trial["outcome"] for trial in run["trials"]] == ["measured"]
    assert run["comparison"]["changes"][0]["ratio"] == pytest.approx(1, rel=0.2)


def called(folder: Path, *arguments: str) -> str:
    environment = os.environ | {"PYTHONPATH": f"{Path(__file__).parents[2]}:{os.environ.get('PYTHONPATH', '')}"}
    done = subprocess.run(
        [sys.executable, "-m", "orchestrator", *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        check=False,
    )
    assert done.returncode in {0, 1, 5}, done.stderr
    return done.stdout
