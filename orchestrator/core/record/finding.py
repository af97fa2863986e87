"""What a check of a stored run finds, as values."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One thing wrong with one file of a run.

    Attributes:
        path: relative to the run's folder.
        what: is wrong, as a clause that goes on from the path.
        means: what can and what cannot be trusted or read because of it.
        do: what to do about it.
    """

    path: str
    what: str
    means: str
    do: str

    @property
    def sentence(self) -> str:
        """All of it in words."""
        return f"{self.path} {self.what}: {self.means}; {self.do}"


@dataclass(frozen=True)
class Verified:
    """What was checked of a run, and what is wrong.

    Attributes:
        run: its id.
        location: its folder.
        state: see :class:`~orchestrator.core.record.run.StoredRun`; empty where the run cannot be read.
        sealed: whether the digests of all files were there to be checked; without them those of trials, inputs and
            guests were.
        files: files that were compared with a digest.
        size_bytes: their size together.
        findings: what is wrong, by path.
        remarks: what is not wrong and worth knowing.
    """

    run: str
    location: str
    state: str
    sealed: bool
    files: int
    size_bytes: int
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...] = ()
