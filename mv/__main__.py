"""`python -m mv`, the same as the command `mvreport`."""

from mv.cli import main

main()
