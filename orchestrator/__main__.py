"""``python -m orchestrator`` is the command ``trialbed``.

An interrupt is dealt with before anything else is loaded: loading takes a moment, and Ctrl-C may come at once.
"""

from orchestrator.adapters.interrupts import leave_at_once

leave_at_once()

from orchestrator.cli import main  # noqa: E402 - see above

if __name__ == "__main__":
    main()
