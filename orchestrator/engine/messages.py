"""What somebody who is not watching is told of a run: when it has finished, has failed, or needs a person."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from orchestrator.core.design.notify import Occasion
from orchestrator.core.design.wording import printable
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.news import News, RunBegan, RunEnded, TrialEnded
from orchestrator.engine.quiet import CHECK
from orchestrator.engine.stages import QUIET
from orchestrator.errors import InputError, RestoreError, StoreError, TrialbedError

#: A message is read on a telephone; the record of the run is where the rest stands.
_LONGEST = 1200


@dataclass(frozen=True)
class Message:
    """One message.

    Attributes:
        occasions: what it is about; whoever asked for one of them gets it.
        title, body: plain text of one line, and of a few.
    """

    occasions: frozenset[Occasion]
    title: str
    body: str


class Messages:
    """Turns the news of one run into messages: few, since what is told again and again is read no more.

    Args:
        run, title, guest: the run's id and title, and the guest by its name in the lab.
        look: how to look at the run, as a command.
        resume: how to go on with it, as a command; empty where it has not begun.
        answer: the verdict's answer in a sentence, as far as there is one; may take its time.
    """

    def __init__(  # noqa: PLR0913 - what a message names, each by its name
        self, *, run: str, title: str, guest: str, look: str, resume: str, answer: Callable[[], str]
    ) -> None:
        self._run, self._title, self._guest = run, title, guest
        self._look, self._resume, self._answer = look, resume, answer
        self._told: set[str] = set()
        self._trials = self._ended = 0

    def of(self, news: News) -> Message | None:
        """The message that news are worth, if they are worth one. What only the verdict can tell is left out."""
        match news:
            case RunBegan():
                self._trials, self._ended = news.trials, news.done
            case TrialEnded():
                self._ended += 1
                return self._of_trial(news.record, barred=news.barred)
            case RunEnded():
                return self._of_end(news)
            case _:
                pass
        return None

    def answered(self, message: Message) -> Message:
        """The message with the verdict's answer, where it is about the end of a run."""
        if "finished" not in message.occasions:
            return message
        said = self._answer()
        return replace(message, body=_short(f"{printable(said)}\n{message.body}")) if said else message

    def of_trouble(self, error: Exception) -> Message:
        """The message about an error that ended the run."""
        if isinstance(error, RestoreError):
            return self._message({"needs-you"}, "the guest is NOT as it was before", str(error), 6 * _LONGEST)
        if isinstance(error, StoreError):
            said = f"{error}\nThe run has ended. Go on with: {self._resume}" if self._resume else str(error)
            return self._message({"failed"}, "the run cannot be written", said)
        if isinstance(error, TrialbedError):
            head = "refused" if isinstance(error, InputError) else "the lab cannot be reached"
            return self._message({"failed"}, head, str(error))
        said = f"A defect in trialbed itself: {type(error).__name__}. The journal of the run tells more."
        return self._message({"failed"}, "a defect", said)

    def _of_trial(self, record: TrialRecord, *, barred: bool) -> Message | None:
        if (noise := _noise(record)) is not None:
            does = "was skipped" if record.failed_stage == QUIET.name else "was measured all the same and is flagged"
            said = f"The host was not quiet for as long as the plan waits. Trial {record.id} {does}: {noise}"
            return self._once("quiet", {"needs-you"}, "the host is not quiet", said)
        if barred:
            said = f"Trial {record.id} failed, and the next ones will: {record.reason}"
            return self._once("login", {"needs-you"}, "a login is refused", said)
        return None

    def _of_end(self, news: RunEnded) -> Message:
        count = f"{self._ended} of {self._trials} trials have ended"
        if news.state == "done" and self._ended < self._trials:
            count = f"{self._ended} trials have ended, the other {self._trials - self._ended} were not needed"
        count += f"; {news.failed} failed now." if news.failed else "."
        also: set[Occasion] = {"failed"} if news.failed else set()
        why = f" {_sentence(news.why)}" if news.why else ""
        again = f"Go on with: {self._resume}"
        if news.state == "done":
            head = "finished, with failed trials" if news.failed else "finished"
            return self._message({"finished", *also}, head, count)
        if news.state == "out of time":
            return self._message({"finished", *also}, "out of time", f"{count}{why} {again}")
        if news.state == "given up":
            return self._message({"failed"}, "given up", f"{count}{why} {again}")
        if news.state == "not begun":
            return self._message({"failed"}, "not begun", f"No trial could be begun.{why} {again}")
        return self._message({"needs-you", *also}, "ended before its last trial", f"{count}{why} {again}")

    def _once(self, kind: str, occasions: set[Occasion], head: str, said: str) -> Message | None:
        if kind in self._told:
            return None
        self._told.add(kind)
        return self._message(occasions, head, f"{said}\nThis is told once a run.")

    def _message(self, occasions: set[Occasion], head: str, said: str, most: int = _LONGEST) -> Message:
        lines = "\n".join(printable(line) for line in said.splitlines())
        where = f"Run {self._run}, guest {self._guest}. Look: {self._look}"
        title = _short(f"trialbed: {head}: {printable(self._title)}", 200)
        return Message(frozenset(occasions), title, f"{_short(lines, most)}\n{where}")


def _noise(record: TrialRecord) -> str | None:
    """Why a trial's host did not count as quiet; ``None`` where it did, or nobody asked."""
    if record.failed_stage == QUIET.name:
        return record.reason
    checks = record.summary.checks if record.summary is not None else ()
    return next((check.detail for check in checks if check.name == CHECK and check.state == "flag"), None)


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + ("" if words.endswith(".") else ".")


def _short(text: str, most: int = _LONGEST) -> str:
    return text if len(text) <= most else f"{text[: most - 4]} ..."
