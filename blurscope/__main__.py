"""``python -m blurscope``."""

import sys

from blurscope.cli import main

sys.exit(main())
