"""Drivers: one folder for each way of running guests, all behind :class:`orchestrator.engine.ports.Hypervisor`."""
