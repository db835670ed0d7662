"""Lets worker processes import the tasks of these tests by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
