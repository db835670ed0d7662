"""Results made into pages, tables and paper; nothing here computes a result."""
