"""The portfolio folder, described, read and validated."""
