"""The driver ``command``: any hypervisor at all, by commands that its user names."""
