"""What energy costs, what a saving is worth, and when it is paid back."""
