"""The driver ``libvirt``: virtual machines behind any connection that libvirt knows.

``driver`` and ``settings`` are what a lab means, and import without libvirt-python. The rest, in order: ``connection``
(one that does not hang), ``faults`` (what an error means), ``domain`` (one guest's calls), ``host`` (what there is to
give), ``facts`` (what a definition says), ``marks`` (whether it may be touched), ``definition`` (the saved definition
with another shape), ``standing`` (what state a guest is in), ``power`` (off in order, then off), ``statistics`` (run
and wait of each vCPU), ``threads`` (their threads on the host), and ``hypervisor``: all of it behind one protocol.
"""
