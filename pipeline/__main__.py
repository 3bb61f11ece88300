"""`python -m pipeline` is the command `peelpoint`."""

import sys

from pipeline.cli import main

sys.exit(main())
