"""The edge: files, SSH, tables, the clock. Siblings never import each other."""
