"""A hypervisor driver of somebody else's, as a package of its own: the least that makes one whole."""
