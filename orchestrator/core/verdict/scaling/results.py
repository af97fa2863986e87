"""What is said of how throughput grows with threads, vCPUs or both."""

from __future__ import annotations

from typing import Literal

from orchestrator.core.measure.results import Record

#: ``threads``: more threads on one shape. ``vcpus``: more vCPUs under the same number of threads. ``both``: more vCPUs,
#: each with a thread of its own.
Over = Literal["threads", "vcpus", "both"]
#: ``proportional``: N times one. The others as in :mod:`orchestrator.core.verdict.scaling.laws`.
LawName = Literal["proportional", "amdahl", "gustafson", "universal"]


class Point(Record):
    """One size and its throughput: the cell's mean with the interval of the cell, and what the chosen law says there.

    ``size`` is the number of threads, vCPUs or both. ``low`` and ``high`` are ``None`` where the cell has a single
    reading; ``fitted`` where no law was fitted. ``efficiency`` is the throughput for each thread or vCPU against the
    smallest size measured.
    """

    cell: str
    size: int
    throughput_per_s: float
    low: float | None
    high: float | None
    fitted: float | None
    efficiency: float


class Bounds(Record):
    """An estimate with its confidence interval; ``high`` is ``None`` where the data set no upper limit.

    ``error`` is the standard error by linearisation, ``None`` where it does not apply (at a limit of the law the
    interval, which comes from the likelihood, is the one to be believed).
    """

    value: float
    low: float
    high: float | None
    error: float | None = None


class FittedLaw(Record):
    """One law fitted to the points.

    ``per_unit`` is the throughput of one thread or vCPU (gamma); ``sigma`` the serial share (for the universal law: the
    cost of queueing for what is shared), ``kappa`` the cost of exchange between any two; ``None`` where the law has no
    such parameter. ``misfit`` is the largest distance of a point from the law as a share of the point.
    """

    law: LawName
    per_unit: float
    sigma: float | None
    kappa: float | None
    misfit: float


class Scaling(Record):
    """How the throughput of one workload grows.

    Attributes:
        workload, over: what grows with what.
        shape: for ``threads``: the shape it was measured on.
        threads: for ``vcpus``: the number of threads.
        points: by size.
        law: the law that was chosen; ``None`` where there is none, and ``why_no_law`` says why.
        laws: all that were fitted, by number of parameters; empty where there are too few points.
        per_unit, sigma, kappa: parameters of the chosen law with their intervals; a cost that it does not have is what
            the universal law still allows. ``None`` without a law.
        unphysical: where a fit without limits would leave what the law can mean (a negative cost): says so.
        peak: the size with the largest throughput, as an interval, where the data hold one; else ``None``, and
            ``no_peak`` says why.
        peak_beyond: where no peak is in sight: the size below which none can lie; ``None`` where not even that is
            known.
        limit: the throughput that Amdahl's law never exceeds, where that law was chosen and the data tell.
        sentence: all of it in plain words.
    """

    workload: str
    over: Over
    shape: str | None
    threads: int | None
    points: tuple[Point, ...]
    law: LawName | None
    why_no_law: str | None
    laws: tuple[FittedLaw, ...]
    per_unit: Bounds | None
    sigma: Bounds | None
    kappa: Bounds | None
    unphysical: str | None
    peak: Bounds | None
    no_peak: str | None
    peak_beyond: float | None
    limit: Bounds | None
    sentence: str
