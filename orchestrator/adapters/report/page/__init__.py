"""Reports as pages of HTML."""
