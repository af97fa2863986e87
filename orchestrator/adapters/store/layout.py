"""Where things are in a run's folder, and how a run, its inputs and its trials get names that are safe on any disk."""

from __future__ import annotations

import re
import secrets
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote, unquote

_SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,199}")
_SAFE_PART = re.compile(r"[A-Za-z0-9_+=@,][A-Za-z0-9_+=@,. -]*")
_RANDOM_END = re.compile(r"-[0-9a-f]{4}$")
_SLUG_LENGTH = 40

#: Inputs that lie beside ``run.json``; every other input lies under ``inputs/``.
TOP_INPUTS = ("plan.yaml", "lab.yaml")
#: Folder of a store that is no run: runs under a name.
BASELINES = "baselines"
#: File of a store that lets listings answer at once; it may be deleted at any time.
INDEX = ".index.sqlite"
#: Everything that a run's folder may hold.
ENTRIES = frozenset(
    {*TOP_INPUTS, "inputs", "run.json", "environment.json", "journal.jsonl", "journal.torn"}
    | {"before", "trials", "unfinished", "discarded", "SHA256SUMS", ".lock", "alive.json"}
)
#: What tells of the run; series, logs, and files of workloads and guests are asked after when they are read.
RECORDS = re.compile(r"(run|environment)\.json|journal\.jsonl|(plan|lab)\.yaml|trials/[^/]+/trial\.json")
#: What changes, or is gone, when nobody is at work on a run: the seal does not cover it.
NOT_SEALED = re.compile(r"SHA256SUMS$|\.lock$|alive\.json$|unfinished/|(.*/)?\.partial-")
#: Says of each folder in ``discarded/`` why it is there.
DISCARDED_RECORD = "discarded.json"
#: The fingerprint from before a run was resumed.
EARLIER_ENVIRONMENT = re.compile(r"environment\.\d+\.json")
#: What came of a trial, in its folder.
TRIAL_RECORD = "trial.json"
SERIES = ("throughput", "host", "guest", "vcpu")
LOG = "workload.log.gz"
#: Began the name of a trial's earlier result in runs of earlier versions; now it is put under ``discarded/``.
SUPERSEDED = ".replaced-"


@dataclass(frozen=True)
class RunFolder:
    """The folder of one run."""

    path: Path

    @property
    def record(self) -> Path:
        """What was decided before the first trial."""
        return self.path / "run.json"

    @property
    def environment(self) -> Path:
        """The fingerprint of host and guest."""
        return self.path / "environment.json"

    @property
    def journal(self) -> Path:
        """One event a line."""
        return self.path / "journal.jsonl"

    @property
    def torn(self) -> Path:
        """Journal lines that a crash cut short, set aside."""
        return self.path / "journal.torn"

    @property
    def lock(self) -> Path:
        """Held by the process that writes."""
        return self.path / ".lock"

    @property
    def sums(self) -> Path:
        """The seal: SHA-256 of every file."""
        return self.path / "SHA256SUMS"

    @property
    def before(self) -> Path:
        """Guests as they were."""
        return self.path / "before"

    @property
    def trials(self) -> Path:
        """Finished trials."""
        return self.path / "trials"

    @property
    def unfinished(self) -> Path:
        """The draft of the trial in hand."""
        return self.path / "unfinished"

    @property
    def discarded(self) -> Path:
        """What trials left that do not count."""
        return self.path / "discarded"

    @property
    def alive(self) -> Path:
        """The last sign of life of the process that writes."""
        return self.path / "alive.json"

    def within(self, message: str) -> str:
        """A message about files of the run, each by its path below the folder."""
        return message.replace(f"{self.path}/", "")

    def trial(self, trial: str) -> Path:
        """The folder of one trial."""
        return self.trials / trial

    def input_files(self) -> dict[str, Path]:
        """Inputs that are there: the name they were given to their file."""
        found = {name: self.path / name for name in TOP_INPUTS if (self.path / name).is_file()}
        folder = self.path / "inputs"
        for path in sorted(folder.rglob("*")) if folder.is_dir() else ():
            if path.is_file():
                found[unquote(path.relative_to(folder).as_posix())] = path
        return found


def is_safe_name(name: str) -> bool:
    """Whether a name can be a folder's as it stands."""
    return _SAFE_NAME.fullmatch(name) is not None


def relative_file(name: str) -> str:
    """A path below a folder for any file name; ``unquote`` gives the name back.

    A plain relative path stays as it is. Anything else (absolute, with ``..``, with unusual characters) becomes one
    percent-encoded name, so that no name can point out of its folder.
    """
    parts = name.split("/")
    if all(_SAFE_PART.fullmatch(part) for part in parts):
        return name
    return quote(name, safe="").replace(".", "%2E")


def input_file(name: str) -> str:
    """Where an input lies, relative to the run's folder."""
    return name if name in TOP_INPUTS else f"inputs/{relative_file(name)}"


def run_id(wished: str, started_utc: str, title: str) -> str:
    """A new id: the one wished for, if it can be a folder's name, else ``<UTC stamp>-<slug of the title>-<4 hex>``."""
    if is_safe_name(wished) and wished != BASELINES:
        return wished
    return f"{_stamp(started_utc)}-{_slug(title)}-{secrets.token_hex(2)}"


def another_id(taken: str) -> str:
    """The same id with another random end, for when the first is taken."""
    return f"{_RANDOM_END.sub('', taken)}-{secrets.token_hex(2)}"


def instant(started_utc: str) -> datetime:
    """A record's time for sorting; a text that is no time sorts first."""
    try:
        read = datetime.fromisoformat(started_utc)
    except ValueError:
        return datetime.min.replace(tzinfo=UTC)
    return read if read.tzinfo else read.replace(tzinfo=UTC)


def _stamp(started_utc: str) -> str:
    return instant(started_utc).astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _slug(title: str) -> str:
    ascii_only = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode().lower()
    words = re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")
    if len(words) > _SLUG_LENGTH:
        cut = words[: _SLUG_LENGTH + 1]
        words = cut.rpartition("-")[0] or cut[:_SLUG_LENGTH]
    return words or "run"
