"""A model host with a model guest on a virtual clock: known truth, for tests, teaching and what-if.

The modules in the order of the flow: ``settings`` (what a lab declares), ``shares`` (who gets which CPU), ``model``
(what follows for throughput, run, wait and idle), ``noise`` (what a trial adds by chance), ``mishaps`` (what goes wrong
on purpose), ``ledger`` and ``world`` (the state that moves with the clock), and the parts that the engine is handed by
``driver``: ``hypervisor``, ``shell`` with ``process``, ``sampler``.
"""
