"""The charts of the pages, one a file; each registers itself."""
