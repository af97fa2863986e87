"""What can go wrong, and whose fault it is.

::

    TrialbedError
    ├── InputError        the plan, the lab or a table is wrong     (the author's)   exit status 2
    ├── UnreachableError  host or guest cannot be reached at all    (the lab's)      exit status 4
    ├── StageError        one stage of one trial failed; the run goes on
    │   ├── HostFault       the hypervisor or its host refused or fell silent
    │   ├── GuestFault      the guest did not boot, answer or have the shape asked for
    │   └── WorkloadFault   the load inside the guest ended, hung or printed nonsense
    ├── SandboxError      guests of our own cannot be built or started   (this machine's)  exit status 4
    ├── StoreError        a run cannot be written or read           (the store's)    exit status 2
    │   └── RunBusyError    another process is at work on it
    └── RestoreError      the guest could not be put back: the loudest of all        exit status 3

A message says what was asked, what is allowed or what happened, and what to do next. Foreign exceptions are translated
where they arise, with the cause kept.
"""

from __future__ import annotations

from dataclasses import dataclass


class TrialbedError(Exception):
    """Root of the tree: every message of it is fit to be shown to a person as it stands."""

    exit_status = 2


@dataclass(frozen=True)
class Problem:
    """One thing wrong in one file.

    Attributes:
        where: ``file:line:column``, or as much of it as is known.
        field: path of the field, such as ``shapes[2].memory``; empty for the file as a whole.
        message: what was found, what is allowed and, where one is near, the key that was probably meant.
    """

    where: str
    field: str
    message: str

    def __str__(self) -> str:
        return f"{self.where}: {self.field}: {self.message}" if self.field else f"{self.where}: {self.message}"


class InputError(TrialbedError):
    """Plan, lab or table is wrong; carries every problem found, not the first only."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


class UnreachableError(TrialbedError):
    """The lab cannot be reached: nothing was measured and nothing was changed."""

    exit_status = 4


class StageError(TrialbedError):
    """A stage of a trial failed; the reason is stored with the trial and the run goes on.

    Attributes:
        may_pass: whether trying the same again after a pause can help (the stage's retry rule asks).
        silent: whether a machine did not answer, or not any more, so that it is worth asking others what became of it.
        barred: whether a machine does not let the run in, or is not shown to be the one that is meant: a person has to
            see to that, and until then every login fails.
    """

    exit_status = 3

    def __init__(self, message: str, *, may_pass: bool = False, silent: bool = False, barred: bool = False) -> None:
        super().__init__(message)
        self.may_pass = may_pass
        self.silent = silent
        self.barred = barred

    def reworded(self, message: str, kind: type[StageError] | None = None) -> StageError:
        """The same failure in other words, with this one as its cause; of the same kind unless another is given."""
        made = (kind or type(self))(message, may_pass=self.may_pass, silent=self.silent, barred=self.barred)
        made.__cause__ = self
        return made


class HostFault(StageError):
    """The hypervisor or its host refused, failed or fell silent."""


class GuestFault(StageError):
    """The guest did not boot, did not answer, or is not what was asked for."""


class WorkloadFault(StageError):
    """The load inside the guest could not be sent, ended early, hung, or printed what its reader cannot read."""


class SandboxError(TrialbedError):
    """The sandbox's guests cannot be built, started or removed on this machine; nothing was measured."""

    exit_status = 4


class StoreError(TrialbedError):
    """A run cannot be written to or read from the store."""


class RunBusyError(StoreError):
    """Another process is at work on the run."""


class RestoreError(TrialbedError):
    """The guest could not be put back as it was; the message that a person gets holds what to do by hand.

    Attributes:
        may_pass: whether trying again after a pause can help; it is tried before anybody is told.
    """

    exit_status = 3

    def __init__(self, message: str, *, may_pass: bool = False) -> None:
        super().__init__(message)
        self.may_pass = may_pass
