"""Virtual machines for people without a spare hypervisor: a session of libvirt with two small guests and their lab."""
