"""Counters of a machine over one long-lived channel: a Python program where there is Python, else a shell loop.

``sampler`` starts and asks them, ``python_program`` and ``shell_program.sh`` are what runs on the other machine, and
``protocol`` reads the one text that both answer with.
"""
