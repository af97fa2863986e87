"""Bundles: a run as one archive for somebody else, written so that it can be trusted and read as if it could not.

A bundle is a zip file that holds one bag (BagIt, RFC 8493) whose payload is an RO-Crate (version 1.1)::

    RUN.zip
      RUN/bagit.txt  bag-info.txt  manifest-*.txt  tagmanifest-*.txt
      RUN/data/ro-crate-metadata.json   what each file is (JSON-LD)
      RUN/data/how-to-repeat.txt        in words
      RUN/data/verdict.json, verdict.txt
      RUN/data/run/                     the run's folder as the store keeps it, less what concerns its owner only
"""
