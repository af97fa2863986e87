"""Drift from block to block and from sitting to sitting: against published figures, a library, and known truth."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import pytest
from verdict_cases import blocks, evidence, observe

from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.cells import Observation, cells_of
from orchestrator.core.verdict.drift import Drift, drift_remarks, drifts
from orchestrator.core.verdict.evidence import Evidence, from_run
from orchestrator.core.verdict.inference.trend import trend
from orchestrator.core.verdict.method import explain_verdict
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.sittings import PAUSE_S, Sitting, sittings
from orchestrator.core.verdict.verdict import verdict
from orchestrator.units import utc_text

# Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, 2nd ed.: table 2.5 (grain yield of rice at six
# seeding rates, four replications) and the trend comparison of it in ch. 5. Rates stand for blocks here, and
# replications for cells: the additive model does not tell them apart.
RICE: Mapping[int, tuple[int, ...]] = {
    25: (5113, 5398, 5307, 4678),
    50: (5346, 5952, 4719, 4264),
    75: (5272, 5713, 5483, 4749),
    100: (5164, 4831, 4986, 4410),
    125: (4804, 4848, 4432, 4748),
    150: (5254, 4542, 4919, 4098),
}


def test_a_published_trend_comparison() -> None:
    cells = [{rate: float(yields[replication]) for rate, yields in RICE.items()} for replication in range(4)]
    found = trend(cells, {rate: float(rate) for rate in RICE})
    assert found is not None
    assert (found.df_trials, found.df_blocks) == (15, 4)
    # Sums of squares: error 1,658,376; seeding rate 1,198,331, of which linear 760,035 (F = 6.87).
    assert (found.slope / found.error_trials) ** 2 == pytest.approx(6.87, abs=0.005)
    assert (found.slope / found.error_trials) ** 2 * 1_658_376 / 15 == pytest.approx(760_035, abs=1)
    left = (found.error_blocks or 0) ** 2 / found.error_trials**2 * 1_658_376 / 15 * 4
    assert left == pytest.approx(1_198_331 - 760_035, abs=1)


def random_cells(seed: int, cells: int, number: int, *, missing: int = 0) -> list[dict[int, float]]:
    rng = np.random.default_rng(seed)
    logs = rng.normal(4, 0.1, (cells, 1)) + rng.normal(0, 0.02, (1, number)) + rng.normal(0, 0.01, (cells, number))
    gone = set(rng.choice(cells * number, missing, replace=False).tolist())
    return [{b + 1: float(logs[c, b]) for b in range(number) if c * number + b not in gone} for c in range(cells)]


@pytest.mark.parametrize(("seed", "missing"), [(1, 0), (2, 0), (3, 5), (4, 9)])
def test_slope_and_both_scatters_are_those_of_a_regression_library(seed: int, missing: int) -> None:
    api = pytest.importorskip("statsmodels.formula.api", reason="extra 'reference' is not installed")
    pandas = pytest.importorskip("pandas")
    cells = random_cells(seed, 4, 7, missing=missing)
    found = trend(cells, {block: float(block) for block in range(1, 8)})
    assert found is not None
    rows = [(c, block, log) for c, cell in enumerate(cells) for block, log in cell.items()]
    frame = pandas.DataFrame(rows, columns=["cell", "block", "log"])
    line = api.ols("log ~ C(cell) + block", frame).fit()
    free = api.ols("log ~ C(cell) + C(block)", frame).fit()
    assert found.slope == pytest.approx(line.params["block"], rel=1e-9)
    assert (found.df_trials, found.df_blocks) == (free.df_resid, line.df_resid - free.df_resid)
    unscaled = line.bse["block"] / math.sqrt(line.mse_resid)
    assert found.error_trials == pytest.approx(unscaled * math.sqrt(free.mse_resid), rel=1e-9)
    left = (line.ssr - free.ssr) / found.df_blocks
    assert found.error_blocks == pytest.approx(unscaled * math.sqrt(left), rel=1e-7)
    # F of the step from the cells alone to the line, with the error of the full model, as its anova table has it.
    alone = api.ols("log ~ C(cell)", frame).fit()
    assert found.p_trials == pytest.approx(
        1 - _f_cdf((alone.ssr - line.ssr) / free.mse_resid, found.df_trials), abs=1e-9
    )


def _f_cdf(value: float, df: float) -> float:
    return float(pytest.importorskip("scipy.stats").f.cdf(value, 1, df))


def test_a_step_between_two_sittings_is_the_difference_of_their_means() -> None:
    """In a complete design, by hand: means of 4 and 3 blocks of 5 cells."""
    cells = random_cells(5, 5, 7)
    found = trend(cells, {1: 0, 2: 0, 3: 0, 4: 0, 5: 1, 6: 1, 7: 1})
    assert found is not None
    early, late = ([cell[b] for cell in cells for b in part] for part in (range(1, 5), range(5, 8)))
    assert found.slope == pytest.approx(np.mean(late) - np.mean(early), rel=1e-9)
    means = np.array([np.mean([cell[b] for cell in cells]) for b in range(1, 8)])
    within = ((means[:4] - means[:4].mean()) ** 2).sum() + ((means[4:] - means[4:].mean()) ** 2).sum()
    assert found.error_blocks == pytest.approx(math.sqrt(within / 5 * (1 / 4 + 1 / 3)), rel=1e-9)


@pytest.mark.parametrize(
    ("cells", "figure"),
    [
        ([], {}),
        ([{1: 1.0, 2: 1.1}], {1: 1.0, 2: 2.0}),  # one cell leaves no scatter of trials
        ([{1: 1.0}, {1: 1.2}], {1: 1.0}),  # one block
        ([{1: 1.0, 2: 1.1}, {1: 1.2, 2: 1.4}], {1: 3.0, 2: 3.0}),  # blocks that do not differ in the figure
        ([{1: 1.0}, {1: 1.2}, {2: 1.0}, {2: 1.3}], {1: 1.0, 2: 2.0}),  # blocks that share no cell
    ],
)
def test_where_nothing_can_be_told_nothing_is(cells: list[dict[int, float]], figure: dict[int, float]) -> None:
    assert trend(cells, figure) is None


# ------------------------------------------------------------------------------------------------------ known truth


def share_shown(
    *, k: int, per_block: float, block_sd: float, sd: float = 0.01, cells: int = 6, repeats: int = 1500, seed: int = 11
) -> float:
    """How often a drift is shown, of experiments with this truth: cells of different level, blocks that move."""
    rng = np.random.default_rng(seed)
    figure = {b: float(b) for b in range(k)}
    shown = 0
    for _ in range(repeats):
        level = rng.normal(4, 0.2, (cells, 1)) + per_block * np.arange(k) + rng.normal(0, block_sd, k)
        logs = (level + rng.normal(0, sd, (cells, k))).tolist()
        found = trend([dict(enumerate(row)) for row in logs], figure)
        assert found is not None
        shown += found.p <= 0.05
    return shown / repeats


@pytest.mark.parametrize(("k", "block_sd"), [(4, 0.0), (4, 0.03), (8, 0.0), (8, 0.01), (8, 0.03)])
def test_without_a_drift_none_is_shown_whether_blocks_differ_by_chance_or_not(k: int, block_sd: float) -> None:
    # 5 % and three standard errors of 1500 repeats.
    assert share_shown(k=k, per_block=0.0, block_sd=block_sd) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 1500)


def test_the_scatter_of_trials_alone_would_take_blocks_that_differ_by_chance_for_a_drift() -> None:
    """Why the contrast has to stand out twice."""
    rng = np.random.default_rng(3)
    alone = 0
    for _ in range(400):
        logs = (rng.normal(0, 0.03, 8) + rng.normal(0, 0.01, (6, 8))).tolist()
        found = trend([dict(enumerate(row)) for row in logs], {b: float(b) for b in range(8)})
        assert found is not None
        alone += found.p_trials <= 0.05
    assert alone / 400 > 0.5


@pytest.mark.parametrize(
    ("k", "per_block", "block_sd", "least"),
    [(8, 0.005, 0.0, 0.95), (6, 0.01, 0.0, 0.95), (4, 0.02, 0.0, 0.85), (12, 0.01, 0.01, 0.95), (8, 0.003, 0.0, 0.75)],
)
def test_a_drift_is_found(k: int, per_block: float, block_sd: float, least: float) -> None:
    """Half a percent a block through eight blocks, as trials of 1 % scatter; two percent where there are four only."""
    assert share_shown(k=k, per_block=per_block, block_sd=block_sd, repeats=400) >= least


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(17)
    held = 0
    for _ in range(800):
        logs = (0.004 * np.arange(7) + rng.normal(0, 0.01, 7) + rng.normal(0, 0.01, (6, 7))).tolist()
        found = trend([dict(enumerate(row)) for row in logs], {b: float(b) for b in range(7)})
        assert found is not None
        half = found.half_width(0.95)
        assert half is not None
        held += abs(found.slope - 0.004) <= half
    assert held / 800 >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / 800)


# ------------------------------------------------------------------------------------------------- in the verdict

TRUTH = {("one", 1): 100.0, ("two", 1): 150.0, ("one", 2): 110.0, ("two", 2): 190.0}


def drifting(per_block: float, k: int = 8, seed: int = 5) -> list[Observation]:
    return [
        observe(seen.shape, seen.threads, seen.throughput_per_s * math.exp(per_block * (seen.block or 0)), seen.block)
        for seen in blocks(TRUTH, k=k, sd=0.005, seed=seed)
    ]


def test_a_drift_is_a_remark_with_its_interval_and_says_what_it_does_not_touch() -> None:
    reached = verdict(evidence(drifting(-0.01)))
    (found,) = reached.drifts
    assert found.shown
    assert found.ratio == pytest.approx(math.exp(-0.07), rel=0.01)
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.ratio < found.high < 1
    (remark,) = (remark for remark in reached.remarks if "drift" in remark)
    assert remark.startswith("Throughput fell by 6.")
    assert "from block 1 to 8 (-" in remark
    assert remark.endswith("they set trials of the same block against each other.")


def test_comparisons_are_the_same_with_the_drift_and_without() -> None:
    """What the remark says of them is so: block by block the drift cancels."""
    still, moved = (verdict(evidence(drifting(per_block))) for per_block in (0.0, 0.05))
    for one, other in zip(still.comparisons, moved.comparisons, strict=True):
        assert one.verdict == other.verdict
        assert (one.ratio, one.low, one.high) == pytest.approx((other.ratio, other.low, other.high))


def test_without_a_drift_there_is_no_remark_and_json_has_the_figures_all_the_same() -> None:
    reached = verdict(evidence(drifting(0.0)))
    (found,) = reached.drifts
    assert not found.shown
    assert found.blocks == tuple(range(1, 9))
    assert not any("drift" in remark for remark in reached.remarks)


def test_the_explanation_has_both_tests_their_figures_and_the_source() -> None:
    seen = evidence(drifting(-0.01))
    reached = verdict(seen)
    (step,) = (step for step in explain_verdict(seen, Rule(), reached) if step.step == "drift")
    assert step.what.startswith("the straight line through the effects of blocks 1 to 8: -6.")
    assert "against the scatter of trials (21 degrees of freedom)" in step.what
    assert "against what is left between blocks (6 degrees of freedom); both have to be below 0.05" in step.what
    assert "NIST/SEMATECH e-Handbook, 7.4.3.6" in step.source


def test_several_workloads_share_the_error_and_are_named() -> None:
    first = drifting(0.02)
    second = [observe(o.shape, o.threads, o.throughput_per_s, o.block, workload="fares") for o in drifting(0.0, seed=6)]
    found = drifts(cells_of([*first, *second]), (), 0.95)
    assert [(drift.workload, drift.shown) for drift in found] == [("bookings", True), ("fares", False)]
    alone = drifts(cells_of(first), (), 0.95)[0]
    assert found[0].low is not None
    assert alone.low is not None
    assert found[0].low < alone.low
    (remark,) = drift_remarks(found, ())
    assert remark.startswith("Throughput of bookings rose by ")


@pytest.mark.parametrize("k", [1, 2])
def test_one_or_two_blocks_tell_of_no_drift(k: int) -> None:
    assert verdict(evidence(drifting(0.1, k=k))).drifts == ()


def test_readings_without_blocks_tell_of_no_drift() -> None:
    seen = [observe("one", 1, rate, None) for rate in (100, 90, 80)]
    assert verdict(evidence(seen)).drifts == ()


# ------------------------------------------------------------------------------------------------------ sittings


def trial(number: int, block: int, start_s: float, length_s: float = 60.0) -> TrialRecord:
    return TrialRecord(
        id=f"{number:04d}-one-bookings-t1-b{block}",
        number=number,
        block=block,
        shape="one",
        workload="bookings",
        threads=1,
        outcome="failed",
        reason="",
        started_utc=utc_text(start_s),
        ended_utc=utc_text(start_s + length_s),
        launched_monotonic_s=None,
        stages=(),
        clocks=(),
        workload_sha256={},
        seen_inside={},
        summary=None,
    )


def in_order(starts: Sequence[float], per_block: int = 2) -> list[TrialRecord]:
    return [trial(n + 1, n // per_block + 1, start_s) for n, start_s in enumerate(starts)]


def test_trials_that_follow_one_another_are_one_sitting() -> None:
    assert sittings(in_order([0, 61, 125, 200, 260, 60 + 260 + PAUSE_S - 1])) == ()
    assert sittings([]) == ()


def test_a_run_resumed_the_next_evening_has_two_sittings_and_their_blocks_are_known() -> None:
    starts = [0, 70, 140, 210, 280 + 8 * 3600, 350 + 8 * 3600]
    assert sittings(list(reversed(in_order(starts)))) == (
        Sitting((1, 2)),
        Sitting((3,), pytest.approx(10 + 8 * 3600)),
    )


def test_a_block_that_was_cut_belongs_to_neither_sitting() -> None:
    starts = [0, 70, 140, 210 + 40_000, 280 + 40_000, 350 + 40_000]
    found = sittings(in_order(starts))
    assert [one.blocks for one in found] == [(1,), (3,)]


def test_a_clock_that_went_back_begins_a_sitting_whose_distance_is_not_known() -> None:
    assert sittings(in_order([10_000, 10_070, 500, 570])) == (Sitting((1,)), Sitting((2,), None))


def test_a_time_that_cannot_be_read_breaks_nothing() -> None:
    strange = trial(2, 1, 70).model_copy(update={"started_utc": "yesterday"})
    assert sittings([trial(1, 1, 0), strange]) == ()


def test_the_evidence_of_a_run_knows_its_sittings() -> None:
    record = RunRecord(
        id="run-1",
        title="How many vCPUs does the bookings database need?",
        started_utc=utc_text(0),
        guest="bookings-1",
        guest_kind="simulated guest",
        hypervisor="simulated",
        order_rule="",
        seed=1,
        plan={"shapes": [{"name": "one", "vcpus": 1}]},
        trials=(),
        versions={},
        inputs_sha256={},
    )
    found = from_run(record, in_order([0, 70, 140 + 9 * 3600, 210 + 9 * 3600])).sittings
    assert [one.blocks for one in found] == [(1,), (2,)]
    assert from_run(record, in_order([0, 70, 140, 210])).sittings == ()


def sat(k: int, step: float, *, before: int, cut: bool = False) -> tuple[list[Observation], tuple[Sitting, ...]]:
    """Observations of ``k`` blocks whose level steps after some of them, and the sittings."""
    seen = [
        observe(o.shape, o.threads, o.throughput_per_s * (1 + step if (o.block or 0) > before else 1), o.block)
        for o in blocks(TRUTH, k=k, sd=0.005, seed=8)
    ]
    early = tuple(range(1, before if cut else before + 1))
    return seen, (Sitting(early), Sitting(tuple(range(before + 1, k + 1)), 33_120.0))


def judged(seen: Sequence[Observation], sat_in: tuple[Sitting, ...]) -> tuple[tuple[Drift, ...], list[str]]:
    reached = verdict(Evidence(tuple(seen), sittings=sat_in))
    return reached.drifts, [remark for remark in reached.remarks if "sitting" in remark or "drift" in remark]


def test_a_step_between_two_sittings_is_told_with_its_interval_and_is_no_drift() -> None:
    found, remarks = judged(*sat(8, 0.04, before=4))
    assert [(drift.kind, drift.shown) for drift in found] == [
        ("through the blocks", False),
        ("through the blocks", False),
        ("between sittings", True),
    ]
    (remark,) = remarks
    assert remark.startswith("The run was measured in two sittings, 9 h 12 min apart. Throughput rose by ")
    assert "from blocks 1 to 4 to blocks 5 to 8 (+" in remark
    assert "Comparisons within blocks are not touched" in remark


def test_two_sittings_alike_are_told_all_the_same() -> None:
    _, (remark,) = judged(*sat(8, 0.0, before=4))
    assert "Throughput did not demonstrably change from blocks 1 to 4 to blocks 5 to 8 (" in remark


def test_a_block_that_was_cut_is_named_for_what_it_is() -> None:
    found, remarks = judged(*sat(6, 0.04, before=3, cut=True))
    assert found[-1].blocks == (1, 2)
    assert remarks[1] == (
        "Block 3 was begun in one sitting and ended in another: comparisons within it set trials of different "
        "sittings against each other."
    )


def test_single_blocks_in_two_sittings_are_compared_without_a_claim() -> None:
    found, remarks = judged(*sat(2, 0.2, before=1))
    (step,) = found
    assert (step.kind, step.shown, step.low, step.p_blocks) == ("between sittings", False, None, None)
    assert "did not demonstrably change from block 1 to block 2, with so few blocks." in remarks[0]


def test_a_run_of_one_sitting_says_nothing_of_sittings() -> None:
    assert not any("sitting" in remark for remark in verdict(evidence(drifting(0.0))).remarks)


def test_blocks_rise_with_their_numbers_even_where_some_are_missing() -> None:
    """Blocks 1, 2, 5 and 9: the line is over the numbers, so over the time between them."""
    seen = [o for o in drifting(0.01, k=9) if o.block in {1, 2, 5, 9}]
    (found,) = verdict(evidence(seen)).drifts
    assert found.blocks == (1, 2, 5, 9)
    assert found.ratio == pytest.approx(math.exp(0.08), rel=0.01)
    assert all(a < b for a, b in pairwise(found.blocks))
