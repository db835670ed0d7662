"""`python -m mv`, the same as the command `mvreport`.

Workers import the module that the command starts from once more; this one costs them nothing.
"""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    from mv.cli import main

    main()


if __name__ == "__main__":
    main()
