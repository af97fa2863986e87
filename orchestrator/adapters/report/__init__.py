"""What people and programs are shown: pages for a terminal, documents, charts, files of other formats."""
