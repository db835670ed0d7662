"""One site, from its files to its result."""
