"""``python -m orchestrator`` is the command ``trialbed``."""

from orchestrator.cli import main

main()
