"""The composition root: the only package that names concrete adapters and drivers.

``drivers`` knows the drivers, ``plans`` reads and checks plans, ``leasing`` says where leases are kept, ``job`` puts
together what a run works with, ``beginning``, ``going_on`` and ``putting_back`` are the verbs, ``views`` reads the
store.

Heavy libraries are imported by the functions that need them, so that a command loads no more than it uses.
"""
