"""The leases of one host, for a person: what stands, and breaking what its holder has left."""

from __future__ import annotations

from orchestrator.adapters.leases import words
from orchestrator.adapters.leases.keeper import Keeper
from orchestrator.adapters.leases.place import Place
from orchestrator.adapters.leases.standing import Standing, look
from orchestrator.core.design.wording import listed, shown
from orchestrator.engine.leased import HostUse
from orchestrator.engine.ports import Clock, Lease
from orchestrator.errors import InputError, Problem, StageError, UnreachableError


class Board:
    """Every lease on a host, whoever's."""

    def __init__(self, place: Place, clock: Clock) -> None:
        self._place, self._clock = place, clock

    def use(self) -> HostUse:
        """Who uses the host now."""
        try:
            keeper = self._keeper()
        except StageError as error:
            return HostUse(remark=self._place.remark, trouble=str(error))
        try:
            return HostUse([standing.lease for standing in look(keeper)], self._place.remark)
        except StageError as error:
            return HostUse(remark=self._place.remark, trouble=str(error))
        finally:
            keeper.close()

    def break_one(self, name: str, *, even_if_held: bool) -> Lease:
        """Break a lease; its holder notices, and begins no further trial.

        Raises:
            InputError: there is none of the name, its holder is alive, or this login may not.
            UnreachableError: the host does not answer.
        """
        try:
            return self._break(name, even_if_held=even_if_held)
        except StageError as error:
            raise UnreachableError(f"the leases of host {self._place.host} cannot be reached: {error}") from error

    def _break(self, name: str, *, even_if_held: bool) -> Lease:
        keeper = self._keeper()
        try:
            standing = self._pick(look(keeper), name)
            lease = standing.lease
            if lease.state == "held" and not even_if_held:
                raise _refuse(
                    f"{name} on host {self._place.host} is held by {lease.holder}, {lease.standing}. "
                    "Whoever breaks it lets two runs disturb each other, until the other has ended its trial in hand: "
                    "ask its owner first; then add --even-if-held"
                )
            answer = keeper.ask("break", name, standing.token)[0]
        finally:
            keeper.close()
        if answer.startswith("refused"):
            raise _refuse(f"{name} on host {self._place.host} could not be broken: {words.kept_from(answer)}")
        if answer != "broken":
            raise _refuse(f"{name} on host {self._place.host} has changed hands this moment; look again")
        return lease

    def _keeper(self) -> Keeper:
        return Keeper.begin(self._place.log_in, self._place.folder, self._clock)

    def _pick(self, found: list[Standing], name: str) -> Standing:
        for standing in found:
            if standing.lease.name == name:
                return standing
        there = listed([standing.lease.name for standing in found]) if found else "none"
        raise _refuse(f"there is no lease {shown(name)} on host {self._place.host}; there are: {there}")


def _refuse(message: str) -> InputError:
    return InputError([Problem("--break", "", message)])
