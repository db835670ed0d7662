"""How does the server of workers take Ctrl-C?  It ends without a word; its parent speaks.

Imported by that server before everything else, and by nobody else: the import sets the signal.
Workers that it forks keep the setting until they have one of their own.
"""

from __future__ import annotations

import os
import signal

INTERRUPTED = 130
"""Exit code of a process that Ctrl-C ended (128 + SIGINT, POSIX shells)."""

signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
