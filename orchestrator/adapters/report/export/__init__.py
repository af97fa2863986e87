"""Reports in other formats: Markdown, workbooks, PDF, pictures."""
