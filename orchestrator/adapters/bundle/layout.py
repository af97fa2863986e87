"""What lies where in a bundle, what its files may be called, and how large it may be."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from orchestrator.units import Bytes

#: The layout that this version writes, and the newest that it reads.
BUNDLE_VERSION: Final = "1"
VERSION_KEY: Final = "Trialbed-Bundle-Version"
ANONYMISED_KEY: Final = "Trialbed-Anonymised"

#: RFC 8493, section 2.1.1.
BAGIT_TXT: Final = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
#: SHA-512 is what RFC 8493 (section 2.4) wants first; SHA-256 is what a run itself is sealed with.
ALGORITHMS: Final = ("sha256", "sha512")
BAGIT, BAG_INFO = "bagit.txt", "bag-info.txt"
MANIFESTS: Final = tuple(f"manifest-{algorithm}.txt" for algorithm in ALGORITHMS)
TAG_MANIFESTS: Final = tuple(f"tagmanifest-{algorithm}.txt" for algorithm in ALGORITHMS)
TAG_FILES: Final = (BAGIT, BAG_INFO, *MANIFESTS, *TAG_MANIFESTS)

PAYLOAD: Final = "data/"
RUN: Final = "data/run/"
CRATE: Final = "data/ro-crate-metadata.json"
RECORD, SEAL = "run.json", "SHA256SUMS"
#: Without these a bundle is none.
NEEDED: Final = (*TAG_FILES, CRATE, f"{RUN}{RECORD}", f"{RUN}journal.jsonl", f"{RUN}{SEAL}")

#: One name in a path. Nothing that means something to a shell, a terminal or another file system.
PART: Final = re.compile(r"[A-Za-z0-9_+=@,.!~-](?:[A-Za-z0-9_+=@,.!~ -]{0,253}[A-Za-z0-9_+=@,.!~-])?")
#: The folder that everything lies in: the run's id.
BASE: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,199}")
#: Names that mean something else in a store: its youngest run, and the folder of its baselines.
NO_RUN: Final = frozenset({"last", "baselines"})
LONGEST_PATH: Final = 1000

#: A run keeps an unusual name of an input percent-encoded. A bag has its own meaning for "%" (RFC 8493, section 2.1.3)
#: that readers do not agree on, so a bundle writes "!" for it, which no file of a run has in its name.
PERCENT: Final = "!"


@dataclass(frozen=True)
class Limits:
    """How large a bundle may be before anything of it is unpacked. Far beyond any night of measuring.

    Attributes:
        entries: files and folders; a night of 2,000 trials has 14,000.
        file_bytes: of one file, unpacked.
        bytes: of all, unpacked.
        metadata_bytes: of a file that is read as a whole, such as a manifest; the journal of that night has 5 MiB.
        all_metadata_bytes: of all such files together; 2,000 trials have some 20 MiB.
        directory_bytes: of the archive's list of entries, which is read as a whole before anything else; an entry takes
            some 150 bytes of it, and ten times that in memory.
        yaml_bytes: of a plan or a lab, as the reader of plans has it: YAML takes seconds a mebibyte.
        log_bytes: of what a workload printed, unpacked a second time; a trial keeps 4 Mi characters of it.
        ratio: unpacked over packed, of a file of more than a mebibyte. Text of counters shrinks tenfold, a bomb a
            thousandfold (DEFLATE, RFC 1951, ends at about 1,030).
    """

    entries: int = 100_000
    file_bytes: Bytes = 2 * 2**30
    bytes: Bytes = 16 * 2**30
    metadata_bytes: Bytes = 32 * 2**20
    all_metadata_bytes: Bytes = 256 * 2**20
    directory_bytes: Bytes = 16 * 2**20
    yaml_bytes: Bytes = 2**20
    log_bytes: Bytes = 64 * 2**20
    ratio: int = 200
