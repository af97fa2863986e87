"""Charts of what was measured, as Vega-Lite specifications written with Altair."""
