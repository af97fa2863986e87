"""Readings that somebody collected: tables of cells and throughput logs, as text of unknown origin."""
