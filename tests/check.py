"""The one command that runs every check: format, lint, types, import contracts, tests.

python tests/check.py            everything
python tests/check.py --no-tests everything but the tests
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
STATIC = (
    ("format", ["ruff", "format", "--check", "."]),
    ("lint", ["ruff", "check", "."]),
    ("types", ["mypy"]),
    ("import contracts", ["lint-imports"]),
)


def main() -> int:
    """Run the checks one after the other; go on after a failure, so that one run tells everything."""
    steps = list(STATIC)
    if "--no-tests" not in sys.argv[1:]:
        steps.append(("tests", ["pytest"]))
    tools = Path(sys.executable).parent
    failed = []
    for name, (tool, *arguments) in steps:
        print(f"== {name}", flush=True)
        if subprocess.run([tools / tool, *arguments], cwd=ROOT, check=False).returncode != 0:
            failed.append(name)
    print(f"failed: {', '.join(failed)}" if failed else "all checks passed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
