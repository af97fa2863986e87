"""Who gets how much CPU: against closed forms, worked examples, and schedulers simulated quantum by quantum."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.hypervisors.simulated.shares import gang_share, water_fill

ENTITIES = st.lists(st.tuples(st.floats(0.01, 100), st.floats(0, 4)), min_size=1, max_size=12)


def test_capped_shares() -> None:
    """Two CPUs, weights 3:1:1, a cap of one CPU each: the first is capped, the others split the rest (derivation)."""
    assert water_fill(2, [3, 1, 1], [1, 1, 1]) == [1, 0.5, 0.5]


def test_tickets() -> None:
    """Tickets 100, 50 and 250 get 2, 1 and 5 of 8 quanta (Arpaci-Dusseau, OSTEP, chapter on stride scheduling)."""
    assert water_fill(8, [100, 50, 250], [8, 8, 8]) == pytest.approx([2, 1, 5])


@pytest.mark.parametrize("cpus", [1, 2, 4, 7])
@pytest.mark.parametrize("vcpus", [1, 2, 5, 16])
def test_equal_busy_vcpus_run_p_of_v(cpus: int, vcpus: int) -> None:
    """V equal busy vCPUs on P CPUs each run min(1, P / V) of the time (derivation)."""
    assert water_fill(cpus, [1.0] * vcpus, [1.0] * vcpus) == pytest.approx([min(1, cpus / vcpus)] * vcpus)


@given(st.floats(0, 20), ENTITIES)
def test_max_min_fairness(capacity: float, entities: list[tuple[float, float]]) -> None:
    """The definition: nothing is wasted, no cap is broken, who is below the cap has the highest share per weight."""
    weights, caps = [w for w, _ in entities], [c for _, c in entities]
    shares = water_fill(capacity, weights, caps)
    assert math.fsum(shares) == pytest.approx(min(capacity, math.fsum(caps)), abs=1e-9)
    assert all(share <= cap for share, cap in zip(shares, caps, strict=True))
    level = max(share / weight for share, weight in zip(shares, weights, strict=True))
    for share, weight, cap in zip(shares, weights, caps, strict=True):
        assert share == pytest.approx(cap, abs=1e-9) or share / weight == pytest.approx(level, abs=1e-9)


@given(st.floats(0, 20), ENTITIES, st.randoms(use_true_random=False), st.floats(0.1, 10))
def test_order_and_scale_of_weights_do_not_matter(capacity, entities, random, factor) -> None:  # type: ignore[no-untyped-def]
    order = list(range(len(entities)))
    random.shuffle(order)
    straight = water_fill(capacity, [w for w, _ in entities], [c for _, c in entities])
    shuffled = water_fill(capacity, [entities[i][0] * factor for i in order], [entities[i][1] for i in order])
    assert shuffled == pytest.approx([straight[i] for i in order], abs=1e-9)


@pytest.mark.parametrize(
    ("capacity", "weights", "caps"), [(-1, [1], [1]), (1, [0], [1]), (1, [1], [-1]), (1, [1, 1], [1])]
)
def test_nonsense_is_refused(capacity: float, weights: list[float], caps: list[float]) -> None:
    with pytest.raises(ValueError, match=r"positive|longer|shorter"):
        water_fill(capacity, weights, caps)


def stride(cpus: int, weights: list[float], quanta: int) -> list[float]:
    """Stride scheduling on several CPUs (Waldspurger & Weihl 1995): the smallest passes run, each on one CPU."""
    passes, ran = [0.0] * len(weights), [0] * len(weights)
    for _ in range(quanta):
        for chosen in sorted(range(len(weights)), key=lambda i: (passes[i], i))[:cpus]:
            passes[chosen] += 1 / weights[chosen]
            ran[chosen] += 1
    return [r / quanta for r in ran]


@pytest.mark.parametrize(("cpus", "weights"), [(1, [3, 2, 1]), (2, [1, 1, 1]), (2, [2, 2, 1, 1]), (3, [5, 4, 3, 3, 3])])
def test_stride_scheduling_converges_to_it(cpus: int, weights: list[float]) -> None:
    """No weight asks for more than a CPU here: stride scheduling does not hand on what a capped entity leaves."""
    assert stride(cpus, weights, 6000) == pytest.approx(water_fill(cpus, weights, [1.0] * len(weights)), abs=2e-3)


def gang_by_quanta(cpus: int, vcpus: int, neighbours: int, quanta: int = 20_000) -> tuple[float, float]:
    """Shares of a gang and of a neighbour when in each quantum who has run least goes first and who fits goes along."""
    gang, others = 0, [0] * neighbours
    for _ in range(quanta):
        free = cpus
        for who in sorted(range(-1, neighbours), key=lambda i: (gang if i < 0 else others[i], i)):
            if who < 0 and vcpus <= free:
                free -= vcpus
                gang += 1
            elif who >= 0 and free:
                free -= 1
                others[who] += 1
    return gang / quanta, sum(others) / neighbours / quanta if neighbours else 0.0


@pytest.mark.parametrize(
    ("cpus", "vcpus", "neighbours"),
    [(2, 1, 2), (2, 2, 2), (2, 2, 1), (4, 3, 2), (4, 3, 3), (4, 4, 4), (4, 2, 9), (8, 5, 4), (8, 5, 3), (16, 16, 1)],
)
def test_a_gang_scheduled_by_quanta_converges_to_the_formula(cpus: int, vcpus: int, neighbours: int) -> None:
    share, neighbour = gang_by_quanta(cpus, vcpus, neighbours)
    assert share == pytest.approx(gang_share(cpus, vcpus, neighbours), abs=1e-3)
    if share < 1:
        assert neighbour == pytest.approx(share, abs=1e-3)


@pytest.mark.parametrize(("cpus", "vcpus", "neighbours"), [(2, 2, 2), (4, 3, 4), (8, 1, 30)])
def test_with_enough_neighbours_a_gang_has_its_proportional_share(cpus: int, vcpus: int, neighbours: int) -> None:
    assert gang_share(cpus, vcpus, neighbours) == pytest.approx(cpus / (vcpus + neighbours))


def test_a_gang_of_one_is_no_gang() -> None:
    for cpus in range(1, 9):
        for neighbours in range(20):
            assert gang_share(cpus, 1, neighbours) == pytest.approx(min(1, cpus / (1 + neighbours)))


def test_a_gang_just_over_half_the_host_wastes_most() -> None:
    """CPUs too few for a gang stand idle, at worst nearly half of them (Feitelson & Rudolph 1990: 0 to 50 %)."""
    cpus = 64
    used = {}
    for vcpus in range(1, cpus + 1):
        neighbours = cpus - vcpus + 1  # one more than there is room for beside the gang
        share = gang_share(cpus, vcpus, neighbours)
        used[vcpus] = share * (vcpus + neighbours) / cpus
        assert 0.5 < used[vcpus] <= 1
    assert used[64] == pytest.approx(0.5 + 0.5 / 64)


def test_a_gang_larger_than_the_host_never_runs() -> None:
    with pytest.raises(ValueError, match="never fits on 2 CPUs"):
        gang_share(2, 3, 0)
