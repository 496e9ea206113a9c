"""``python -m monitor`` is the same as ``emberpail``."""

import sys

from monitor.cli import main

sys.exit(main())
