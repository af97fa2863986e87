"""Loads that come with the package: each is one program, sent to the guest, that imports nothing from here."""
