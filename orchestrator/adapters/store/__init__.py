"""Runs as plain files in open formats: one folder a run. The format is described in ``results/README.md``.

``layout`` names the files, ``atomic`` writes them whole or not at all, ``journal_file`` appends, ``parquet`` and
``digests`` speak their formats, ``reading`` and ``writing`` are the two directions, ``folder`` is the store itself.
"""
